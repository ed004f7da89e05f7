// A photo on a canvas: tiles at the resolution that the screen needs, outlines, scale bar, measuring.
// Photo coordinates count pixel centres from 0; the eye's place (cx, cy) counts edges, so a centre lies at +0.5.

const SURE = "#96ffe2", DOUBT = "#ffc8f4", OTHER = "#c9d4d8";
export const INK = "#12181c", PAPER = "#fafaf6";
const MOST_TILES = 400;
const MARKS = { spore: "✓", added: "+", not: "×", unsure: "?" };

const tiles = new Map(); // address -> { image, ready }

function tile(address, painted) {
  let one = tiles.get(address);
  if (one) {
    tiles.delete(address);
    tiles.set(address, one);
    if (!one.ready) one.waiting.add(painted);
    return one;
  }
  one = { image: new Image(), ready: false, waiting: new Set([painted]) };
  one.image.onload = () => { one.ready = true; for (const each of one.waiting) each(); one.waiting.clear(); };
  one.image.onerror = () => tiles.delete(address);
  one.image.src = address;
  tiles.set(address, one);
  while (tiles.size > MOST_TILES) tiles.delete(tiles.keys().next().value);
  return one;
}

const layers = new Map(); // photo/layer -> promise of what the program says of its tiles

export function aboutLayer(photo, layer, from = "/photo") {
  const address = `${from}/${photo}/${layer}/about.json`;
  if (!layers.has(address)) {
    const asked = fetch(address).then(async (answer) => {
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error?.words ?? "The photo cannot be shown.");
      return told;
    });
    asked.catch(() => layers.delete(address));
    layers.set(address, asked);
  }
  return layers.get(address);
}

export class Viewer {
  // `from`: where photos are known, /photo for those of the session, of which there is a reduced copy, too
  constructor(canvas, { still = false, from = "/photo" } = {}) {
    this.canvas = canvas;
    this.from = from;
    this.paper = canvas.getContext("2d");
    this.photo = null;
    this.shape = null;
    this.layer = "photo";
    this.about = null;
    this.objects = null;
    this.readings = [];
    this.bounds = [0.15, 0.85];
    this.outlines = "full"; // full, thin, none
    this.all = false; // refused objects, too
    this.chosen = -1;
    this.target = null; // a place that is asked about
    this.showTarget = false;
    this.frame = 0; // half side, in µm, of a square around the target
    this.masks = { left: null, blurred: null };
    this.showMasks = false;
    this.measuring = false;
    this.ruler = null;
    this.cross = null;
    this.cx = this.cy = 0;
    this.zoom = 1;
    this.fault = "";
    this.events = new EventTarget();
    this.asked = false;
    this.again = () => this.draw();
    new ResizeObserver(() => this.resize()).observe(canvas);
    if (!still) this.listen();
    this.resize();
  }

  on(kind, told) { this.events.addEventListener(kind, (event) => told(event.detail)); return this; }
  emit(kind, detail) { this.events.dispatchEvent(new CustomEvent(kind, { detail })); }

  // ---- what is shown -------------------------------------------------------

  async open(photo, shape) {
    if (this.photo !== photo) {
      this.photo = photo;
      this.about = null;
      this.fault = "";
      this.masks = { left: null, blurred: null };
      this.ruler = null;
      this.base = this.from === "/photo" ? tile(`/photo/${photo}/whole.jpg`, this.again) : null;
    }
    this.shape = shape;
    this.draw();
    await this.load();
  }

  async load() {
    const photo = this.photo, layer = this.layer;
    try {
      const about = await aboutLayer(photo, layer, this.from);
      if (photo === this.photo && layer === this.layer) this.about = about;
    } catch (fault) {
      if (photo === this.photo) { this.fault = fault.message; this.emit("fault", fault.message); }
    }
    this.draw();
  }

  setLayer(layer) { this.layer = layer; this.about = null; this.load(); }

  setMasks(on) {
    this.showMasks = on;
    if (on && !this.masks.left) {
      const ready = this.again;
      this.masks.left = tile(`/photo/${this.photo}/mask-left-out.png`, ready);
      this.masks.blurred = tile(`/photo/${this.photo}/mask-blurred.png`, ready);
    }
    this.draw();
  }

  // ---- where the eye is ----------------------------------------------------

