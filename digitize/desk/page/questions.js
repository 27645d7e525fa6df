// The builder's questions in order: what the tool answers, what it doubts, and what can be said to it.

import { h, s } from "./dom.js";

export const QUESTIONS = [
  ["size", "How big is it?"],
  ["body", "Which line is the body?"],
  ["halves", "Are the halves alike?"],
  ["copy", "Is the copy true?"],
  ["out", "What comes out?"],
];

const mm = (value, digits = 2) => `${value.toFixed(digits)} mm`;
const percent = (value, digits = 2) => `${value.toFixed(digits)} %`;
const button = (text, onclick, look) => h("button", { type: "button", onclick, class: look }, text);
const set = (at, value) => [{ do: "set", at, value }];

function choice(legend, options, now, pick) {
  const name = legend.replace(/\W+/g, "-");
  return h("fieldset", { class: "choice" }, h("legend", {}, legend), options.map(([value, text]) => h("label", {},
    h("input", { type: "radio", name, value, checked: value === now, onchange: () => pick(value) }), h("span", {}, text))));
}

function written(label, now, hint, keep) {
  const field = h("input", { type: "text", value: now ?? "", placeholder: hint, autocomplete: "off", maxlength: 40 });
  const form = h("form", { class: "line", onsubmit: (event) => { event.preventDefault(); keep(field.value.trim() || null); } },
    h("label", {}, h("span", {}, label), field), h("button", { type: "submit" }, "Keep"));
  return form;
}

// Which entry of the plan file speaks of a rule that was found; -1 if none.
export function entryOf(rule, entries) {
  const far = (near) => Math.min(...rule.marks.map(([x, y]) => Math.hypot(x - near[0], y - near[1])));
  const placed = entries.findIndex((entry) => entry.near && far(entry.near) < 60);
  return placed < 0 && entries.length === 1 && !entries[0].near ? 0 : placed;
}

// Says something of one rule. As soon as one has its place in the file, the others need theirs to be counted too.
export function aboutRule(rule, found, entries, key, value) {
  const there = entryOf(rule, entries);
  if (there >= 0) return set(["rule", there, key], value);
  const others = found.filter((one) => one !== rule && one.used && entryOf(one, entries) < 0);
  const add = (one, more) => ({ do: "add", at: ["rule"], value: { near: one.middle.map(Math.round), role: one.role, ...more } });
  return [add(rule, { [key]: value }), ...others.map((one) => add(one, {}))];
}

function size({ state, result, tell, hands, view }) {
  const { content } = state.plan;
  const scale = result?.record.scale;
  const found = result?.shown.rules ?? [];
  const entries = content.rule ?? [];
  const answer = scale?.mm_per_px_x
    ? `One pixel is ${scale.mm_per_px_x.toFixed(4)} mm across the picture and ${scale.mm_per_px_y.toFixed(4)} mm down it, known within ${percent(scale.u95_percent, 3)}.`
    : found.length ? "These rules were found." : "Nothing fixes the size yet.";
  const rule = (one) => h("li", { class: "item" },
    h("p", {}, h("strong", {}, one.name), `: ${one.length_mm.toFixed(1)} mm, ${one.graduations} graduations, off by ${one.residual_rms_mm.toFixed(3)} mm (rms)${one.used ? "" : "; not counted"}.`),
    button("Show it", () => view.goTo([one.marks[0], one.marks.at(-1)])),
    choice(`${one.name} is`, [["drawn", "drawn on the plan"], ["laid", "a real rule laid on it"]], one.role,
      (value) => tell(aboutRule(one, found, entries, "role", value))),
    choice(`${one.name} is graduated in`, [["mm", "mm"], ["in", "inches"]], one.unit,
      (value) => tell(aboutRule(one, found, entries, "unit", value))));
  const span = (one, i) => h("li", { class: "item" },
    written("True distance", one.length, "19 7/8 in", (value) => value && tell(set(["span", i, "length"], value))),
    button("Show it", () => view.goTo([one.from, one.to])),
    button("Take it away", () => tell([{ do: "drop", at: ["span", i] }])));
  const place = (one, i) => one.near && h("li", { class: "item" }, h("p", {}, `You said: a rule at ${one.near.join(", ")}.`),
    button("Show it", () => view.goTo([one.near], 12)), button("Take it away", () => tell([{ do: "drop", at: ["rule", i] }])));
  return [answer,
    found.length > 0 && h("ul", { class: "items" }, found.map(rule)),
    h("h3", {}, "What you can say"),
    h("div", { class: "says" },
      button("Two marks of known distance", () => hands.place({ count: 2, text: ["Click the first mark.", "Click the second mark."], done: (points) => hands.askLength(points) })),
      button("A rule lies here", () => hands.place({ count: 1, text: "Click any graduation of the rule.", done: (points) => hands.askUnit(points) }))),
    h("ul", { class: "items" }, (content.span ?? []).map(span), entries.map(place)),
    h("details", {}, h("summary", {}, "Sizes that the plan states"),
      [["length", "Body length"], ["lower_bout", "Lower bout"], ["waist", "Waist"], ["upper_bout", "Upper bout"]].map(([key, label]) =>
        written(label, content.body?.[key], "505 mm", (value) => tell(set(["body", key], value)))))];
}

