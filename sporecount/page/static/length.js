// A known length drawn on a photo of the Calibrate place: the scale is told at once, and kept as approximate.
import { ask } from "./talk.js";
import { PLACE, Sheet, length } from "./sheet.js";

const at = (id) => document.getElementById(id);

function element(name, words, kind) {
  const made = document.createElement(name);
  if (words !== undefined) made.textContent = words;
  if (kind) made.className = kind;
  return made;
}

// The part of the place in which one draws. `kept` is called when a profile was kept.
export function drawingPlace({ kept }) {
  const place = at("draw"), canvas = at("sheet"), rig = at("rig"), known = at("known"), keep = at("keep");
  const sheet = new Sheet(canvas, at("loupe"));
  let photo = null, asked = 0, waiting = 0;

  const lines = () => (sheet.ends.length === 2 ? [...sheet.lines, sheet.ends] : sheet.lines);
  const said = () => ({ photo, lines: lines().map((line) => line.flat()), ...Object.fromEntries(new FormData(known)) });

  function ends() {
    const [a, b] = sheet.ends.map(([x, y]) => `x ${x}, y ${y}`);
    at("drawn-ends").textContent = b ? `From ${a} to ${b}: ${length(sheet.ends).toFixed(1)} px of the photo.` : a ? `First end at ${a}; now the second.` : "No end is marked yet.";
    for (const which of [0, 1]) {
      at(`end-${which}`).setAttribute("aria-pressed", sheet.ends.length > which && sheet.held === which);
      at(`end-${which}`).disabled = sheet.ends.length <= which;
    }
    at("again").disabled = sheet.ends.length < 2;
    at("anew").disabled = !sheet.ends.length;
    at("drawings").replaceChildren(...sheet.lines.map((line, number) => {
      const item = element("li", `${length(line).toFixed(1)} px `), away = element("button", "Take away");
      away.type = "button";
      away.setAttribute("aria-label", `Take drawing ${number + 1} away`);
      away.onclick = () => { sheet.lines.splice(number, 1); sheet.change(sheet.ends, sheet.held); };
      item.append(away);
      return item;
    }));
    soon();
  }

  function soon() {
    clearTimeout(waiting);
    waiting = setTimeout(tell, 120);
  }

  async function tell() {
    const mine = ++asked, told = at("told"), here = said();
    if (!photo || canvas.dataset.ready !== photo) return;
    at("keep-said").textContent = "";
    if (!here.lines.length || !here.length_um.trim()) {
      told.replaceChildren(element("p", here.lines.length ? "Now say how long it is." : "Mark both ends and say how long it is: the scale appears here.", "quiet"));
      scaled(null);
      return;
    }
    try {
      await ask("/calibrate/rig", Object.fromEntries(new FormData(rig)));
      const found = await ask("/calibrate/length", here);
      if (mine !== asked) return;
      const [value, spread] = found.stated;
      told.replaceChildren(
        element("p", `About ${value} µm per pixel, standard uncertainty ${spread} (${found.percent.toFixed(1)}\u00a0%)`, "verdict"),
        element("p", found.how),
        ...found.remarks.map((words) => element("p", words, "warning")),
        element("p", `Approximate: every count made with it is flagged. ${found.flag.join(" ")}`, "note"),
      );
      scaled(found.um_per_px);
    } catch (fault) {
      if (mine !== asked) return;
      told.replaceChildren(element("p", fault.message, "warning"));
      scaled(null);
    }
  }

  // With a scale there is something to keep, and a scale bar to see it by.
  function scaled(um_per_px) {
    sheet.shape.um_per_px = um_per_px;
    keep.hidden = !um_per_px;
    sheet.draw();
  }

  async function open(id, name) {
    photo = id;
    asked++; // an answer that is still on its way was of another photo
    at("draw-name").textContent = name;
    at("told").replaceChildren(element("p", "Opening the photo …", "quiet"));
    delete canvas.dataset.ready;
    place.hidden = false;
    keep.hidden = true;
    place.scrollIntoView({ block: "start" });
    try {
      const shape = await ask(`${PLACE}/${id}/sight.json`, undefined, "GET");
      if (photo !== id) return;
      sheet.resize();
      await sheet.show(id, { ...shape, k1: 0, um_per_px: null });
      if (photo !== id) return;
      canvas.dataset.ready = id;
      canvas.focus({ preventScroll: true });
      tell();
    } catch (fault) {
      at("told").replaceChildren(element("p", fault.message, "warning"));
    }
  }

  function close() {
    photo = null;
    asked++;
    place.hidden = true;
    delete canvas.dataset.ready;
  }

  sheet.on("ends", ends);
  sheet.on("fault", (words) => at("told").replaceChildren(element("p", words, "warning")));
  canvas.addEventListener("keydown", (event) => sheet.key(event));
  for (const which of [0, 1]) at(`end-${which}`).onclick = () => { sheet.change(sheet.ends, which); sheet.follow(); canvas.focus({ preventScroll: true }); };
  at("again").onclick = () => { sheet.lines.push(sheet.ends); sheet.change([], 0); canvas.focus({ preventScroll: true }); };
  at("anew").onclick = () => sheet.change([], 0);
  at("closer").onclick = () => sheet.zoomAt(1.5);
  at("farther").onclick = () => sheet.zoomAt(1 / 1.5);
  at("fit").onclick = () => sheet.fit();
  at("draw-close").onclick = close;
  known.oninput = soon;
  known.onsubmit = (event) => event.preventDefault();
  rig.addEventListener("change", soon);
  keep.onsubmit = async (event) => {
    event.preventDefault();
    const form = new FormData(keep);
    try {
      const told = await ask("/calibrate/length/keep", { ...said(), name: form.get("name"), count_with: form.get("count_with") === "on" });
      const link = element("a", "Open its certificate");
      link.href = `/calibrate/certificate/${told.certificate}`;
      link.target = "_blank";
      at("keep-said").replaceChildren(`Kept as ${told.name}, approximate. `, link, " ", ...told.checks.map((one) => element("span", `${one.words} ${one.rule} `)));
      kept();
    } catch (fault) {
      at("keep-said").textContent = fault.message;
    }
  };

  return { open, stay: (photos) => { if (photo && !photos.includes(photo)) close(); } };
}
