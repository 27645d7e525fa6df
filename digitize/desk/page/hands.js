// What hands do on the plan: move it, come nearer, place points, drag those that are there; by mouse, touch and keys.

import { by, h } from "./dom.js";

const STILL = 5; // screen pixels a click may move
const STEP = 40;
const SETTLED_MS = 600;

export const tenth = (value) => Math.round(value * 10) / 10;
const rounded = ([x, y]) => [tenth(x), tenth(y)];

export class Hands {
  constructor(view, redraw) {
    this.view = view;
    this.redraw = redraw;
    this.fingers = new Map();
    this.placing = null;
    const { box } = view;
    box.addEventListener("pointerdown", (event) => this.down(event));
    box.addEventListener("pointermove", (event) => this.moved(event));
    for (const end of ["pointerup", "pointercancel"]) box.addEventListener(end, (event) => this.up(event));
    box.addEventListener("pointerleave", () => !this.held && view.look(null));
    box.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    box.addEventListener("keydown", (event) => this.key(event));
    by("nearer").addEventListener("click", () => this.zoom(1.6));
    by("farther").addEventListener("click", () => this.zoom(1 / 1.6));
    by("whole").addEventListener("click", () => { view.camera.fit(); view.soon(); });
  }

  at(event) {
    const box = this.view.box.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  inside([x, y]) {
    const { width, height } = this.view.camera.plan;
    return [Math.min(width - 1, Math.max(0, x)), Math.min(height - 1, Math.max(0, y))];
  }

  zoom(factor, at) {
    this.view.camera.zoom(factor, at);
    this.view.soon();
  }

  wheel(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 16 : 1;
    this.zoom(2 ** (-Math.max(-200, Math.min(200, event.deltaY * lines)) / 300), this.at(event));
  }

  down(event) {
    if (event.button > 0) return;
    const at = this.at(event);
    this.view.box.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, { at, from: at });
    const name = event.target.closest?.("[data-handle]")?.dataset.handle;
    const handle = name && this.view.overlay.find(name);
    if (handle?.move && this.fingers.size === 1 && !this.placing) {
      this.held = { handle, from: at, start: handle.at };
      handle.node.focus();
      this.view.look(handle.at, at);
    } else {
      this.held = null;
    }
    this.pressed = this.fingers.size === 1 && !this.placing ? handle : null;
  }

  moved(event) {
    const at = this.at(event);
    by("place").textContent = this.inside(this.view.camera.toPlan(at)).map((value) => value.toFixed(1)).join(", ");
    const finger = this.fingers.get(event.pointerId);
    if (!finger) {
      if (this.placing) this.view.look(this.view.camera.toPlan(at), at);
      return;
    }
    if (this.fingers.size === 2) this.pinch(event.pointerId, at);
    else if (this.held) this.drag(at);
    else {
      this.view.camera.move(at[0] - finger.at[0], at[1] - finger.at[1]);
      this.view.soon();
    }
    finger.at = at;
  }

  pinch(id, at) {
    const [other] = [...this.fingers].filter(([each]) => each !== id).map(([, finger]) => finger.at);
    const before = this.fingers.get(id).at;
    const span = (one) => Math.max(10, Math.hypot(one[0] - other[0], one[1] - other[1]));
    const middle = (one) => [(one[0] + other[0]) / 2, (one[1] + other[1]) / 2];
    this.view.camera.move(middle(at)[0] - middle(before)[0], middle(at)[1] - middle(before)[1]);
    this.zoom(span(at) / span(before), middle(at));
    this.pinched = true;
  }

  drag(at) {
    const { handle, from, start } = this.held;
    const { scale } = this.view.camera;
    handle.at = this.inside([start[0] + (at[0] - from[0]) / scale, start[1] + (at[1] - from[1]) / scale]);
    this.view.look(handle.at, at);
  }

