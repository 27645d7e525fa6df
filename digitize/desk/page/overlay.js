// Draws over the plan: lines in its own pixels, and handles that keep their size on the screen.

import { s } from "./dom.js";
import { Sprites } from "./sprites.js";

const MANY = 60;

const path = (points, closed) => `M${points.map(([x, y]) => `${x} ${y}`).join("L")}${closed ? "Z" : ""}`;

export class Overlay {
  constructor(svg) {
    this.svg = svg;
    this.lines = s("g", { class: "lines" });
    this.marks = s("g", { class: "marks" });
    svg.append(this.lines, this.marks);
    this.handles = [];
  }

  // shapes: {points, closed, look, title}; handles: {name, at, look, sign, label, move, drop, take}
  show(shapes, handles) {
    const focused = document.activeElement?.dataset?.handle;
    this.lines.replaceChildren(...shapes.flatMap((shape) => this.line(shape)));
    this.handles = handles.map((handle) => ({ ...handle, node: this.handle(handle) }));
    this.marks.replaceChildren(...this.handles.map((handle) => handle.node));
    if (focused) this.find(focused)?.node.focus();
  }

  find(name) {
    return this.handles.find((handle) => handle.name === name);
  }

  // A light line under each keeps it apart from black ink.
  line({ points, closed, look }) {
    const d = path(points, closed);
    return [s("path", { d, class: `under ${look}` }), s("path", { d, class: look })];
  }

  handle({ name, label, look, sign, move, take }) {
    const can = move || take ? { tabindex: "0", role: "button", "aria-label": label } : { role: "img", "aria-label": label };
    return s(
      "g",
      { class: `handle ${look}`, "data-handle": name, ...can },
      s("circle", { class: "reach", r: 20 }),
      s("circle", { class: "ring", r: 9 }),
      s("path", { class: "hair", d: "M-14 0H-3M3 0H14M0 -14V-3M0 3V14" }),
      sign && s("text", { x: 15, y: -11 }, sign),
    );
  }

  get many() {
    return this.handles.length > MANY;
  }

  place(camera) {
    this.marks.classList.remove("moving");
    this.placeLines(camera);
    // Marks keep their size: each is placed anew only when the view comes nearer, or when it is dragged itself.
    for (const handle of this.handles) this.placeMark(handle, camera);
  }

  // While the view moves, many marks are stamped on the canvas; the one in hand stays what it is.
  placeMoving(camera, context, ratio) {
    this.marks.classList.add("moving");
    this.placeLines(camera);
    if (this.sprites?.ratio !== ratio) this.sprites = new Sprites(ratio);
    for (const handle of this.handles) {
      if (handle.node === document.activeElement) this.placeMark(handle, camera);
      else this.sprites.stamp(context, handle, camera.toScreen(handle.at));
    }
  }

  placeLines(camera) {
    const [left, top] = camera.toScreen([0, 0]);
    this.lines.setAttribute("transform", `translate(${left} ${top}) scale(${camera.scale})`);
    this.marks.setAttribute("transform", `translate(${left} ${top})`);
  }

  placeMark(handle, camera) {
    const [x, y] = handle.at;
    if (handle.placed?.scale === camera.scale && handle.placed.x === x && handle.placed.y === y) return;
    handle.placed = { scale: camera.scale, x, y };
    handle.node.setAttribute("transform", `translate(${x * camera.scale} ${y * camera.scale})`);
  }
}
