// The symbols and colours of the marked photos (report/canvas.py, report/overlay.py): each has a shape of its own, and is
// cased in dark ink, for colour alone must not tell, on bright straw and dark soil alike.

export const INK = {
  white: "rgb(255, 255, 255)",
  ink: "rgb(18, 22, 26)",
  orange: "rgb(230, 159, 0)",
  sky: "rgb(86, 180, 233)",
  yellow: "rgb(240, 228, 66)",
  purple: "rgb(204, 121, 167)",
};
const LETTER = 14; // height of words [CSS px]

/** What is drawn on one frame; places are CSS px of the canvas. */
export class Marks {
  constructor(pen, width, height) {
    this.pen = pen;
    this.width = width;
    this.height = height;
    this.taken = []; // boxes that words must not cover
    this.words = [];
  }

  line(points, ink, width, dash = []) {
    if (points.length < 2) return;
    const path = new Path2D();
    points.forEach(([x, y], k) => (k ? path.lineTo(x, y) : path.moveTo(x, y)));
    this.stroke(path, ink, width, dash);
  }

  stroke(path, ink, width, dash = []) {
    const pen = this.pen;
    pen.lineCap = dash.length ? "butt" : "round";
    pen.lineJoin = "round";
    pen.setLineDash(dash);
    for (const [style, wide] of [[INK.ink, width + 3], [ink, width]]) {
      pen.strokeStyle = style;
      pen.lineWidth = wide;
      pen.stroke(path);
    }
    pen.setLineDash([]);
  }

  disc(x, y, radius, ink) {
    this.pen.beginPath();
    this.pen.arc(x, y, radius, 0, 7);
    this.pen.fillStyle = ink;
    this.pen.fill();
  }

  ring(x, y, radius, ink, width, dash = []) {
    const path = new Path2D();
    path.arc(x, y, radius, 0, 7);
    this.stroke(path, ink, width, dash);
  }

  /** A crop plant: ring with a dot. */
  stem(x, y, r) {
    this.ring(x, y, r, INK.white, 2.5);
    this.disc(x, y, Math.max(3.5, 0.35 * r), INK.ink);
    this.disc(x, y, Math.max(2.2, 0.23 * r), INK.sky);
  }

  /** A weed, or what may be one: cross. */
  weed(x, y, r) {
    const path = new Path2D();
    const a = 0.62 * r;
    path.moveTo(x - a, y - a);
    path.lineTo(x + a, y + a);
    path.moveTo(x + a, y - a);
    path.lineTo(x - a, y + a);
    this.stroke(path, INK.yellow, 2.5);
  }

  /** What is nothing: an empty ring struck out, small. */
  nothing(x, y, r) {
    const path = new Path2D();
    const a = 0.7 * r;
    path.arc(x, y, a, 0, 7);
    path.moveTo(x - a, y + a);
    path.lineTo(x + a, y - a);
    this.stroke(path, INK.white, 1.5);
  }

  /** Under a double: bracket with a D, its ends bent back to the row. */
  double(points, across) {
    const [x, y] = across;
    const back = ([u, v]) => [u + 8 * x, v + 8 * y];
    this.line([back(points[0]), ...points, back(points.at(-1))], INK.purple, 3.5);
    this.label("D", middle(points), [-x, -y], INK.purple, 4);
  }

  /** Along a skip: arrow with a head at both ends. */
  skip(points, words, across) {
    const path = new Path2D();
    points.forEach(([x, y], k) => (k ? path.lineTo(x, y) : path.moveTo(x, y)));
    for (const [tip, next] of [[points[0], points[1]], [points.at(-1), points.at(-2)]]) {
      const far = Math.hypot(next[0] - tip[0], next[1] - tip[1]) || 1;
      const [x, y] = [((next[0] - tip[0]) / far) * 12, ((next[1] - tip[1]) / far) * 12];
      path.moveTo(tip[0] + x + 0.6 * y, tip[1] + y - 0.6 * x);
      path.lineTo(...tip);
      path.lineTo(tip[0] + x - 0.6 * y, tip[1] + y + 0.6 * x);
    }
    this.stroke(path, INK.orange, 4);
    this.label(words, middle(points), [-across[0], -across[1]], INK.orange, 6);
  }

  /** Where a measured row ends: bar across it. */
  end([x, y], across) {
    this.line([[x - 20 * across[0], y - 20 * across[1]], [x + 20 * across[0], y + 20 * across[1]]], INK.white, 4);
  }

  keepFree(x, y, r) {
    this.taken.push([x - r, y - r, x + r, y + r]);
  }

  /** Ask for words beside a place; `away` is the direction in which they may go, `start` the least distance. */
  label(text, at, away, ink, start) {
    this.words.push({ text, at, away, ink, start });
  }

  /** Set all words in dark boxes, in the order they were asked for; those without room are left out. */
  setWords() {
    const pen = this.pen;
    pen.font = `600 ${LETTER}px system-ui, sans-serif`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    for (const { text, at, away, ink, start } of this.words) {
      if (at[0] < 0 || at[1] < 0 || at[0] > this.width || at[1] > this.height) continue;
      const half = [pen.measureText(text).width / 2 + 4, LETTER * 0.66];
      const reach = start + half[0] * Math.abs(away[0]) + half[1] * Math.abs(away[1]);
      for (const far of [reach, -reach, reach + 1.5 * LETTER, -reach - 1.5 * LETTER]) {
        const x = clip(at[0] + far * away[0], half[0], this.width - half[0]);
        const y = clip(at[1] + far * away[1], half[1], this.height - half[1]);
        const box = [x - half[0], y - half[1], x + half[0], y + half[1]];
        if (this.taken.some((t) => box[0] < t[2] && box[2] > t[0] && box[1] < t[3] && box[3] > t[1])) continue;
        this.taken.push(box);
        pen.fillStyle = INK.ink;
        pen.fillRect(box[0], box[1], 2 * half[0], 2 * half[1]);
        pen.fillStyle = ink;
        pen.fillText(text, x, y + 1);
        break;
      }
    }
  }
}

const middle = (points) => points[Math.floor(points.length / 2)];
const clip = (value, low, high) => Math.min(Math.max(value, low), Math.max(low, high));

/** Unit vector across a line as seen, pointing up, or right where it is upright. */
export function acrossOf(points) {
  const [a, b] = [points[0], points.at(-1)];
  const far = Math.hypot(b[0] - a[0], b[1] - a[1]);
  if (!(far > 1e-6)) return [0, -1];
  const across = [(b[1] - a[1]) / far, (a[0] - b[0]) / far];
  return 0.5 * across[0] - across[1] > 0 ? across : [-across[0], -across[1]];
}
