// What is drawn over the plan at each question: what the run found, and what the person has said.

import { tenth } from "./hands.js";
import { doubtsOf, saidAlready } from "./questions.js";

const LOOKS = { "both edges": "both", "one edge": "one", "among other lines": "among", bridged: "bridged" };
export const NAMES = {
  both: "the line, both its edges seen",
  one: "one edge seen, other ink on the other side",
  among: "led between other lines",
  bridged: "nothing seen: bridged",
  center: "the centerline",
  rule: "graduations that were counted",
  span: "a distance you gave",
  away: "a region that counts for nothing",
};

const outline = (shown) =>
  (shown?.outline ?? []).map(({ seen, points }) => ({ points, look: LOOKS[seen] }));

const center = (shown) => (shown?.centerline ? [{ points: shown.centerline, look: "center" }] : []);

function rules(shown) {
  return (shown?.rules ?? []).flatMap(({ marks }) => {
    const [a, b] = [marks[0], marks[marks.length - 1]];
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
    const [nx, ny] = [-(b[1] - a[1]) / length * 14, (b[0] - a[0]) / length * 14];
    return marks.map(([x, y]) => ({ points: [[x - nx, y - ny], [x + nx, y + ny]], look: "rule" }));
  });
}

const place = ([x, y]) => `at ${x}, ${y}`;

function point(tell, at, { name, key, sign, label, look }) {
  return {
    name, at, sign, look, label: `${label} ${place(at)}; arrow keys move it, Delete takes it away`,
    move: (to) => tell([{ do: "set", at: key, value: to }]),
    drop: () => tell([{ do: typeof key.at(-1) === "number" ? "drop" : "set", at: key, value: null }]),
  };
}

function spans(content, tell) {
  const handles = [];
  const lines = [];
  (content.span ?? []).forEach((span, i) => {
    lines.push({ points: [span.from, span.to], look: "span" });
    for (const end of ["from", "to"]) {
      const handle = point(tell, span[end], {
        name: `span ${i} ${end}`, key: ["span", i, end], look: "said", sign: end === "to" ? `${span.length}` : null,
        label: `Mark of the distance ${span.length}`,
      });
      handles.push({ ...handle, drop: () => tell([{ do: "drop", at: ["span", i] }]) });
    }
  });
  return [lines, handles];
}

function said(content, tell) {
  const body = content.body ?? {};
  const handles = [];
  const lines = [];
  if (body.near) handles.push(point(tell, body.near, { name: "near", key: ["body", "near"], look: "said", sign: "inside", label: "Inside the body" }));
  if (body.neck) handles.push(point(tell, body.neck, { name: "neck", key: ["body", "neck"], look: "said", sign: "neck", label: "The neck end" }));
  (body.through ?? []).forEach((at, i) => handles.push(
    point(tell, at, { name: `through ${i}`, key: ["body", "through", i], look: "through", sign: `${i + 1}`, label: `Place ${i + 1} on the line` }),
  ));
  (body.ignore ?? []).forEach((polygon, i) => {
    lines.push({ points: polygon, closed: true, look: "away" });
    polygon.forEach((at, j) => handles.push({
      ...point(tell, at, { name: `away ${i} ${j}`, key: ["body", "ignore", i, j], look: "small", label: `Corner ${j + 1} of region ${i + 1}` }),
      drop: () => tell([{ do: "drop", at: ["body", "ignore", i] }]),
    }));
  });
  return [lines, handles];
}

// Both ends of the centerline, as said or else as found; dragging one says both.
function centerEnds(content, shown, tell) {
  const said = content.body?.centerline;
  const ends = said ?? shown?.centerline;
  if (!ends) return [[], []];
  const tenths = (at) => at.map(tenth);
  const handles = ends.map((at, i) => ({
    name: `center ${i}`, at, look: "said", sign: said ? "centerline" : null,
    label: `End ${i + 1} of the centerline ${place(tenths(at))}; arrow keys move it${said ? ", Delete leaves it to the drawing" : ""}`,
    move: (to) => tell([{ do: "set", at: ["body", "centerline"], value: ends.map((one, j) => (j === i ? to : tenths(one))) }]),
    drop: said ? () => tell([{ do: "set", at: ["body", "centerline"], value: null }]) : null,
  }));
  return [[{ points: ends, look: "center" }], handles];
}

// Places that a doubt names: a click on one says what its button says.
function offers(topic, content, result, tell) {
  return doubtsOf(topic, result).flatMap((doubt, i) => doubt.offers.filter((one) => !saidAlready(one, content)).map((one, j) => ({
    name: `offer ${i} ${j}`, at: one.at, look: "offer", sign: one.words, label: `${one.words}, ${place(one.at)}; Enter or a click says so`,
    take: () => tell(one.changes),
  })));
}

// Returns [shapes, handles] for a question; `tell` sends changes.
export function drawn(topic, state, result, tell) {
  const [shapes, handles] = toSay(topic, state, result, tell);
  return [shapes, [...handles, ...offers(topic, state.plan.content, result, tell)]];
}

function toSay(topic, state, result, tell) {
  const shown = result?.shown;
  const { content } = state.plan;
  const [spanLines, spanHandles] = spans(content, tell);
  if (topic === "size") {
    const places = (content.rule ?? []).flatMap((rule, i) => rule.near
      ? [{ ...point(tell, rule.near, { name: `rule ${i}`, key: ["rule", i, "near"], look: "said", sign: "rule", label: "A rule" }), drop: () => tell([{ do: "drop", at: ["rule", i] }]) }]
      : []);
    return [[...rules(shown), ...spanLines], [...spanHandles, ...places]];
  }
  if (topic === "body") {
    const [lines, handles] = said(content, tell);
    return [[...outline(shown), ...lines], handles];
  }
  if (topic === "halves") {
    const [lines, ends] = centerEnds(content, shown, tell);
    const worst = shown?.gap ? [{ name: "worst", at: shown.gap.worst, look: "worst", sign: "widest gap", label: "Where the halves are furthest apart" }] : [];
    return [[...outline(shown), ...lines], [...ends, ...worst]];
  }
  if (topic === "copy") return [[...rules(shown), ...spanLines], []];
  return [[...outline(shown), ...center(shown)], []];
}

// Draws the places that are being given right now.
export function underWay(placing) {
  const { points, least } = placing;
  const handles = points.map((at, i) => ({ name: `new ${i}`, at, look: "said", label: `Place ${i + 1}` }));
  return [points.length > 1 ? [{ points, closed: Boolean(least), look: least ? "away" : "span" }] : [], handles];
}