function body({ state, result, tell, hands, view }) {
  const { content } = state.plan;
  const said = content.body ?? {};
  const record = result?.record;
  const answer = record?.outline
    ? `It took ${record.outline.chosen}. ${percent(Math.floor(1000 * record.outline.traced_fraction) / 10, 1)} of it was seen, and it holds within ${mm(record.outline.u95_mm)}.`
    : "No line was taken for the body yet.";
  const one = (text, points, drop) => h("li", { class: "item" }, h("p", {}, text),
    button("Show it", () => view.goTo(points, points.length > 1 ? 1.5 : 12)), button("Take it away", () => tell(drop)));
  const at = ([x, y]) => `${x}, ${y}`;
  return [answer,
    h("h3", {}, "What you can say"),
    h("div", { class: "says" },
      button("This is inside the body", () => hands.place({ count: 1, text: "Click any place inside the body.", done: ([p]) => tell(set(["body", "near"], p)) })),
      button("The line runs through here", () => hands.place({ count: 1, text: "Click on the line, as exactly as you can.", done: ([p]) => tell([{ do: "add", at: ["body", "through"], value: p }]) })),
      button("Nothing of it lies in here", () => hands.place({ least: 3, text: "Click the corners of the region.", done: (points) => tell([{ do: "add", at: ["body", "ignore"], value: points }]) })),
      button("The neck end is here", () => hands.place({ count: 1, text: "Click any place at the neck end.", done: ([p]) => tell(set(["body", "neck"], p)) }))),
    h("ul", { class: "items" },
      said.near && one(`Inside the body: ${at(said.near)}`, [said.near], set(["body", "near"], null)),
      said.neck && one(`Neck end: ${at(said.neck)}`, [said.neck], set(["body", "neck"], null)),
      (said.through ?? []).map((p, i) => one(`Place ${i + 1} on the line: ${at(p)}`, [p], [{ do: "drop", at: ["body", "through", i] }])),
      (said.ignore ?? []).map((points, i) => one(`Region ${i + 1} counts for nothing`, points, [{ do: "drop", at: ["body", "ignore", i] }]))),
    choice("The outline is this edge of the ink", [["middle", "its middle"], ["outer", "its outer edge"], ["inner", "its inner edge"]],
      content.plan.line ?? "middle", (value) => tell(set(["plan", "line"], value)))];
}

// The gap along the body as a chart; beside the line, so that its sign does not rest on colour.
function gapChart({ y_mm: along, gap_mm: gaps }) {
  const reach = 1.15 * Math.max(0.2, ...gaps.map(Math.abs));
  const long = Math.max(...along);
  const order = along.map((_, i) => i).sort((a, b) => along[a] - along[b]);
  const at = (i) => `${(20 + 360 * along[i] / long).toFixed(1)} ${(70 - 55 * gaps[i] / reach).toFixed(1)}`;
  return s("svg", { viewBox: "0 0 400 150", class: "chart", role: "img", "aria-label": `Gap between the halves along the body, up to ${reach.toFixed(2)} mm either way` },
    s("path", { class: "axis", d: "M20 70H380M20 15V125" }),
    s("path", { class: "curve", d: `M${order.map(at).join("L")}` }),
    s("text", { x: 26, y: 14 }, `left wider, ${reach.toFixed(2)} mm`), s("text", { x: 26, y: 134 }, `right wider, ${reach.toFixed(2)} mm`),
    s("text", { x: 20, y: 148 }, "tail"), s("text", { x: 380, y: 148, class: "end" }, "neck"));
}

