// The photo with what was found, to zoom and pan. Places are pixels of the upright photo; drawing happens at most
// once a frame, from a picture the browser decoded once.

const INK = { crop: "#ffe000", weed: "#ff7a1a", doubtful: "#5ad7ff", skip: "#ff2d55", row: "#ffffff" };
export const REACH = 22; // how near a touch must be to take hold of a plant [CSS px]

export class View {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d", { alpha: false });
    this.state = null;
    this.image = null;
    this.chosen = null;
    this.moved = null; // where a dragged plant is now
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.waiting = false;
    new ResizeObserver(() => this.resized()).observe(canvas);
  }

  resized() {
    const sharp = window.devicePixelRatio || 1;
    const whole = this.isWhole();
    this.canvas.width = Math.max(1, Math.round(this.canvas.clientWidth * sharp));
    this.canvas.height = Math.max(1, Math.round(this.canvas.clientHeight * sharp));
    if (whole) this.fit();
    this.draw();
  }

  show(state, image) {
    this.state = state;
    this.image = image;
    this.fit();
  }

  wholeScale() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    return Math.min(w / this.state.width, h / this.state.height);
  }

  isWhole() {
    return !this.state || this.scale <= this.wholeScale() * 1.02;
  }

  fit() {
    if (!this.state) return;
    this.scale = this.wholeScale();
    this.x = (this.canvas.clientWidth - this.state.width * this.scale) / 2;
    this.y = (this.canvas.clientHeight - this.state.height * this.scale) / 2;
    this.draw();
  }

  zoom(by, at) {
    const low = this.wholeScale() * 0.8;
    const scale = Math.min(8, Math.max(low, this.scale * by));
    this.x = at[0] - ((at[0] - this.x) * scale) / this.scale;
    this.y = at[1] - ((at[1] - this.y) * scale) / this.scale;
    this.scale = scale;
    this.draw();
  }

  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.draw();
  }

  centre(plant) {
    this.scale = Math.max(this.scale, Math.min(1, this.wholeScale() * 4));
    this.x = this.canvas.clientWidth / 2 - plant.x * this.scale;
    this.y = this.canvas.clientHeight / 2 - plant.y * this.scale;
    this.draw();
  }

  toPhoto([x, y]) {
    return [(x - this.x) / this.scale - 0.5, (y - this.y) / this.scale - 0.5];
  }

  toScreen(x, y) {
    return [(x + 0.5) * this.scale + this.x, (y + 0.5) * this.scale + this.y];
  }

  plantAt(at) {
    let best = null;
    let nearest = REACH;
    for (const plant of this.state?.plants ?? []) {
      const [x, y] = this.toScreen(plant.x, plant.y);
      const far = Math.hypot(x - at[0], y - at[1]);
      if (far < nearest) [best, nearest] = [plant, far];
    }
    return best;
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.paint();
    });
  }

  paint() {
    const pen = this.pen;
    const sharp = this.canvas.width / Math.max(1, this.canvas.clientWidth);
    pen.setTransform(sharp, 0, 0, sharp, 0, 0);
    pen.fillStyle = "#3a3a38";
    pen.fillRect(0, 0, this.canvas.clientWidth, this.canvas.clientHeight);
    if (!this.state) return;
    if (this.image) {
      const { width, height } = this.state;
      pen.imageSmoothingEnabled = this.scale < 2;
      pen.drawImage(this.image, this.x, this.y, width * this.scale, height * this.scale);
    }
    for (const row of this.state.rows) {
      this.path(row.line, INK.row, 1.5, [9, 7]);
      for (const gap of row.gaps) this.gap(gap);
    }
    for (const plant of this.state.plants) this.plant(plant);
  }

  path(points, ink, width, dash) {
    const pen = this.pen;
    for (const [style, wide] of [["rgba(0,0,0,.55)", width + 2], [ink, width]]) {
      pen.beginPath();
      points.forEach(([x, y], k) => pen[k ? "lineTo" : "moveTo"](...this.toScreen(x, y)));
      pen.setLineDash(dash);
      pen.strokeStyle = style;
      pen.lineWidth = wide;
      pen.stroke();
    }
    pen.setLineDash([]);
  }

  gap(gap) {
    if (gap.kind.startsWith("skip")) {
      this.path(gap.points, INK.skip, 4, []);
      const [x, y] = this.toScreen(...gap.points[Math.floor(gap.points.length / 2)]);
      this.text(`${gap.missing} missing`, x, y - 10);
    } else if (gap.kind === "double") {
      this.path(gap.points, INK.doubtful, 5, []);
    }
  }

  text(words, x, y) {
    const pen = this.pen;
    pen.font = "600 14px system-ui, sans-serif";
    pen.textAlign = "center";
    pen.lineWidth = 4;
    pen.strokeStyle = "#000";
    pen.strokeText(words, x, y);
    pen.fillStyle = "#fff";
    pen.fillText(words, x, y);
  }

  plant(plant) {
    const pen = this.pen;
    const own = this.chosen === plant.plant;
    const place = own && this.moved ? this.moved : [plant.x, plant.y];
    const [x, y] = this.toScreen(...place);
    const r = Math.min(13, Math.max(6, 9 * Math.sqrt(this.scale)));
    const kind = plant.judged === "nothing" ? "nothing" : plant.crop ? "crop" : plant.judged === "weed" ? "weed" : "doubtful";
    const shape = new Path2D();
    if (kind === "crop") {
      shape.arc(x, y, r, 0, 7);
      shape.moveTo(x + 1.5, y);
      shape.arc(x, y, 1.5, 0, 7);
    } else if (kind === "doubtful") {
      shape.moveTo(x, y - r);
      shape.lineTo(x + r, y);
      shape.lineTo(x, y + r);
      shape.lineTo(x - r, y);
      shape.closePath();
    } else {
      shape.moveTo(x - r * 0.7, y - r * 0.7);
      shape.lineTo(x + r * 0.7, y + r * 0.7);
      shape.moveTo(x + r * 0.7, y - r * 0.7);
      shape.lineTo(x - r * 0.7, y + r * 0.7);
    }
    pen.globalAlpha = kind === "nothing" ? 0.45 : 1;
    pen.strokeStyle = "#000";
    pen.lineWidth = 5;
    pen.stroke(shape);
    pen.strokeStyle = INK[kind] ?? "#ddd";
    pen.lineWidth = 2.5;
    pen.stroke(shape);
    pen.globalAlpha = 1;
    if (plant.doubtful || own) {
      pen.beginPath();
      pen.setLineDash(own ? [] : [4, 4]);
      pen.arc(x, y, r + 6, 0, 7);
      pen.strokeStyle = own ? "#fff" : INK.doubtful;
      pen.lineWidth = own ? 3 : 2;
      pen.stroke();
      pen.setLineDash([]);
    }
  }
}
