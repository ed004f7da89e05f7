// A photo of the Calibrate place on which two ends are marked, with an enlarged inset round the end in hand.
import { INK, PAPER, Viewer, centre, spread } from "./viewer.js";

export const PLACE = "/calibrate/photo";
const GRIP = 24; // of the screen, within which an end is taken hold of
const SLOP = 4;  // of the screen, below which a press is a tap
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export const length = ([[x0, y0], [x1, y1]]) => Math.hypot(x1 - x0, y1 - y0);

// The photo with its ends, in pixels of the full photo. Says "ends" when they change.
export class Sheet extends Viewer {
  constructor(canvas, loupe) {
    super(canvas, { from: PLACE });
    this.loupe = new Viewer(loupe, { still: true, from: PLACE });
    this.lines = []; // drawn before
    this.ends = []; // in hand: none, one or two
    this.held = 0;
    this.pointed = null; // where the next end would lie
  }

  async show(photo, shape) {
    this.lines = [];
    this.pointed = null;
    this.loupe.open(photo, { ...shape });
    const opened = this.open(photo, shape);
    this.fit();
    this.change([], 0);
    await opened;
  }

  change(ends, held) {
    this.ends = ends.map(([x, y]) => [this.inside(x, this.shape.width), this.inside(y, this.shape.height)]);
    this.held = held;
    this.draw();
    this.emit("ends");
  }

  inside(value, size) { return Math.round(10 * Math.min(Math.max(value, 0), size - 1)) / 10; }

  move(which, place) { this.change(this.ends.map((end, at) => (at === which ? place : end)), which); }

  near(sx, sy) {
    let best = -1, least = GRIP;
    for (const [at, end] of this.ends.entries()) {
      const [x, y] = this.screen(...end), away = Math.hypot(x - sx, y - sy);
      if (away <= least) [best, least] = [at, away];
    }
    return best;
  }

  // ---- drawing -------------------------------------------------------------

  paint() {
    super.paint();
    if (!this.shape || !this.width) return;
    for (const line of this.lines) this.line(line, [6, 5]);
    if (this.ends.length === 2) this.line(this.ends, []);
    for (const [at, end] of this.ends.entries()) this.ring(...this.screen(...end), at === this.held ? 13 : 7);
    if (this.ends.length === 2) {
      const [a, b] = this.ends.map((end) => this.screen(...end));
      this.words(`${length(this.ends).toFixed(1)} px`, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2 - 18, "center");
    }
    this.paintLoupe();
  }

  line(ends, dash) {
    const [a, b] = ends.map((end) => this.screen(...end));
    this.paper.setLineDash(dash);
    for (const [colour, wide] of [[INK, 4], [PAPER, 1.6]]) {
      this.paper.strokeStyle = colour;
      this.paper.lineWidth = wide;
      this.paper.beginPath();
      this.paper.moveTo(...a);
      this.paper.lineTo(...b);
      this.paper.stroke();
    }
    this.paper.setLineDash([]);
  }

  paintLoupe() {
    const { loupe } = this, place = (this.ends.length < 2 && this.pointed) || this.ends[this.held];
    loupe.canvas.classList.toggle("blank", !place);
    if (!place || !loupe.width) return;
    [loupe.cx, loupe.cy] = [place[0] + 0.5, place[1] + 0.5];
    loupe.zoom = Math.min(Math.max(3 * this.zoom, 3), 30);
    loupe.cross = [loupe.width / 2, loupe.height / 2];
    loupe.draw();
    // the inset goes to the other corner before it covers the place that it shows
    const [sx, sy] = this.screen(...place), side = loupe.width + 40;
    if (sy < side && sx < side) loupe.canvas.classList.add("right");
    else if (sy < side && sx > this.width - side) loupe.canvas.classList.remove("right");
  }

  // ---- hands ---------------------------------------------------------------

