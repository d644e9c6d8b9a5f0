// The photo with what was found, to zoom and pan. Places are pixels of the upright photo; drawing happens at most
// once a frame, from a picture the browser decoded once.

import { INK, Marks, acrossOf } from "/marks.js";

const MARGIN = 70; // beside a photo whose edge is looked at [CSS px]
const AROUND = "rgb(44, 46, 44)"; // beside the photo

export class View {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d", { alpha: false });
    this.state = null;
    this.image = null;
    this.chosen = null; // number of a plant
    this.moved = null; // where the plant that is dragged is now
    this.painted = false; // false from when the page itself chose what to show until it is on the screen
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.size = [0, 0];
    this.whole = true; // the photo is fitted in, and was not moved since
    this.waiting = false;
    new ResizeObserver(() => this.resized()).observe(canvas);
  }

  resized() {
    const sharp = window.devicePixelRatio || 1;
    const { clientWidth, clientHeight } = this.canvas;
    this.canvas.width = Math.max(1, Math.round(clientWidth * sharp));
    this.canvas.height = Math.max(1, Math.round(clientHeight * sharp));
    // what was in the middle stays there, for whoever turns a tablet
    const [width, height] = this.size;
    this.size = [clientWidth, clientHeight];
    if (this.whole) this.fit();
    else this.pan((clientWidth - width) / 2, (clientHeight - height) / 2);
  }

  show(state, image) {
    [this.state, this.image, this.chosen, this.moved, this.painted] = [state, image, null, null, false];
    this.fit();
  }

  choose(number) {
    if (number === this.chosen) return;
    [this.chosen, this.moved] = [number, null];
    this.draw();
  }

  wholeScale() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    return Math.min(w / this.state.width, h / this.state.height);
  }

  fit() {
    if (!this.state) return;
    this.whole = true;
    this.scale = this.wholeScale();
    this.x = (this.canvas.clientWidth - this.state.width * this.scale) / 2;
    this.y = (this.canvas.clientHeight - this.state.height * this.scale) / 2;
    this.draw();
  }

  zoom(by, at) {
    this.whole = false;
    const low = this.wholeScale() * 0.8;
    const scale = Math.min(8, Math.max(low, this.scale * by));
    this.x = at[0] - ((at[0] - this.x) * scale) / this.scale;
    this.y = at[1] - ((at[1] - this.y) * scale) / this.scale;
    this.scale = scale;
    this.draw();
  }

  pan(dx, dy) {
    this.whole = false;
    this.x += dx;
    this.y += dy;
    this.draw();
  }

  centre(plant) {
    this.whole = false;
    this.scale = Math.max(this.scale, Math.min(1, this.wholeScale() * 4));
    // in the middle, or as near to it as the photo still fills the canvas but for a margin
    const place = (at, photo, canvas) => {
      const [low, high] = [canvas - MARGIN - photo * this.scale, MARGIN];
      const middle = canvas / 2 - at * this.scale;
      return low < high ? Math.min(high, Math.max(low, middle)) : middle;
    };
    this.x = place(plant.x, this.state.width, this.canvas.clientWidth);
    this.y = place(plant.y, this.state.height, this.canvas.clientHeight);
    this.draw();
  }

  toPhoto([x, y]) {
    return [(x - this.x) / this.scale - 0.5, (y - this.y) / this.scale - 0.5];
  }

  toScreen(x, y) {
    return [(x + 0.5) * this.scale + this.x, (y + 0.5) * this.scale + this.y];
  }

  /** Radius of a plant's symbol. [CSS px] */
  radius() {
    return Math.min(14, Math.max(7, 10 * Math.sqrt(this.scale)));
  }

  /** The nearest plant within a reach [CSS px], or null. */
  plantAt(at, reach) {
    let best = null;
    let nearest = reach;
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
    const { clientWidth, clientHeight } = this.canvas;
    const sharp = this.canvas.width / Math.max(1, clientWidth);
    pen.setTransform(sharp, 0, 0, sharp, 0, 0);
    pen.fillStyle = AROUND;
    pen.fillRect(0, 0, clientWidth, clientHeight);
    if (!this.state) return;
    if (this.image) {
      const { width, height } = this.state;
      pen.imageSmoothingEnabled = this.scale < 2;
      pen.drawImage(this.image, this.x, this.y, width * this.scale, height * this.scale);
    }
    const marks = new Marks(pen, clientWidth, clientHeight);
    for (const row of this.state.rows) this.row(marks, row);
    const plants = this.state.plants.filter((p) => p.x !== null && p.y !== null);
    const chosen = plants.find((p) => p.plant === this.chosen);
    const across = new Map(this.state.rows.map((row) => [row.row, row.line.length > 1 ? acrossOf(row.line) : [0, -1]]));
    // the chosen plant lies over the others, and its number gets room before theirs
    const others = plants.filter((p) => p !== chosen);
    const own = chosen ? [chosen] : [];
    for (const plant of [...others, ...own]) this.plant(marks, plant);
    for (const plant of [...own, ...others]) this.number(marks, plant, across.get(plant.row) ?? [0, -1]);
    marks.setWords();
    this.painted = true;
  }

  row(marks, row) {
    const screen = (points) => points.map(([x, y]) => this.toScreen(x, y));
    const line = screen(row.line);
    if (line.length < 2) return;
    if (!row.gaps.length) marks.line(line, INK.white, 2);
    for (const gap of row.gaps) {
      const points = screen(gap.points);
      if (points.length < 2) continue;
      if (gap.kind === "open") {
        marks.line(points, INK.white, 2, [9, 9]);
        continue;
      }
      marks.line(points, INK.white, 2);
      const across = acrossOf(points);
      const off = 2 * this.radius();
      const beside = points.map(([x, y]) => [x - off * across[0], y - off * across[1]]);
      if (gap.kind === "double") marks.double(beside, across);
      else if (gap.kind.startsWith("skip")) marks.skip(beside, `skip: ${gap.missing} missing`, across);
    }
    for (const [at, next] of [[line[0], line[1]], [line.at(-1), line.at(-2)]]) marks.end(at, acrossOf([at, next]));
    // the name stands at whichever end is farther inside the canvas
    const room = ([x, y]) => Math.min(x, y, marks.width - x, marks.height - y);
    const at = room(line[0]) >= room(line.at(-1)) ? line[0] : line.at(-1);
    marks.label(`row ${row.row}`, at, acrossOf(line), INK.white, 22);
  }

  plant(marks, plant) {
    const own = this.chosen === plant.plant;
    const [x, y] = this.toScreen(...(own && this.moved ? this.moved : [plant.x, plant.y]));
    const r = this.radius();
    const out = x < -40 || y < -40 || x > marks.width + 40 || y > marks.height + 40;
    if (out) return;
    if (plant.judged === "nothing") marks.nothing(x, y, r);
    else if (plant.crop) marks.stem(x, y, r);
    else marks.weed(x, y, r);
    if (own) {
      // four corners around it, as nothing else has them
      const a = r + 8;
      const path = new Path2D();
      for (const [u, v] of [[1, 1], [1, -1], [-1, -1], [-1, 1]]) {
        path.moveTo(x + u * a, y + v * (a - 9));
        path.lineTo(x + u * a, y + v * a);
        path.lineTo(x + u * (a - 9), y + v * a);
      }
      marks.stroke(path, INK.white, 3.5);
    } else if (plant.doubtful) {
      marks.ring(x, y, r + 5, INK.yellow, 2, [5, 4]);
    }
    marks.keepFree(x, y, own ? r + 10 : plant.doubtful ? r + 5 : r);
  }

  number(marks, plant, across) {
    const own = this.chosen === plant.plant;
    const unsure = plant.doubtful || (!plant.crop && !["weed", "nothing"].includes(plant.judged));
    if (!plant.crop && !own && !unsure) return;
    const [x, y] = this.toScreen(...(own && this.moved ? this.moved : [plant.x, plant.y]));
    marks.label(`${plant.plant}${unsure ? " ?" : ""}`, [x, y], across, INK.white, this.radius() + (own || plant.doubtful ? 11 : 4));
  }
}
