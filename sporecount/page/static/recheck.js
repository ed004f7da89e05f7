// The Re-check place: one doubtful object after the other, decided by single keys.
import { Viewer, aboutLayer, short } from "./viewer.js";
import { ask, news, plural, Silence } from "./talk.js";
import { pending, put, send, whenWritten } from "./outbox.js";

const NEAR_UM = 60, AROUND_UM = 400;
const WORDS = { spore: "a spore", not: "not a spore", unsure: "cannot be told", added: "a missed spore" };

const at = (id) => document.getElementById(id);
const HINT = at("hint").textContent;
let kept = ""; // what is said while decisions wait in this browser; no other silence may hide it
const turn = Number(at("recheck").dataset.round);
const near = new Viewer(at("near")), around = new Viewer(at("around"), { still: true });
around.frame = NEAR_UM / 2;
const own = new Set(); // ids of this tab's decisions
let list = [], here = null, decided = 0, mine = [], adding = false;

// ---- who reads, and what ---------------------------------------------------

const reader = at("reader");
reader.value = localStorage.getItem("reader") ?? "";
reader.onchange = () => { localStorage.setItem("reader", reader.value.trim()); fetchQueue(); };
at("only").onchange = (event) => {
  const query = new URLSearchParams(location.search);
  if (event.target.value) query.set("print", event.target.value); else query.delete("print");
  location.search = query;
};
at("who").onsubmit = (event) => { event.preventDefault(); at("pair").focus(); };
const name = () => reader.value.trim();

// A decision bears the initials of its reader: the first one waits until they are given.
let unsigned = null, settling = false;
function signed(words, act) {
  if (settling) return;
  if (name()) { act(); return; }
  unsigned = { act, of: here };
  at("sign-what").textContent = `${here.sample}, object ${here.row + 1}: ${words}.`;
  at("sign").showModal();
}
at("sign-form").onsubmit = async (event) => {
  event.preventDefault();
  const { act, of } = unsigned;
  unsigned = null;
  reader.value = at("initials").value.trim();
  localStorage.setItem("reader", reader.value);
  at("sign").close();
  settling = true;
  await fetchQueue(); // what this reader has decided before is not asked again
  settling = false;
  if (here === of) act(); else announce(`${name()} or somebody else has decided on that object; here is the next.`);
};
at("not-now").onclick = () => at("sign").close();
at("sign").onclose = () => {
  if (unsigned) announce("Nothing is decided yet: a decision needs the reader’s initials.");
  unsigned = null;
};

// ---- the queue ---------------------------------------------------------------

async function fetchQueue() {
  const before = own.size, open = pending();
  const query = new URLSearchParams({ round: turn, print: at("only").value, reader: name() });
  const told = await ask(`/recheck/queue.json?${query}`, undefined, "GET").catch((fault) => { at("trouble").textContent = fault.message; });
  if (!told) return;
  if (open || own.size > before) { clearTimeout(again); again = setTimeout(fetchQueue, 300); return; } // it lacks a decision of this tab
  list = told.objects;
  decided = told.decided;
  mine = told.mine;
  const same = here && list.findIndex((one) => one.photo === here.photo && one.row === here.row);
  if (here && same > 0) list.unshift(...list.splice(same, 1));
  if (!here || same === -1) await showNext(); else progress();
}

async function showNext() {
  here = list[0] ?? null;
  progress();
  at("recheck").classList.toggle("done", !here);
  if (!here) {
    at("where").textContent = list.length || decided ? "No doubtful object is left here." : "There is no doubtful object here.";
    at("compare").hidden = false;
    if (turn === 2) compare();
    for (const canvas of [at("near"), at("around")]) canvas.classList.add("blank");
    return;
  }
  const one = here;
  at("where").textContent = `${one.sample}, field ${one.field}, object ${one.row + 1}`;
  let told;
  try {
    told = await object(one);
  } catch (fault) {
    announce((fault instanceof Silence && kept) || fault.message);
    if (one === here) setTimeout(() => { if (one === here) showNext(); }, 1500);
    return;
  }
  if (one !== here) return;
  for (const [viewer, um] of [[near, NEAR_UM], [around, AROUND_UM]]) {
    viewer.canvas.classList.remove("blank");
    viewer.target = told;
    viewer.readings = [];
    viewer.open(one.photo, told);
    viewer.look(told.x, told.y, um);
  }
  if (turn === 1) {
    at("opinion").textContent = `${one.differ ? "Readers disagree on this one: yours is one look more. " : ""}${Math.round(100 * told.p)} in 100 that it is a spore; ${short(told.length_um)} × ${short(told.width_um)} µm; ${told.why}.`;
    standing(one.photo);
  }
  for (const next of list.slice(1, 4)) object(next).then(() => aboutLayer(next.photo, "photo")).catch(() => {});
}

const objects = new Map();
function object(one) {
  const address = `/recheck/object/${one.photo}/${one.row}.json?round=${turn}`;
  if (!objects.has(address)) {
    const asked = ask(address, undefined, "GET");
    asked.catch(() => objects.delete(address));
    objects.set(address, asked);
  }
  return objects.get(address);
}