  listen() {
    const { canvas } = this, hands = new Map();
    const at = (event) => { const box = canvas.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
    let doing = "", fresh = false, travelled = 0, apart = 0, grip = [0, 0], before = [];
    canvas.addEventListener("pointerdown", (event) => {
      if (!this.shape || event.button) return;
      canvas.setPointerCapture(event.pointerId);
      canvas.focus({ preventScroll: true });
      const here = at(event), place = this.place(...here);
      hands.set(event.pointerId, here);
      this.pointed = null;
      if (hands.size > 1) { // two fingers look closer: what the first did is taken back
        if (doing) this.change(before, Math.max(before.length - 1, 0));
        doing = "";
        apart = spread(hands);
        return;
      }
      [before, travelled, fresh] = [this.ends, 0, false];
      const near = this.near(...here);
      if (near >= 0) {
        grip = [this.ends[near][0] - place[0], this.ends[near][1] - place[1]];
        doing = "end";
        this.change(this.ends, near);
      } else if (this.ends.length < 2) {
        [grip, fresh, doing] = [[0, 0], !this.ends.length, "end"];
        this.change([...this.ends, place], this.ends.length);
      } else doing = "look";
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!this.shape) return;
      const now = at(event), last = hands.get(event.pointerId);
      if (!last) {
        if (event.pointerType !== "touch") { this.pointed = this.place(...now); this.draw(); }
        return;
      }
      hands.set(event.pointerId, now);
      travelled += Math.hypot(now[0] - last[0], now[1] - last[1]);
      if (hands.size > 1) {
        const wide = spread(hands);
        if (apart) this.zoomAt(wide / apart, ...centre(hands));
        apart = wide;
      } else if (travelled < SLOP) return;
      else if (doing === "look") this.pan(now[0] - last[0], now[1] - last[1]);
      else if (doing === "end") {
        const place = this.place(...now).map((value, axis) => value + grip[axis]);
        if (fresh) this.change([...this.ends, place], 1);
        else this.move(this.held, place);
        fresh = false;
      }
    });
    const up = (event) => {
      if (!hands.delete(event.pointerId)) return;
      if (doing === "look" && travelled < SLOP && event.type === "pointerup") this.move(this.held, this.place(...at(event)));
      doing = "";
    };
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("pointerleave", () => { this.pointed = null; this.draw(); });
    canvas.addEventListener("wheel", (event) => {
      if (!this.shape) return;
      event.preventDefault();
      const step = event.deltaMode === 1 ? 30 * event.deltaY : event.deltaY;
      this.zoomAt(Math.exp(-Math.min(Math.max(step, -240), 240) / 320), ...at(event));
    }, { passive: false });
  }

  key(event) {
    if (!this.shape || event.ctrlKey || event.metaKey || event.altKey) return false;
    const way = ARROWS[event.key];
    if (way && this.ends.length) {
      const far = event.shiftKey ? 10 : 1, [x, y] = this.ends[this.held];
      this.pointed = null;
      this.move(this.held, [x + far * way[0], y + far * way[1]]);
      this.follow();
    } else if (event.key === "Enter") this.other();
    else return super.key(event);
    event.preventDefault();
    return true;
  }

  // The next end, in the middle of what is seen; when both are there, the other one.
  other() {
    this.pointed = null;
    if (this.ends.length === 2) this.change(this.ends, 1 - this.held);
    else {
      const aside = this.ends.length ? 0.2 * this.width : 0;
      this.change([...this.ends, this.place(this.width / 2 + aside, this.height / 2)], this.ends.length);
    }
    this.follow();
  }

  // Keeps the end that is moved in sight.
  follow() {
    const [sx, sy] = this.screen(...this.ends[this.held]), rim = 30;
    const by = (at, size) => (at < rim ? rim - at : at > size - rim ? size - rim - at : 0);
    const [dx, dy] = [by(sx, this.width), by(sy, this.height)];
    if (dx || dy) this.pan(dx, dy);
  }
}