  resize() {
    const ratio = window.devicePixelRatio || 1;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!width || !height) return;
    this.ratio = ratio;
    const before = [this.width, this.height];
    [this.width, this.height] = [width, height];
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    if (before[0] === undefined || !before[0]) this.emit("sized");
    this.draw();
  }

  fit() {
    const { width, height, view, view_found: found } = this.shape;
    if (found) {
      [this.cx, this.cy] = [view[0] + 0.5, view[1] + 0.5];
      this.zoom = Math.min(this.width, this.height) / (2.08 * view[2]);
    } else {
      [this.cx, this.cy] = [width / 2, height / 2];
      this.zoom = Math.min(this.width / width, this.height / height);
    }
    this.moved();
  }

  // Look at a place so that the canvas is so many µm wide: the same for every photo and objective.
  look(x, y, um) {
    [this.cx, this.cy] = [x + 0.5, y + 0.5];
    this.zoom = (Math.min(this.width, this.height) * this.shape.um_per_px) / um;
    this.moved();
  }

  moved() {
    const { width, height } = this.shape;
    this.zoom = Math.min(Math.max(this.zoom, 0.5 * Math.min(this.width / width, this.height / height)), 60);
    this.cx = Math.min(Math.max(this.cx, 0), width);
    this.cy = Math.min(Math.max(this.cy, 0), height);
    this.draw();
    this.emit("moved");
  }

  zoomAt(factor, sx = this.width / 2, sy = this.height / 2) {
    const [x, y] = this.edge(sx, sy);
    const before = this.zoom;
    this.zoom *= factor;
    const { width, height } = this.shape;
    this.zoom = Math.min(Math.max(this.zoom, 0.5 * Math.min(this.width / width, this.height / height)), 60);
    if (this.zoom === before) return;
    this.cx = x - (sx - this.width / 2) / this.zoom;
    this.cy = y - (sy - this.height / 2) / this.zoom;
    this.moved();
  }

  pan(dx, dy) { this.cx -= dx / this.zoom; this.cy -= dy / this.zoom; this.moved(); }
  edge(sx, sy) { return [(sx - this.width / 2) / this.zoom + this.cx, (sy - this.height / 2) / this.zoom + this.cy]; }
  place(sx, sy) { const [x, y] = this.edge(sx, sy); return [x - 0.5, y - 0.5]; }
  screen(x, y) { return [(x + 0.5 - this.cx) * this.zoom + this.width / 2, (y + 0.5 - this.cy) * this.zoom + this.height / 2]; }

  // ---- drawing -------------------------------------------------------------

  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.paint(); });
  }

  paint() {
    const paper = this.paper;
    if (!this.shape || !this.width) return;
    paper.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    paper.fillStyle = "#0c1113";
    paper.fillRect(0, 0, this.width, this.height);
    paper.imageSmoothingEnabled = true;
    const { width, height } = this.shape;
    if (this.base?.ready && this.layer === "photo") this.whole(this.base.image);
    if (this.about) this.paintTiles(this.about);
    else if (this.base?.ready && this.layer !== "photo") this.whole(this.base.image);
    if (this.showMasks) this.paintMasks(width, height);
    if (this.outlines !== "none" && this.objects) this.paintObjects();
    for (const one of this.readings) if (this.outlines !== "none") this.paintReading(one);
    if (this.target) this.paintTarget();
    if (this.cross) this.paintCross();
    if (this.ruler) this.paintRuler();
    if (this.shape.um_per_px) this.paintBar();
  }

  whole(image) {
    const [x, y] = this.screen(-0.5, -0.5);
    this.paper.drawImage(image, x, y, this.shape.width * this.zoom, this.shape.height * this.zoom);
  }

  paintTiles(about) {
    const wanted = Math.floor(Math.log2(about.zoom / (this.zoom * this.ratio)) + 0.25);
    const level = Math.min(Math.max(wanted, 0), about.levels - 1);
    const steps = level < about.levels - 1 ? [about.levels - 1, level] : [level];
    this.paper.imageSmoothingEnabled = this.zoom < 8;
    for (const at of steps) {
      const side = (about.tile * 2 ** at) / about.zoom; // of a tile, in photo pixels
      const [left, top] = this.edge(0, 0), [right, bottom] = this.edge(this.width, this.height);
      const across = Math.ceil(about.width / 2 ** at), down = Math.ceil(about.height / 2 ** at);
      const first = (value, from) => Math.max(0, Math.floor((value - from) / side));
      for (let row = first(top, about.top); row * about.tile < down && row * side + about.top < bottom; row++) {
        for (let col = first(left, about.left); col * about.tile < across && col * side + about.left < right; col++) {
          const one = tile(`/tiles/${about.set}/${at}/${col}_${row}.jpg`, this.again);
          if (!one.ready) continue;
          const px = (2 ** at / about.zoom) * this.zoom;
          const x = (col * side + about.left - this.cx) * this.zoom + this.width / 2;
          const y = (row * side + about.top - this.cy) * this.zoom + this.height / 2;
          const right2 = Math.ceil((x + one.image.naturalWidth * px) * this.ratio) / this.ratio;
          const bottom2 = Math.ceil((y + one.image.naturalHeight * px) * this.ratio) / this.ratio;
          this.paper.drawImage(one.image, x, y, right2 - x, bottom2 - y);
        }
      }
    }
    this.paper.imageSmoothingEnabled = true;
  }

  paintMasks() {
    for (const [kind, mask] of Object.entries(this.masks)) {
      if (!mask?.ready) continue;
      const sheet = new OffscreenCanvas(this.canvas.width, this.canvas.height);
      const ink = sheet.getContext("2d");
      ink.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
      ink.imageSmoothingEnabled = false;
      const [x, y] = this.screen(-0.5, -0.5);
      ink.drawImage(mask.image, x, y, this.shape.width * this.zoom, this.shape.height * this.zoom);
      ink.globalCompositeOperation = "source-in";
      ink.fillStyle = pattern(ink, kind);
      ink.fillRect(0, 0, this.width, this.height);
      this.paper.drawImage(sheet, 0, 0, this.width, this.height);
    }
  }

  visible(row) {
    const p = this.objects.p[row];
    return this.all || this.objects.counted[row] || p >= this.bounds[0];
  }

  sure(row) { return this.objects.counted[row] && this.objects.p[row] >= this.bounds[1]; }

  paintObjects() {
    const { x, y, length, width, angle } = this.objects;
    const per_um = this.zoom / this.shape.um_per_px;
    for (let row = 0; row < x.length; row++) {
      if (!this.visible(row)) continue;
      const [sx, sy] = this.screen(x[row], y[row]);
      const reach = Math.max(length[row] * per_um, 8);
      if (sx < -reach || sy < -reach || sx > this.width + reach || sy > this.height + reach) continue;
      const sure = this.sure(row), counted = this.objects.counted[row];
      const doubtful = !sure && (counted || this.objects.p[row] >= this.bounds[0]);
      this.ellipse(sx, sy, length[row] * per_um, width[row] * per_um, angle[row], sure ? SURE : doubtful ? DOUBT : OTHER, !sure);
      if (doubtful && this.outlines === "full") this.mark(sx + reach * 0.75 + 3, sy - reach * 0.5 - 3, counted, reach > 24 ? 6 : 4);
      if (row === this.chosen) this.ring(sx, sy, reach * 0.9 + 7);
    }
  }

  ellipse(sx, sy, long, wide, degrees, colour, broken) {
    const paper = this.paper, thin = this.outlines === "thin";
    paper.beginPath();
    paper.ellipse(sx, sy, Math.max(long / 2, 2) + 2, Math.max(wide / 2, 1.5) + 2, (degrees * Math.PI) / 180, 0, 2 * Math.PI);
    if (!thin) { paper.setLineDash([]); paper.strokeStyle = INK; paper.lineWidth = 4; paper.stroke(); }
    paper.setLineDash(broken ? [5, 4] : []);
    paper.strokeStyle = colour;
    paper.lineWidth = thin ? 1 : 2;
    paper.stroke();
    paper.setLineDash([]);
  }

  mark(x, y, filled, side) {
    this.paper.fillStyle = INK;
    this.paper.fillRect(x - side / 2 - 2, y - side / 2 - 2, side + 4, side + 4);
    this.paper.fillStyle = this.paper.strokeStyle = DOUBT;
    this.paper.lineWidth = 1.5;
    if (filled) this.paper.fillRect(x - side / 2, y - side / 2, side, side);
    else this.paper.strokeRect(x - side / 2, y - side / 2, side, side);
  }

  ring(x, y, radius) {
    for (const [colour, width] of [[INK, 6], [PAPER, 2.5]]) {
      this.paper.beginPath();
      this.paper.arc(x, y, radius, 0, 2 * Math.PI);
      this.paper.strokeStyle = colour;
      this.paper.lineWidth = width;
      this.paper.stroke();
    }
  }

  paintReading({ x, y, says }) {
    const [sx, sy] = this.screen(x, y);
    if (says === "added") this.ring(sx, sy, Math.max(6 * this.zoom / this.shape.um_per_px, 7));
    this.words(MARKS[says] ?? "", sx - Math.max(8 * this.zoom / this.shape.um_per_px, 12), sy, "center", 16);
  }

  paintTarget() {
    const { x, y, length_um: length, width_um: width, angle } = this.target;
    const [sx, sy] = this.screen(x, y), per_um = this.zoom / this.shape.um_per_px;
    if (this.frame) {
      const half = this.frame * per_um;
      for (const [colour, wide] of [[INK, 5], [PAPER, 2]]) {
        this.paper.strokeStyle = colour;
        this.paper.lineWidth = wide;
        this.paper.strokeRect(sx - half, sy - half, 2 * half, 2 * half);
      }
    }
    if (this.showTarget && length) { this.ellipse(sx, sy, length * per_um, width * per_um, angle, DOUBT, true); return; }
    if (this.frame) return;
    // four short strokes that leave the object itself alone
    const near = Math.max(0.5 * (length || 12) * per_um + 10, 18);
    for (const [colour, wide] of [[INK, 5], [PAPER, 2]]) {
      this.paper.strokeStyle = colour;
      this.paper.lineWidth = wide;
      this.paper.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        this.paper.moveTo(sx + dx * near, sy + dy * near);
        this.paper.lineTo(sx + dx * (near + 16), sy + dy * (near + 16));
      }
      this.paper.stroke();
    }
  }

  paintCross() {
    const [sx, sy] = this.cross;
    for (const [colour, wide] of [[INK, 4], [PAPER, 1.5]]) {
      this.paper.strokeStyle = colour;
      this.paper.lineWidth = wide;
      this.paper.beginPath();
      this.paper.moveTo(sx - 16, sy); this.paper.lineTo(sx - 4, sy); this.paper.moveTo(sx + 4, sy); this.paper.lineTo(sx + 16, sy);
      this.paper.moveTo(sx, sy - 16); this.paper.lineTo(sx, sy - 4); this.paper.moveTo(sx, sy + 4); this.paper.lineTo(sx, sy + 16);
      this.paper.stroke();
    }
  }

  paintRuler() {
    const [a, b] = this.ruler.map(([x, y]) => this.screen(x, y));
    for (const [colour, wide] of [[INK, 5], [PAPER, 2]]) {
      this.paper.strokeStyle = colour;
      this.paper.lineWidth = wide;
      this.paper.beginPath();
      this.paper.moveTo(...a);
      this.paper.lineTo(...b);
      const away = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
      const [nx, ny] = [(-(b[1] - a[1]) / away) * 7, ((b[0] - a[0]) / away) * 7];
      for (const [x, y] of [a, b]) { this.paper.moveTo(x - nx, y - ny); this.paper.lineTo(x + nx, y + ny); }
      this.paper.stroke();
    }
    this.words(`${short(this.distance(...this.ruler))} µm`, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2 - 16, "center");
  }

  // True length between two places: the lens's distortion taken out, then the scale.
  distance(one, other) {
    const { width, height, view, k1, um_per_px } = this.shape;
    const half = Math.hypot(width, height) / 2;
    const straight = ([x, y]) => {
      const [dx, dy] = [x - view[0], y - view[1]];
      const grown = 1 + k1 * (dx * dx + dy * dy) / (half * half);
      return [dx * grown, dy * grown];
    };
    const [a, b] = [straight(one), straight(other)];
    return Math.hypot(a[0] - b[0], a[1] - b[1]) * um_per_px;
  }

  paintBar() {
    const per_um = this.zoom / this.shape.um_per_px;
    const room = Math.min(this.width * 0.3, 180) / per_um;
    const power = 10 ** Math.floor(Math.log10(room));
    const um = [5, 2, 1].map((step) => step * power).find((step) => step <= room) ?? power;
    const long = um * per_um, y = this.height - 16;
    const words = um >= 1000 ? `${um / 1000} mm` : `${short(um)} µm`;
    this.paper.font = "15px system-ui, sans-serif";
    const wide = Math.max(long, this.paper.measureText(words).width) + 20;
    this.paper.fillStyle = "rgba(18,24,28,.82)";
    this.paper.fillRect(8, y - 28, wide, 38);
    this.paper.fillStyle = PAPER;
    this.paper.fillRect(18, y, long, 4);
    this.paper.textAlign = "left";
    this.paper.fillText(words, 18, y - 8);
  }

  words(text, x, y, align = "left", size = 15) {
    this.paper.font = `600 ${size}px system-ui, sans-serif`;
    this.paper.textAlign = align;
    this.paper.textBaseline = "middle";
    this.paper.lineJoin = "round";
    this.paper.strokeStyle = INK;
    this.paper.lineWidth = 5;
    this.paper.strokeText(text, x, y);
    this.paper.fillStyle = PAPER;
    this.paper.fillText(text, x, y);
    this.paper.textBaseline = "alphabetic";
  }

  // ---- hands ---------------------------------------------------------------

  nearest(sx, sy, reach = 14) {
    if (!this.objects) return -1;
    let best = -1, least = reach;
    const per_um = this.zoom / this.shape.um_per_px;
    for (let row = 0; row < this.objects.x.length; row++) {
      if (!this.visible(row)) continue;
      const [x, y] = this.screen(this.objects.x[row], this.objects.y[row]);
      const away = Math.max(0, Math.hypot(x - sx, y - sy) - (this.objects.length[row] * per_um) / 2);
      if (away < least) [best, least] = [row, away];
    }
    return best;
  }

  listen() {
    const canvas = this.canvas, hands = new Map();
    const at = (event) => { const box = canvas.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
    let travelled = 0, apart = 0;
    canvas.addEventListener("pointerdown", (event) => {
      if (!this.shape) return;
      canvas.setPointerCapture(event.pointerId);
      hands.set(event.pointerId, at(event));
      travelled = 0;
      if (hands.size === 2) apart = spread(hands);
      if (this.measuring && hands.size === 1) this.ruler = [this.place(...at(event)), this.place(...at(event))];
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!this.shape) return;
      const now = at(event), before = hands.get(event.pointerId);
      if (!before) { this.emit("hover", now); return; }
      hands.set(event.pointerId, now);
      travelled += Math.hypot(now[0] - before[0], now[1] - before[1]);
      if (hands.size === 2) {
        const wide = spread(hands), middle = centre(hands);
        if (apart) this.zoomAt(wide / apart, ...middle);
        apart = wide;
      } else if (this.measuring && this.ruler) {
        this.ruler[1] = this.place(...now);
        this.emit("measured", this.distance(...this.ruler));
        this.draw();
      } else this.pan(now[0] - before[0], now[1] - before[1]);
    });
    const up = (event) => {
      const was = hands.get(event.pointerId);
      hands.delete(event.pointerId);
      if (was && event.type === "pointerup" && travelled < 5 && !this.measuring) this.emit("pick", at(event));
    };
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("wheel", (event) => {
      if (!this.shape) return;
      event.preventDefault();
      const step = event.deltaMode === 1 ? 30 * event.deltaY : event.deltaY;
      this.zoomAt(Math.exp(-Math.min(Math.max(step, -240), 240) / 320), ...at(event));
    }, { passive: false });
    canvas.addEventListener("dblclick", (event) => { if (this.shape && !this.measuring) this.zoomAt(2, ...at(event)); });
  }

  // Arrow keys, + and -, 0: looking around without a mouse. True when the key was one of them.
  key(event) {
    if (!this.shape || event.ctrlKey || event.metaKey || event.altKey) return false;
    const step = event.shiftKey ? 240 : 80;
    const ways = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] };
    if (ways[event.key]) this.pan(...ways[event.key]);
    else if (event.key === "+" || event.key === "=") this.zoomAt(1.4);
    else if (event.key === "-") this.zoomAt(1 / 1.4);
    else if (event.key === "0") this.fit();
    else return false;
    event.preventDefault();
    return true;
  }
}

