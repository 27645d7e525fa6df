// Makes elements without any text ever being read as markup.

const SVG = "http://www.w3.org/2000/svg";

function filled(element, properties, children) {
  for (const [name, value] of Object.entries(properties ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  for (const child of children.flat(2)) {
    if (child !== null && child !== undefined && child !== false) element.append(child);
  }
  return element;
}

export const h = (tag, properties, ...children) => filled(document.createElement(tag), properties, children);
export const s = (tag, properties, ...children) => filled(document.createElementNS(SVG, tag), properties, children);
export const by = (id) => document.getElementById(id);