function progress() {
  const left = list.length;
  at("progress").textContent = here ? `${plural(left, "object")} to decide, ${decided} decided` : `${plural(decided, "object")} decided`;
  at("share").max = Math.max(left + decided, 1);
  at("share").value = decided;
}

// ---- deciding ----------------------------------------------------------------

function decide(says) {
  if (!here) return;
  signed(WORDS[says], () => {
    const one = { photo: here.photo, x: here.x, y: here.y, says, reader: name(), round: turn, row: here.row, sample: here.sample, field: here.field };
    sayIt(one);
    mine.push(one);
    list.shift();
    decided += 1;
    announce(`${here.sample}, object ${here.row + 1}: ${WORDS[says]}.`);
    showNext();
  });
}

function sayIt({ photo, x, y, says, reader: who, round }) {
  own.add(put({ photo, x, y, says, reader: who, round }).id);
}

function later() {
  if (list.length < 2) return;
  list.push(list.shift());
  showNext();
}

async function takeBack() {
  const last = mine.pop();
  if (!last) { announce("There is nothing to take back."); return; }
  sayIt({ ...last, says: "taken-back", reader: last.reader ?? name(), round: turn });
  decided = Math.max(0, decided - 1);
  announce(`Taken back: ${WORDS[last.says]}.`);
  if (last.says === "added") { for (const viewer of [near, around]) { viewer.readings = viewer.readings.filter((one) => one.x !== last.x || one.y !== last.y); viewer.draw(); } setTimeout(fetchQueue, 300); return; }
  if (last.row !== undefined) { list.unshift({ photo: last.photo, x: last.x, y: last.y, row: last.row, sample: last.sample, field: last.field }); showNext(); return; }
  here = null;
  setTimeout(fetchQueue, 150);
}

function setAdding(on) {
  adding = on;
  at("add").setAttribute("aria-pressed", on);
  for (const viewer of [near, around]) viewer.canvas.classList.toggle("measuring", on);
  near.cross = on ? [near.width / 2, near.height / 2] : null;
  near.draw();
  at("hint").textContent = on ? "Click the missed spore, in either window; or move the cross onto it with the arrow keys and press Enter. Escape ends it." : HINT;
  if (on) at("near").focus();
}

function addAt(viewer, [sx, sy]) {
  const [x, y] = viewer.place(sx, sy);
  const { width, height } = viewer.shape;
  if (!adding || !here || x < 0 || y < 0 || x > width || y > height) return;
  signed(`${WORDS.added} beside it`, () => {
    const one = { photo: here.photo, x: Math.round(10 * x) / 10, y: Math.round(10 * y) / 10, says: "added", reader: name(), round: turn };
    sayIt(one);
    mine.push(one);
    decided += 1;
    for (const each of [near, around]) { each.readings = [...each.readings, one]; each.draw(); }
    announce("Added a missed spore.");
    setAdding(false);
    progress();
  });
}
near.on("pick", (where) => addAt(near, where));
at("around").addEventListener("click", (event) => { const box = event.target.getBoundingClientRect(); addAt(around, [event.clientX - box.left, event.clientY - box.top]); });

function announce(words) { at("trouble").textContent = words; }

// ---- tallies that move -------------------------------------------------------

function interval(low, count, high, was, top) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("viewBox", "0 0 300 66");
  svg.setAttribute("class", "interval");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `${short(count)}, between ${short(low)} and ${short(high)}; the program alone ${short(was[1])}, between ${short(was[0])} and ${short(was[2])}`);
  const x = (value) => 8 + (284 * value) / Math.max(top, 1e-9);
  const line = (name, from, to, y) => {
    const path = document.createElementNS(ns, "path");
    path.setAttribute("d", `M${x(from).toFixed(1)} ${y}H${Math.max(x(to), x(from) + 1).toFixed(1)}M${x(from).toFixed(1)} ${y - 5}v10M${x(to).toFixed(1)} ${y - 5}v10`);
    path.setAttribute("class", name);
    svg.append(path);
  };
  const dot = (name, value, y) => {
    const circle = document.createElementNS(ns, "circle");
    circle.setAttribute("cx", x(value).toFixed(1));
    circle.setAttribute("cy", y);
    circle.setAttribute("r", 5);
    circle.setAttribute("class", name);
    svg.append(circle);
  };
  line("axis", 0, top, 44);
  for (const [value, anchor] of [[0, "start"], [top, "end"]]) {
    const text = document.createElementNS(ns, "text");
    text.setAttribute("x", x(value));
    text.setAttribute("y", 62);
    text.setAttribute("text-anchor", anchor);
    text.textContent = short(value, 2);
    svg.append(text);
  }
  line("span", low, high, 10);
  dot("best", count, 10);
  line("was", was[0], was[2], 28);
  dot("was-dot", was[1], 28);
  return svg;
}

function paintField({ machine, now }) {
  at("standing").hidden = false;
  const top = Math.ceil(Math.max(machine.high, now.high, 1) * 1.05);
  at("field-words").textContent = `${plural(now.spores, "spore")}, 95 % interval ${now.low} to ${now.high}. The program alone: ${machine.spores}, ${machine.low} to ${machine.high}.`;
  at("field-drawn").replaceChildren(interval(now.low, now.spores, now.high, [machine.low, machine.spores, machine.high], top));
}