export const spread = (hands) => { const [a, b] = [...hands.values()]; return Math.hypot(a[0] - b[0], a[1] - b[1]); };
export const centre = (hands) => { const [a, b] = [...hands.values()]; return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]; };

export const short = (value, digits = 3) => Number.isFinite(value) ? String(Number(value.toPrecision(digits))) : "–";

// Hatching for what was left out, dots for what is blurred: light and dark lines, to be seen on any ground.
function pattern(ink, kind) {
  const size = 12, sheet = new OffscreenCanvas(size, size), draw = sheet.getContext("2d");
  if (kind === "left") {
    for (const [colour, shift] of [[INK, 0], [PAPER, 1.6]]) {
      draw.strokeStyle = colour;
      draw.lineWidth = 1.4;
      draw.beginPath();
      for (const by of [-size, 0, size]) { draw.moveTo(by + shift - 1, size + 1); draw.lineTo(by + size + shift + 1, -1); }
      draw.stroke();
    }
  } else {
    for (const [colour, shift] of [[INK, 0.8], [PAPER, 0]]) {
      draw.fillStyle = colour;
      draw.beginPath();
      draw.arc(4 + shift, 4 + shift, 1.5, 0, 2 * Math.PI);
      draw.fill();
    }
  }
  return ink.createPattern(sheet, "repeat");
}
