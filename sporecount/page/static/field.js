// The Field place: one photo, its objects, measuring.
import { Viewer, short } from "./viewer.js";
import { ask, news } from "./talk.js";

const at = (id) => document.getElementById(id);
const canvas = at("view"), photo = canvas.dataset.photo;
const viewer = new Viewer(canvas);
const STEPS = ["full", "thin", "none"];
let order = [], kinds = [];

const said = await ask(`/photo/${photo}/objects.json`, undefined, "GET");
viewer.objects = said.objects;
viewer.readings = said.readings.filter((one) => one.says !== "taken-back");
viewer.bounds = [said.doubt_low, said.doubt_high];
kinds = said.kinds;
viewer.on("fault", (words) => { at("measured").textContent = words; });
viewer.open(photo, said);
viewer.fit();
const place = new URLSearchParams(location.hash.slice(1));
if (place.has("x")) viewer.look(Number(place.get("x")), Number(place.get("y")), 120);
reorder();

// Doubtful objects first, those nearest to being counted or not before the others; then the sure ones.
function reorder() {
  const { p } = said.objects;
  order = p.map((_, row) => row).filter((row) => viewer.visible(row));
  order.sort((a, b) => Math.abs(p[a] - said.count_from) - Math.abs(p[b] - said.count_from));
}

function choose(row, { go = false } = {}) {
  viewer.chosen = row;
  at("object").hidden = row < 0;
  at("no-object").hidden = row >= 0;
  if (row >= 0) {
    const one = Object.fromEntries(Object.entries(said.objects).map(([name, column]) => [name, column[row]]));
    const word = viewer.sure(row) ? "a sure spore" : one.counted ? "doubtful, counted" : one.p >= said.doubt_low ? "doubtful, not counted" : "not a spore";
    at("object").querySelector(".object-head").textContent = `Object ${row + 1}: ${word}`;
    const list = [
      ["Probability of a spore", one.p.toFixed(2)],
      ["Otherwise", kinds[one.kind]],
      ["Length × width", `${short(one.length)} × ${short(one.width)} µm`],
      ["Area", `${short(one.area)} µm²`],
      ["Optical density", short(one.density, 2)],
      ["Amber (blue over red)", short(one.amber, 3)],
      ["Edge", short(one.sharpness, 2)],
      ["Lies", one.clump > 1 ? `in a clump of ${one.clump}` : one.on_scale ? "on a scale" : "alone"],
    ];
    at("object").querySelector("dl").replaceChildren(...list.map(([name, value]) => {
      const pair = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd");
      dt.textContent = name;
      dd.textContent = value;
      pair.append(dt, dd);
      return pair;
    }));
    if (go) {
      const [sx, sy] = viewer.screen(one.x, one.y);
      const wide = Math.min(viewer.width, viewer.height) * said.um_per_px / viewer.zoom;
      if (wide > 400 || sx < 40 || sy < 40 || sx > viewer.width - 40 || sy > viewer.height - 40) viewer.look(one.x, one.y, Math.min(wide, 400));
    }
  }
  viewer.draw();
}

function walk(by) {
  if (!order.length) return;
  const here = order.indexOf(viewer.chosen);
  choose(order[(here + by + order.length) % order.length], { go: true });
}

viewer.on("hover", (where) => { const row = viewer.nearest(...where); if (row >= 0 && row !== viewer.chosen) choose(row); });
viewer.on("pick", (where) => choose(viewer.nearest(...where, 24)));
viewer.on("measured", (um) => { at("measured").textContent = `Measured: ${short(um)} µm (scale known within ${short(100 * 2 * said.um_per_px_u / said.um_per_px, 2)} %).`; });

function press(button, on) { at(button).setAttribute("aria-pressed", on); return on; }
const acts = {
  o: () => { viewer.outlines = STEPS[(STEPS.indexOf(viewer.outlines) + 1) % STEPS.length]; at("outlines").querySelector("span").textContent = viewer.outlines; viewer.draw(); },
  r: () => { viewer.all = press("every", !viewer.all); reorder(); viewer.draw(); },
  l: () => { viewer.setMasks(press("masks", !viewer.showMasks)); if (viewer.showMasks) tellLeftOut(); },
  d: () => viewer.setLayer(press("density", viewer.layer === "photo") ? "density" : "photo"),
  m: () => { viewer.measuring = press("measure", !viewer.measuring); canvas.classList.toggle("measuring", viewer.measuring); if (!viewer.measuring) { viewer.ruler = null; at("measured").textContent = ""; } viewer.draw(); },
  ".": () => walk(1),
  ",": () => walk(-1),
};

async function tellLeftOut() {
  const shares = await ask(`/photo/${photo}/left-out.json`, undefined, "GET");
  const words = Object.entries(shares).map(([kind, share]) => `${kind} ${(100 * share).toFixed(1)} %`);
  at("left-out").textContent = `Left out of the view (hatched): ${words.join(", ") || "nothing"}. Dotted: blurred.`;
}

for (const [button, key] of [["outlines", "o"], ["every", "r"], ["masks", "l"], ["density", "d"], ["measure", "m"]]) at(button).onclick = acts[key];
at("closer").onclick = () => viewer.zoomAt(1.5);
at("farther").onclick = () => viewer.zoomAt(1 / 1.5);
at("fit").onclick = () => viewer.fit();

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select, textarea")) return;
  if (document.activeElement === canvas || document.activeElement === document.body) { if (viewer.key(event)) return; }
  const act = acts[event.key.toLowerCase()];
  if (act) { act(); event.preventDefault(); }
  if (event.key === "Escape" && viewer.measuring) acts.m();
});

news({
  async reading(one) {
    if (one.photo !== photo) return;
    viewer.readings = (await ask(`/photo/${photo}/objects.json`, undefined, "GET")).readings;
    viewer.draw();
  },
});
canvas.dataset.ready = "true";