let printSample = "", printMachine = null;
function paintPrint(now) {
  at("print-head").textContent = `Print ${now.sample}`;
  const dense = now.density, was = printMachine?.density;
  at("print-words").textContent = `${now.headline}${dense ? ` ${short(dense[0], 2)} per mm², 95 % interval ${short(dense[1], 2)} to ${short(dense[2], 2)}.` : ""} A heavy load: ${now.heavy}.`;
  at("print-drawn").replaceChildren(...(dense && was ? [interval(dense[1], dense[0], dense[2], [was[1], was[0], was[2]], Math.max(dense[2], was[2]) * 1.05)] : []));
}

async function standing(photo) {
  const told = await ask(`/recheck/standing/${photo}.json`, undefined, "GET").catch(() => null);
  if (!told || here?.photo !== photo) return;
  at("field-head").textContent = `Field ${told.field} of ${told.sample}`;
  paintField(told);
  printSample = told.sample;
  printMachine = told.print_machine;
  if (told.print) paintPrint(told.print);
}

whenWritten({
  written(line, told) { if (told.now && line.photo === here?.photo) paintField(told); },
  waiting(number, words) {
    kept = number && words ? `${words} ${plural(number, "decision")} kept in this browser until then.` : "";
    if (kept) announce(kept);
  },
  refused(_line, words) { announce(words); },
});
send();

// ---- learning and agreement --------------------------------------------------

function paintLearning(told) {
  at("learn").checked = told.on;
  at("learning").replaceChildren(...(told.words.length ? told.words : ["Nothing is used at present."]).map(paragraph));
}
const paragraph = (words) => { const p = document.createElement("p"); p.textContent = words; return p; };
if (turn === 1) {
  at("learn").closest("details").ontoggle = () => ask("/recheck/learning.json", undefined, "GET").then(paintLearning).catch(() => {});
  at("learn").onchange = (event) => ask("/recheck/learning", { what: event.target.checked ? "on" : "off" }).then(paintLearning);
  at("forget").onclick = () => ask("/recheck/learning", { what: "forget" }).then(paintLearning);
}

async function compare() {
  const told = await ask("/recheck/agreement.json", undefined, "GET").catch(() => null);
  if (!told) return;
  at("agreement").textContent = told.both ? `${told.same} of ${told.both} objects read alike. ${told.words}` : told.words;
  const names = ["spore", "not", "cannot tell"];
  if (!told.both) { at("agreement-table").replaceChildren(); return; }
  const table = document.createElement("table");
  const row = (cells, head) => {
    const tr = table.insertRow();
    cells.forEach((cell, index) => { const td = document.createElement(head || !index ? "th" : "td"); td.textContent = cell; td.scope = head ? "col" : "row"; if (!head && index) td.removeAttribute("scope"); tr.append(td); });
  };
  row(["first / second", ...names], true);
  told.table.forEach((counts, index) => row([names[index], ...counts], false));
  at("agreement-table").replaceChildren(table);
}
at("compare").ontoggle = compare;

// ---- hands -------------------------------------------------------------------

for (const button of document.querySelectorAll("[data-says]")) button.onclick = () => decide(button.dataset.says);
at("later").onclick = later;
at("back").onclick = takeBack;
at("add").onclick = () => setAdding(!adding);
const line = () => { near.showTarget = !near.showTarget; at("line").setAttribute("aria-pressed", near.showTarget); near.draw(); };
at("line").onclick = line;
const centre = () => { if (here) near.look(here.x, here.y, NEAR_UM); };
at("centre").onclick = centre;

const keys = { s: () => decide("spore"), n: () => decide("not"), c: () => decide("unsure"), u: takeBack, a: () => setAdding(!adding), o: line, 0: centre };
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || at("sign").open || event.target.matches("input[type=text]")) return;
  if (adding) {
    const step = event.shiftKey ? 20 : 4;
    const ways = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (ways[event.key]) { near.cross = near.cross.map((value, index) => value + ways[event.key][index]); near.draw(); event.preventDefault(); return; }
    if (event.key === "Enter") { addAt(near, near.cross); event.preventDefault(); return; }
    if (event.key === "Escape") { setAdding(false); return; }
  }
  if (event.repeat && event.key !== "ArrowRight") return;
  if (event.key === "ArrowRight" && document.activeElement !== at("near")) { later(); event.preventDefault(); return; }
  const act = keys[event.key.toLowerCase()];
  if (act) { act(); event.preventDefault(); return; }
  if (document.activeElement === at("near")) near.key(event);
});

news({
  tally(now) { if (turn === 1 && now.sample === printSample) paintPrint(now); },
  reading(one) { if (!own.has(one.id)) { clearTimeout(again); again = setTimeout(fetchQueue, 400); } },
  state(state) { if (results !== null && state.results !== results) { objects.clear(); fetchQueue(); } results = state.results; },
});
let results = null, again = 0;
fetchQueue();
