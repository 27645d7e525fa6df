// Draws the plan from tiles, coarse ones first until the right ones are here.

const AT_ONCE = 6;
const KEPT = 240;

export class Tiles {
  constructor(picture, fetchTile, arrived) {
    this.picture = picture;
    this.fetchTile = fetchTile;
    this.arrived = arrived;
    this.images = new Map();
    this.asked = new Set();
    this.wanted = [];
  }

  level(scale) {
    const finest = Math.floor(Math.log2(1 / scale) + 0.3);
    return Math.min(this.picture.levels - 1, Math.max(0, finest));
  }

  // Draws what a camera sees; `ratio` is device pixels to one of the camera's.
  draw(context, camera, ratio) {
    const level = this.level(camera.scale * ratio);
    const size = this.picture.tile * 2 ** level;
    const [left, top] = camera.toPlan([0, 0]);
    const [right, bottom] = camera.toPlan([camera.view.width, camera.view.height]);
    context.imageSmoothingEnabled = camera.scale * ratio * 2 ** level < 3;
    const missing = [];
    const last = (along, end) => Math.min(Math.floor((end + 0.5) / size), Math.ceil(along / size) - 1);
    for (let row = Math.max(0, Math.floor((top + 0.5) / size)); row <= last(this.picture.height, bottom); row++) {
      for (let column = Math.max(0, Math.floor((left + 0.5) / size)); column <= last(this.picture.width, right); column++) {
        if (!this.put(context, camera, ratio, level, column, row)) missing.push([level, column, row]);
      }
    }
    return missing;
  }

  // Draws one tile, or that part of the next coarser one that is here; false unless it is the tile itself.
  put(context, camera, ratio, level, column, row) {
    for (let up = level; up < this.picture.levels; up++) {
      const shift = up - level;
      const image = this.images.get(`${up}/${column >> shift}/${row >> shift}`);
      if (!image) continue;
      const share = this.picture.tile >> shift;
      const from = [(column - ((column >> shift) << shift)) * share, (row - ((row >> shift) << shift)) * share];
      const wide = Math.min(share, image.width - from[0]);
      const high = Math.min(share, image.height - from[1]);
      if (wide <= 0 || high <= 0) return true;
      const unit = 2 ** up;
      const size = this.picture.tile * 2 ** level;
      const [x, y] = camera.toScreen([column * size - 0.5, row * size - 0.5]);
      const scale = camera.scale * unit * ratio;
      context.drawImage(image, from[0], from[1], wide, high, x * ratio, y * ratio, wide * scale, high * scale);
      return up === level;
    }
    return false;
  }

  // Asks for tiles, the given ones and nothing that was wanted before.
  want(places) {
    this.wanted = places.map((place) => place.join("/"));
    this.pump();
  }

  pump() {
    while (this.asked.size < AT_ONCE && this.wanted.length) {
      const name = this.wanted.shift();
      if (!this.images.has(name) && !this.asked.has(name)) this.load(name);
    }
  }

  async load(name) {
    this.asked.add(name);
    try {
      this.images.set(name, await createImageBitmap(await this.fetchTile(name)));
      this.forget();
      this.arrived();
    } catch (fault) {
      // An odd last row or column leaves no tile at coarse levels; anything else is asked for at the next drawing.
      if (fault.status === 404) this.images.set(name, { width: 0, height: 0, close() {} });
    } finally {
      this.asked.delete(name);
      this.pump();
    }
  }

  forget() {
    for (const [name, image] of this.images) {
      if (this.images.size <= KEPT) return;
      if (name.startsWith(`${this.picture.levels - 1}/`)) continue;
      this.images.delete(name);
      image.close();
    }
  }
}