function halves({ state, result, tell, view }) {
  const audit = result?.record.symmetry;
  const gap = result?.shown.gap;
  const { content } = state.plan;
  const answer = audit?.max_mm !== null && audit
    ? `They differ by ${mm(audit.rms_mm)} (rms), most by ${mm(audit.max_mm)} on the ${audit.max_at.side} ${audit.max_at.y_mm.toFixed(0)} mm from the tail; one such difference is known within ${mm(audit.u95_mm)}.`
    : audit ? "Only half a body is drawn, so there is nothing to compare." : "That is not known yet.";
  return [answer,
    result?.shown.kept && h("p", {}, `Kept: ${result.shown.kept}.`),
    gap && gapChart(gap),
    gap && button("Show the widest gap", () => view.goTo([gap.worst], 12)),
    choice("Keep", [["auto", "what the differences suggest"], ["mean", "the mean of both halves"], ["left", "the left half, mirrored"], ["right", "the right half, mirrored"], ["as drawn", "both as drawn"]],
      content.body?.keep ?? "auto", (value) => tell(set(["body", "keep"], value))),
    h("p", {}, content.body?.centerline ? "You gave the centerline. " : "To give the centerline yourself, drag its ends over the plan; the loupe shows where. ",
      content.body?.centerline && button("Leave it to the drawing", () => tell(set(["body", "centerline"], null)))),
    h("p", { class: "small" }, "If tail and neck were taken the wrong way round, say at the second question where the neck end is.")];
}

function copy({ result }) {
  const found = result?.record.copy;
  const side = (name, value) => h("li", {}, `${name}: ${percent(value)} of the plan's size (within ${percent(found.u95_percent)})`);
  const answer = !found ? "That is not known yet."
    : found.x_percent === null ? "Nothing tells the paper's size from the plan's, so this cannot be said."
      : Math.max(Math.abs(found.x_percent - 100), Math.abs(found.y_percent - 100)) > found.u95_percent
        ? "This copy is not true to size. The outline has that taken out already." : "No error of the copy can be told from what is known.";
  return [answer,
    found?.x_percent && h("ul", {}, side("across the picture", found.x_percent), side("down the picture", found.y_percent)),
    h("p", { class: "small" }, "For the numbers to ask the copy shop for, lay a real rule beside the drawing, scan, and run ", h("code", {}, "boutline print-check"), ".")];
}

// The mold's choices: each shows what is usual until something else is said.
function moldChoices({ state, tellMold }) {
  const { content, usual } = state.job;
  const said = (table, key) => content[table]?.[key];
  const length = (table, key, label) => written(label, said(table, key), `${usual[table][`${key}_mm`]} mm`, (value) => tellMold(set([table, key], value)));
  const yes = (table, key, legend) => choice(legend, [["true", "yes"], ["false", "no"]], String(said(table, key) ?? usual[table][key]),
    (value) => tellMold(set([table, key], value === "true")));
  return h("details", {}, h("summary", {}, "Choices: walls, sheets, spreaders"),
    choice("The mold's outside", [["wall", "follows the body"], ["box", "is straight-sided"]], said("mold", "shape") ?? usual.mold.shape,
      (value) => tellMold(set(["mold", "shape"], value))),
    length("mold", "wall", "Wall, its width"), length("mold", "depth", "Depth of the mold"), length("sheet", "thickness", "Thickness of the sheets"),
    length("sides", "thickness", "Thickness of the sides"), length("spreaders", "liner", "Liner under the spreaders"),
    yes("spreaders", "waist", "Spreader blocks at the waist"), yes("forms", "bending", "A bending form"), yes("forms", "inside", "An inside form"),
    choice("Paper", [["A4", "A4"], ["Letter", "Letter"]], said("output", "page") ?? usual.output.page, (value) => tellMold(set(["output", "page"], value))),
    h("p", { class: "small" }, "They are kept in ", h("code", {}, state.job.file), ", where every other choice can be written, too."));
}

function moldDrawn({ mold, save }) {
  const { record, old, files } = mold;
  const many = ({ count, title }) => h("li", {}, `${count} × ${title}`);
  return [
    old && h("p", {}, "It was drawn before your last choices."),
    record.reasons.map((one) => h("div", { class: "doubt look" }, h("p", {}, h("strong", {}, `${WEIGHTS.look}: `), one.text), h("p", { class: "remedy" }, one.remedy))),
    h("ul", {}, record.parts.map(many)),
    h("p", {}, `${record.totals.pieces} pieces from ${record.totals.sheets} sheet${record.totals.sheets === 1 ? "" : "s"}. Open mold.html first: it shows every part, and how to work safely.`),
    h("details", {}, h("summary", {}, `The mold's ${files.length} files`), h("ul", { class: "files" }, files.map((name) => h("li", {}, button(name, () => save(`mold/${name}`)))))),
  ];
}

