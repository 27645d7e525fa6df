// What a person has open, typed and in focus, kept while the words are written anew: a run may end at any moment.

import { by } from "./dom.js";

const LIVELY = "#words button, #words input, #words summary, #trail button";

const label = (field) => field.closest("label")?.textContent ?? "";
const summary = (details) => details.querySelector("summary").textContent.replace(/\d+/g, "");
const all = (selector) => [...by("words").querySelectorAll(selector)];

// A text field goes by its label, for what is typed into it is no part of what it is.
const nameOf = (element) => [element.tagName, element.name ?? "", element.type === "text" ? label(element) : element.value ?? "", element.textContent].join("|");

// Returns what puts it all back.
export function keep() {
  const open = new Set(all("details[open]").map(summary));
  const typed = new Map(all("input[type=text]").filter((field) => field.value !== field.defaultValue).map((field) => [label(field), field.value]));
  const active = document.activeElement?.closest?.("#words, #trail") ? document.activeElement : null;
  const [name, from, to] = active ? [nameOf(active), active.selectionStart, active.selectionEnd] : [];
  return () => {
    for (const details of all("details")) details.open = open.has(summary(details));
    for (const field of all("input[type=text]")) field.value = typed.get(label(field)) ?? field.defaultValue;
    const again = active && [...document.querySelectorAll(LIVELY)].find((one) => nameOf(one) === name);
    again?.focus();
    if (again?.type === "text") again.setSelectionRange(from, to);
  };
}
