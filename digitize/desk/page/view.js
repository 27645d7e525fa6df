// The window on the plan: tiles below, lines above, drawn anew when something moved.

import { Camera } from "./camera.js";
import { by } from "./dom.js";
import { Overlay } from "./overlay.js";
import { Tiles } from "./tiles.js";

const LOUPE = 150;
const LOUPE_NEARER = 5;
const AT_REST_MS = 150;

export class View {
  constructor(picture, fetchTile) {
    this.box = by("view");
    this.canvas = by("tiles");
    this.loupe = by("loupe");
    this.camera = new Camera(picture.width, picture.height);
    this.tiles = new Tiles(picture, fetchTile, () => this.soon());
    this.overlay = new Overlay(by("over"));
    this.looked = null;
    this.fresh = true;
    new ResizeObserver(() => this.resize()).observe(this.box);
    this.resize();
  }

  get ratio() {
    return Math.min(3, window.devicePixelRatio || 1);
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.box;
    if (!width || !height) return;
    const whole = this.fresh || Math.abs(this.camera.scale - this.camera.whole / 1.06) < 1e-6;
    this.camera.resize(width, height);
    this.canvas.width = Math.round(width * this.ratio);
    this.canvas.height = Math.round(height * this.ratio);
    // whole pixels, as the camera counts them: the box itself may be a fraction wider
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
    if (whole) this.camera.fit();
    this.fresh = false;
    this.draw();
  }

  soon() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => this.draw());
  }

  draw() {
    cancelAnimationFrame(this.waiting);
    this.waiting = null;
    const context = this.canvas.getContext("2d", { alpha: false });
    context.fillStyle = getComputedStyle(this.box).backgroundColor;
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    const missing = this.tiles.draw(context, this.camera, this.ratio);
    const more = this.looked ? this.drawLoupe() : [];
    this.tiles.want([...missing, ...more]);
    if (this.overlay.many && this.moved()) this.overlay.placeMoving(this.camera, context, this.ratio);
    else this.overlay.place(this.camera);
    this.complete = !missing.length;
  }

  // Waits until all of what is looked at is drawn, but no longer than so.
  async seen(withinMs) {
    const end = performance.now() + withinMs;
    while (!this.complete && performance.now() < end) await new Promise((later) => setTimeout(later, 15));
  }

  // True until the view has been where it is for a moment; it is drawn once more then.
  moved() {
    const { x, y, scale } = this.camera;
    const now = performance.now();
    if (this.last?.x !== x || this.last.y !== y || this.last.scale !== scale) this.last = { x, y, scale, since: now };
    const moving = now - this.last.since < AT_REST_MS;
    clearTimeout(this.resting);
    if (moving) this.resting = setTimeout(() => this.soon(), AT_REST_MS + this.last.since - now + 1);
    return moving;
  }

  // Looks closely at a place of the plan; null puts the loupe away.
  look(at, avoid = null) {
    this.looked = at;
    this.loupe.hidden = !at;
    if (at && avoid) this.loupe.classList.toggle("aside", avoid[0] < LOUPE + 40 && avoid[1] < LOUPE + 40);
    this.soon();
  }

  drawLoupe() {
    const side = Math.round(LOUPE * this.ratio);
    if (this.loupe.width !== side) this.loupe.width = this.loupe.height = side;
    const camera = this.camera.copy();
    camera.resize(LOUPE, LOUPE);
    [camera.x, camera.y] = this.looked;
    camera.scale = Math.max(6, this.camera.scale * LOUPE_NEARER);
    const context = this.loupe.getContext("2d", { alpha: false });
    context.fillStyle = "#888";
    context.fillRect(0, 0, side, side);
    const missing = this.tiles.draw(context, camera, this.ratio);
    context.strokeStyle = "#c2185b";
    context.lineWidth = this.ratio;
    context.beginPath();
    for (const [from, to] of [[0, 0.44], [0.56, 1]]) {
      context.moveTo(from * side, side / 2);
      context.lineTo(to * side, side / 2);
      context.moveTo(side / 2, from * side);
      context.lineTo(side / 2, to * side);
    }
    context.stroke();
    return missing;
  }

  goTo(points, room = 1.3) {
    const xs = points.map(([x]) => x);
    const ys = points.map(([, y]) => y);
    this.camera.fit([Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)], room);
    this.soon();
  }
}