  up(event) {
    const finger = this.fingers.get(event.pointerId);
    this.fingers.delete(event.pointerId);
    if (!finger) return;
    const still = Math.hypot(finger.at[0] - finger.from[0], finger.at[1] - finger.from[1]) < STILL;
    if (this.held) {
      const { handle } = this.held;
      this.held = null;
      this.view.look(null);
      if (event.type === "pointerup" && !still) handle.move(rounded(handle.at));
      else this.redraw();
    } else if (still && this.placing && event.type === "pointerup" && !this.pinched) {
      this.put(this.view.camera.toPlan(finger.at));
    } else if (still && event.type === "pointerup") {
      this.pressed?.take?.();
    }
    if (!this.fingers.size) this.pinched = false;
  }

  key(event) {
    const name = event.target.dataset?.handle;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = arrows[event.key];
    const { camera } = this.view;
    if (name && event.key === "Enter" && !this.placing) this.view.overlay.find(name).take?.();
    else if (name && way) this.nudge(this.view.overlay.find(name), way, event.shiftKey);
    else if (name && (event.key === "Delete" || event.key === "Backspace")) this.view.overlay.find(name).drop?.();
    else if (way) {
      const step = this.placing && event.shiftKey ? 1 : STEP;
      camera.move(-way[0] * step, -way[1] * step);
      if (this.placing) this.view.look([camera.x, camera.y]);
      this.view.soon();
    } else if (event.key === "+" || event.key === "=") this.zoom(1.25);
    else if (event.key === "-") this.zoom(0.8);
    else if (event.key === "0") { camera.fit(); this.view.soon(); }
    else if (event.key === "Enter" && this.placing) this.put([camera.x, camera.y]);
    else if (event.key === "Escape" && this.placing) this.leave();
    else return;
    event.preventDefault();
  }

  // Moves a handle by keys: one pixel of the screen, ten with Shift, never less than a tenth of the plan's.
  nudge(handle, way, far) {
    if (!handle?.move) return;
    const step = Math.max(0.1, 1 / this.view.camera.scale) * (far ? 10 : 1);
    handle.at = this.inside([handle.at[0] + way[0] * step, handle.at[1] + way[1] * step]);
    this.view.look(handle.at);
    clearTimeout(this.settling);
    this.settling = setTimeout(() => { this.view.look(null); handle.move(rounded(handle.at)); }, SETTLED_MS);
  }

  // Asks for places: {text, count} or {text, least} for a region; `done` is given them all.
  place(wanted) {
    this.placing = { ...wanted, points: [] };
    this.bar();
    this.view.box.focus({ preventScroll: true });
    this.view.box.scrollIntoView({ block: "nearest" });
    this.redraw();
  }

  put(at) {
    const { placing } = this;
    placing.points.push(rounded(this.inside(at)));
    if (placing.points.length === placing.count) this.finish();
    else { this.bar(); this.redraw(); }
  }

  finish() {
    const { done, points } = this.placing;
    this.leave();
    done(points);
  }

  leave() {
    this.placing = null;
    this.view.look(null);
    this.bar();
    this.redraw();
  }

  bar() {
    const { placing } = this;
    by("cross").hidden = by("ask").hidden = !placing;
    this.view.box.classList.toggle("placing", Boolean(placing));
    if (!placing) return by("ask").replaceChildren();
    const { camera } = this.view;
    const enough = Boolean(placing.least) && placing.points.length >= placing.least;
    const texts = [placing.text].flat();
    const parts = [
      h("p", { role: "status" }, texts[Math.min(placing.points.length, texts.length - 1)]),
      h("button", { type: "button", onclick: () => this.put([camera.x, camera.y]) }, "Here, at the cross"),
      enough && h("button", { type: "button", class: "main", onclick: () => this.finish() }, "Close the region"),
      h("button", { type: "button", onclick: () => this.leave() }, "Leave off"),
    ];
    return by("ask").replaceChildren(...parts.filter(Boolean));
  }
}
