// Where the view looks: the plan's pixel at its middle, and how many screen pixels one pixel of the plan takes.
// Plan pixels as everywhere in the tool: the middle of the upper left one is (0, 0).

const NEAREST = 60;

export class Camera {
  constructor(width, height) {
    this.plan = { width, height };
    this.view = { width: 1, height: 1 };
    this.x = (width - 1) / 2;
    this.y = (height - 1) / 2;
    this.scale = 1;
  }

  get whole() {
    return Math.min(this.view.width / this.plan.width, this.view.height / this.plan.height);
  }

  toScreen([x, y]) {
    return [(x - this.x) * this.scale + this.view.width / 2, (y - this.y) * this.scale + this.view.height / 2];
  }

  toPlan([x, y]) {
    return [(x - this.view.width / 2) / this.scale + this.x, (y - this.view.height / 2) / this.scale + this.y];
  }

  move(dx, dy) {
    this.x -= dx / this.scale;
    this.y -= dy / this.scale;
    this.hold();
  }

  // Comes nearer by a factor; what is at a place of the screen stays there.
  zoom(factor, at = [this.view.width / 2, this.view.height / 2]) {
    const [x, y] = this.toPlan(at);
    this.scale = Math.min(NEAREST, Math.max(this.whole * 0.6, this.scale * factor));
    this.x = x - (at[0] - this.view.width / 2) / this.scale;
    this.y = y - (at[1] - this.view.height / 2) / this.scale;
    this.hold();
  }

  fit([left, top, right, bottom] = [-0.5, -0.5, this.plan.width - 0.5, this.plan.height - 0.5], room = 1.06) {
    this.x = (left + right) / 2;
    this.y = (top + bottom) / 2;
    const wide = Math.max(right - left, 20) * room;
    const high = Math.max(bottom - top, 20) * room;
    this.scale = Math.min(NEAREST, this.view.width / wide, this.view.height / high);
  }

  resize(width, height) {
    this.view = { width, height };
  }

  // The middle of the view stays on the plan.
  hold() {
    this.x = Math.min(this.plan.width, Math.max(-1, this.x));
    this.y = Math.min(this.plan.height, Math.max(-1, this.y));
  }

  copy() {
    return Object.assign(new Camera(this.plan.width, this.plan.height), this, { view: { ...this.view } });
  }
}