function moldPart(context) {
  const { result, mold, draw, running } = context;
  if (!result?.files.includes("outline.dxf")) return [];
  const deed = h("button", { type: "button", onclick: draw, class: mold && !mold.old ? null : "main", disabled: running }, mold ? "Draw the mold again" : "Draw the mold");
  return [h("h3", {}, "The mold"), ...mold ? moldDrawn(context) : [h("p", {}, "Master, layers, spreader blocks, cut list and true-size paper come from this outline.")], moldChoices(context), h("p", {}, deed)];
}

function out(context) {
  const { state, result, tell, save } = context;
  const { content } = state.plan;
  const record = result?.record;
  const answer = record?.outline ? `The outline, true within ${mm(record.outline.u95_mm)} in 19 cases of 20.` : "Nothing yet: no outline was written.";
  const files = { "outline.dxf": "for CAD and CNC", "outline.svg": "one unit is 1 mm", "outline.pdf": "true size, on paper", "report.html": "everything found, with the doubts", "overlay.png": "the outline over the plan", "record.json": "the numbers" };
  return [answer,
    result?.sizes.length > 0 && h("table", {}, h("caption", {}, "Sizes"), h("tbody", {}, result.sizes.map(([name, text]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, text))))),
    choice("Lengths in", [["mm", "mm"], ["in", "inches"]], content.plan.unit ?? "mm", (value) => tell(set(["plan", "unit"], value))),
    choice("For a", [["right", "right-handed instrument"], ["left", "left-handed one: all mirrored"]], content.body?.hand ?? "right", (value) => tell(set(["body", "hand"], value))),
    result?.files.length > 0 && h("h3", {}, "Files"),
    result?.files.length > 0 && h("ul", { class: "files" }, result.files.map((name) => h("li", {}, button(name, () => save(`file/${name}`)), h("span", {}, files[name])))),
    result?.files.length > 0 && h("p", { class: "small" }, `They are in the folder ${state.folder}, too.`),
    ...moldPart(context),
    state.plan.there && h("p", { class: "small" }, "The same from the command line: ", h("code", {}, `boutline outline ${state.plan.file}`))];
}

const PARTS = { size, body, halves, copy, out };

export function doubtsOf(topic, result) {
  return (result?.record.reasons ?? []).map((one, i) => ({ ...one, weight: result.weights[one.code], offers: result.offers[i] }))
    .filter((one) => result.topics[one.code] === topic);
}

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

// Whether the plan file says already what an offer would.
export function saidAlready(offer, content) {
  return offer.changes.every(({ do: way, at, value }) => {
    const there = at.reduce((part, key) => part?.[key], content);
    return way === "add" ? (there ?? []).some((one) => same(one, value)) : same(there, value);
  });
}

// What a doubt lets the person say with one click; the same places are drawn on the plan.
function offered(doubt, { state, tell, view }) {
  return doubt.offers.map((offer) => h("p", { class: "offer" },
    saidAlready(offer, state.plan.content) ? h("span", {}, `You said: ${offer.words.toLowerCase()}.`)
      : button(`${offer.words} (${offer.at.map(Math.round).join(", ")})`, () => tell(offer.changes)),
    button("Show it", () => view.goTo([offer.at], 6))));
}

const WEIGHTS = { refused: "In the way", look: "Look here", note: "Note" };

export function words(topic, context) {
  const [known, ...more] = PARTS[topic](context);
  const waiting = !context.result && context.state.run.state === "running";
  const answer = waiting ? "That is being worked out. You can look at the plan and say what you know meanwhile." : known;
  const number = QUESTIONS.findIndex(([name]) => name === topic);
  const doubts = doubtsOf(topic, context.result);
  const lead = [
    h("h2", { id: "question" }, h("span", { class: "number" }, `${number + 1}`), QUESTIONS[number][1]),
    h("p", { class: "answer" }, answer),
    doubts.map((one) => h("div", { class: `doubt ${one.weight}` }, h("p", {}, h("strong", {}, `${WEIGHTS[one.weight]}: `), one.text), h("p", { class: "remedy" }, one.remedy), offered(one, context))),
  ];
  return [lead, [
    more,
    number < QUESTIONS.length - 1 && h("p", { class: "next" }, button(`Next: ${QUESTIONS[number + 1][1]}`, () => context.go(QUESTIONS[number + 1][0]))),
  ]];
}
