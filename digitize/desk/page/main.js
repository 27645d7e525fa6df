// Puts the page together: asks the desk, shows the question at hand, sends what the person says.

import * as api from "./api.js";
import { by, h } from "./dom.js";
import { drawn, NAMES, underWay } from "./drawn.js";
import { Hands } from "./hands.js";
import { keep } from "./kept.js";
import { doubtsOf, QUESTIONS, words } from "./questions.js";
import { first } from "./start.js";
import { View } from "./view.js";

const ASK_AGAIN_MS = 700;
const STAGES = {
  start: "starting", read: "reading the picture", rule: "looking for rules", solve: "working out the size", card: "looking for a bank card",
  ink: "following the ink", contour: "looking for the body", symmetry: "comparing the halves", fair: "fairing the curve",
  budget: "adding up what is uncertain", write: "writing the files", report: "writing the report",
  parts: "drawing the parts", checks: "checking them", sheets: "laying them out on sheets", files: "writing the files",
};
const LOOK_FIRST_MS = 1000; // a run takes both cores: the plan is shown first
const desk = { state: null, ended: false, result: null, mold: null, topic: "size", view: null, hands: null };
let told = "";

const say = (text) => { told = text; foot(); };
const running = () => desk.state.run.state === "running";
const stale = () => desk.result && desk.state.result_version !== desk.state.plan.version;

async function doing(job) {
  try {
    await job();
  } catch (fault) {
    say(fault.message);
    if (desk.state) redraw();
  }
}

// Keeps what the desk says of itself. An answer that a later one has overtaken says nothing any more.
function take(state) {
  if (desk.state && state.number < desk.state.number) return;
  const before = desk.state && running();
  desk.state = state;
  desk.ended ||= before && !running();
}

const tell = (changes) => doing(async () => {
  take(await api.tell("change", { changes }));
  say(`Written to ${desk.state.plan.file}.`);
  render();
});

const tellMold = (changes) => doing(async () => {
  take(await api.tell("change", { changes, file: "mold" }));
  desk.mold = await api.ask("mold");
  say(`Written to ${desk.state.job.file}.`);
  render();
});

const step = (name, text) => doing(async () => {
  take(await api.tell(name));
  desk.mold = await api.ask("mold");
  say(text);
  render();
});

function redraw() {
  const { view, hands } = desk;
  if (hands.held) return;
  const [shapes, handles] = drawn(desk.topic, desk.state, desk.result, tell);
  const [more, points] = hands.placing ? underWay(hands.placing) : [[], []];
  view.overlay.show([...shapes, ...more], [...handles, ...points]);
  view.soon();
  const looks = new Set(shapes.map((shape) => shape.look));
  by("legend").replaceChildren(...Object.keys(NAMES).filter((look) => looks.has(look)).map((look) => {
    const sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    sample.setAttribute("viewBox", "0 0 34 8");
    sample.setAttribute("class", "sample");
    const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
    line.setAttribute("class", look);
    line.setAttribute("d", look === "rule" ? "M5 0V8M13 0V8M21 0V8M29 0V8" : "M0 4H34");
    sample.append(line);
    return h("li", {}, sample, NAMES[look]);
  }));
}

function verdict() {
  const { record } = desk.result ?? {};
  const looks = record?.reasons.filter((one) => desk.result.weights[one.code] === "look").length;
  const [sign, text] = !record ? ["…", running() ? "Working it out" : "Not worked out yet"]
    : record.verdict === "refused" ? ["✕", "No outline yet"]
      : record.verdict === "look" ? ["!", `Look before you cut: ${looks} doubt${looks === 1 ? "" : "s"}`] : ["✓", "Sound"];
  by("verdict").replaceChildren(h("span", { class: "sign", "aria-hidden": "true" }, sign), text, stale() ? " (before your last words)" : "");
  by("verdict").dataset.verdict = record?.verdict ?? "none";
}

function trail() {
  by("trail").replaceChildren(...QUESTIONS.map(([topic, text], i) => {
    const doubts = doubtsOf(topic, desk.result).filter((one) => one.weight !== "note");
    const mark = doubts.length ? h("span", { class: "mark" }, doubts.some((one) => one.weight === "refused") ? "✕" : "!", h("span", { class: "unseen" }, " has doubts")) : null;
    return h("li", {}, h("button", { type: "button", onclick: () => go(topic), "aria-current": topic === desk.topic ? "step" : null, "data-topic": topic },
      h("span", { class: "number" }, `${i + 1}`), h("span", { class: "long" }, text), mark));
  }));
}

