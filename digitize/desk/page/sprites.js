// Pictures of marks: hundreds of them are quicker to stamp on the canvas, while the view moves, than to paint as shapes.

const SIDE = 32;

// One picture for each look that the marks have, drawn as the style sheet has it.
export class Sprites {
  constructor(ratio) {
    this.ratio = ratio;
    this.kept = new Map();
  }

  stamp(context, handle, [x, y]) {
    const image = this.image(handle);
    const half = image.width / 2;
    context.drawImage(image, Math.round(x * this.ratio - half), Math.round(y * this.ratio - half));
  }

  image({ look, node }) {
    if (!this.kept.has(look)) this.kept.set(look, this.drawn(node));
    return this.kept.get(look);
  }

  drawn(node) {
    const image = document.createElement("canvas");
    image.width = image.height = 2 * Math.round((SIDE * this.ratio) / 2);
    const context = image.getContext("2d");
    context.translate(image.width / 2, image.height / 2);
    context.scale(this.ratio, this.ratio);
    for (const part of node.querySelectorAll(".ring, .hair")) this.part(context, part, getComputedStyle(part));
    return image;
  }

  part(context, part, style) {
    if (style.display === "none") return;
    const path = new Path2D(part.getAttribute("d") ?? "");
    if (part.matches(".ring")) path.arc(0, 0, parseFloat(style.r), 0, 2 * Math.PI);
    context.fillStyle = style.fill;
    context.strokeStyle = style.stroke;
    context.lineWidth = parseFloat(style.strokeWidth);
    context.setLineDash(style.strokeDasharray.split(/[ ,]+/).map(parseFloat).filter((dash) => dash >= 0));
    if (style.fill !== "none") context.fill(path);
    context.stroke(path);
  }
}