function foot() {
  if (!desk.state) { by("told").textContent = told; return; }
  const { run, plan } = desk.state;
  by("undo").disabled = !plan.can_undo;
  by("redo").disabled = !plan.can_redo;
  by("cancel").hidden = by("stages").hidden = !running();
  by("again").hidden = running();
  by("again").textContent = desk.result ? "Work it out again" : "Work it out";
  by("again").classList.toggle("main", !desk.result || Boolean(stale()));
  by("stages").max = run.stages.length;
  by("stages").value = Math.min(run.stages.length, run.begun.length);
  const now = running() ? `${(STAGES[run.stage] ?? run.stage ?? "starting").replace(/^./, (c) => c.toUpperCase())} … ${run.seconds.toFixed(0)} s. You can go on meanwhile.`
    : run.state === "failed" ? `${run.fault} ${run.remedy}`
      : run.state === "cancelled" ? `Stopped.${desk.result ? " What is drawn is from the run before." : ""}` : "";
  const old = !running() && stale() ? "What is drawn is from before your last words." : "";
  const text = [told, now, old].filter(Boolean).join(" ");
  if (by("told").textContent !== text) by("told").textContent = text;
}

function render() {
  const { result, mold, state, view, hands } = desk;
  by("plan").textContent = state.plan.content.plan.image;
  document.title = `${state.plan.content.plan.image}: the desk`;
  const putBack = keep();
  verdict();
  trail();
  const context = {
    state, result, mold, tell, tellMold, hands, view, go, save: (path) => doing(() => api.save(path)),
    draw: () => doing(() => work("draw")), running: running(),
  };
  for (const [i, part] of words(desk.topic, context).entries()) {
    by(["lead", "words"][i]).replaceChildren(...part.flat(2).filter(Boolean));
  }
  putBack();
  redraw();
  foot();
}

function go(topic) {
  desk.topic = topic;
  told = "";
  if (desk.hands.placing) desk.hands.leave();
  render();
  by("words").scrollTop = 0;
  by("lead").focus({ preventScroll: true });
}

function askLength([from, to]) {
  const field = h("input", { type: "text", placeholder: "19 7/8 in", autocomplete: "off", maxlength: 40, id: "length" });
  const done = () => { by("ask").hidden = true; by("ask").replaceChildren(); };
  by("ask").hidden = false;
  by("ask").replaceChildren(h("form", {
    class: "line",
    onsubmit: (event) => {
      event.preventDefault();
      if (!field.value.trim()) return;
      done();
      tell([{ do: "add", at: ["span"], value: { from, to, length: field.value.trim() } }]);
    },
  }, h("label", {}, h("span", {}, "True distance between them"), field), h("button", { type: "submit", class: "main" }, "Keep"),
  h("button", { type: "button", onclick: done }, "Leave off")));
  field.focus();
}

function askUnit([near]) {
  const done = (more) => {
    by("ask").hidden = true;
    by("ask").replaceChildren();
    if (more) tell([{ do: "add", at: ["rule"], value: { near, ...more } }]);
  };
  const deed = (text, more, look) => h("button", { type: "button", class: look, onclick: () => done(more) }, text);
  by("ask").hidden = false;
  by("ask").replaceChildren(h("p", {}, "It is graduated in"), deed("Millimetres", { unit: "mm" }), deed("Inches", { unit: "in" }),
    deed("I do not know", {}), deed("Leave off", null));
  by("ask").querySelector("button").focus();
}

async function follow() {
  take(await api.ask("state"));
  if (desk.ended) {
    await found();
    told = "";
    render();
  } else foot();
}

async function found() {
  desk.ended = false;
  try {
    [desk.result, desk.mold] = await Promise.all([api.ask("result"), api.ask("mold")]);
  } catch (fault) {
    desk.ended = true; // asked for again with the next look
    throw fault;
  }
}

async function watch() {
  for (;;) {
    await new Promise((later) => setTimeout(later, ASK_AGAIN_MS));
    if (running() || desk.ended) await follow().catch((fault) => say(fault.message));
  }
}

async function work(what = "run") {
  told = "";
  take(await api.tell(what));
  render();
}

async function open() {
  const [state, ...kept] = await Promise.all(first);
  take(state);
  [desk.result, desk.mold] = kept;
  desk.view = new View(desk.state.picture, (name) => api.blob(`tile/${name}`));
  desk.hands = new Hands(desk.view, redraw);
  Object.assign(desk.hands, { askLength, askUnit });
  by("undo").addEventListener("click", () => step("undo", "Taken back."));
  by("redo").addEventListener("click", () => step("redo", "Done again."));
  by("again").addEventListener("click", () => doing(() => work()));
  by("cancel").addEventListener("click", () => doing(async () => { take(await api.tell("cancel")); render(); }));
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target.matches("input[type=text]")) return;
    const again = event.key === "y" || (event.key === "Z" && event.shiftKey);
    if (event.key !== "z" && !again) return;
    event.preventDefault();
    by(again ? "redo" : "undo").click();
  });
  desk.topic = firstToAsk();
  render();
  if (!desk.result && desk.state.run.state === "none") {
    await desk.view.seen(LOOK_FIRST_MS);
    await work();
  }
  watch();
}

// The first question with something in the way, else with a doubt, else the first.
function firstToAsk() {
  for (const weight of ["refused", "look"]) {
    const topic = QUESTIONS.find(([name]) => doubtsOf(name, desk.result).some((one) => one.weight === weight));
    if (topic) return topic[0];
  }
  return "size";
}

// For tests and for whoever is curious: what the page holds.
window.desk = desk;
doing(open);
