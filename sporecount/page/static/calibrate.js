// The Calibrate place: photos of a ruling in, every line marked, accept or see why not.
import { ask, plural, refused } from "./talk.js";
import { drawingPlace } from "./length.js";
import { short } from "./viewer.js";

const at = (id) => document.getElementById(id);
const tell = (words) => { at("busy").textContent = words; };
const form = at("rig");
let asked = 0;

async function put(files) {
  at("refused").replaceChildren();
  for (const [number, file] of files.entries()) {
    tell(`Taking over ${number + 1} of ${files.length} …`);
    const answer = await fetch(`/calibrate/photos?name=${encodeURIComponent(file.name)}`, { method: "PUT", body: file }).catch(() => null);
    if (answer?.ok) continue;
    const told = await answer?.json().catch(() => null);
    refused(file.name, told?.error?.words?.replace(`${file.name}: `, "") ?? "it could not be sent.");
  }
  read();
}

async function read() {
  const mine = ++asked;
  tell("Reading the lines …");
  const told = await ask("/calibrate/rig", Object.fromEntries(new FormData(form)))
    .then(() => ask("/calibrate/read.json", undefined, "GET"))
    .catch((fault) => { tell(fault.message); });
  if (!told || mine !== asked) return;
  tell(told.photos.length ? `${plural(told.photos.length, "photo")} read.` : "");
  at("clear").hidden = !told.photos.length;
  at("rulings").replaceChildren(...told.photos.map(photo));
  drawing.stay(told.photos.map((one) => one.id));
  together(told);
}

function element(name, words, kind) {
  const made = document.createElement(name);
  if (words !== undefined) made.textContent = words;
  if (kind) made.className = kind;
  return made;
}

function photo(one) {
  const item = at("ruling").content.firstElementChild.cloneNode(true);
  item.querySelector("h3").textContent = one.name;
  const button = item.querySelector(".away");
  button.setAttribute("aria-label", `Put ${one.name} away`);
  button.onclick = () => ask("/calibrate/remove", { photo: one.id }).then(read).catch((fault) => tell(fault.message));
  const draw = item.querySelector(".draw-on");
  draw.hidden = !one.picture;
  if (one.good) draw.textContent = "Draw a known length instead";
  draw.setAttribute("aria-label", one.good ? `Draw a known length instead, on ${one.name}` : `No ruling: draw a known length on ${one.name}`);
  draw.onclick = () => drawing.open(one.id, one.name);
  const words = item.querySelector(".words");
  if (!one.good) {
    words.append(element("b", "No number: "), `${one.what}. `, one.remedy ? `${one.remedy}.` : "");
    return item;
  }
  words.append(element("b", `${one.um_per_px.toPrecision(5)} µm per pixel`), ` ± ${short(one.um_per_px_u, 2)} (standard uncertainty); ${plural(one.divisions, "division")} of ${one.division_um} µm at ${one.angle_deg.toFixed(1)}°. Lines lie within ${short(one.residual_px, 2)} px of where they should. ${Math.abs(one.bend_percent) < 0.05 ? "The lens keeps lengths alike up to the rim of the view, within 0.05 %" : `The lens changes lengths at the rim of the view by ${short(one.bend_percent, 2)} %`}.`);
  for (const warning of one.warnings) item.insertBefore(element("p", warning, "warning"), item.querySelector(".pictures"));
  const pictures = item.querySelector(".pictures");
  for (const [what, alt] of [["marked", `${one.name} with every line that was read marked and each tenth numbered`], ["charts", `Charts of ${one.name}: how far each line lies from its place, and the local length of a division`]]) {
    const link = element("a"), picture = element("img");
    picture.src = link.href = `/calibrate/picture/${one.id}/${what}?${asked}`;
    picture.alt = alt;
    link.target = "_blank";
    link.append(picture);
    pictures.append(link);
  }
  return item;
}

function together({ together: all, words, checks, photos }) {
  const place = at("together");
  at("accept").hidden = !all;
  if (!all) {
    place.replaceChildren(element("p", words || "The result appears here once a photo is read.", words ? "" : "quiet"));
    if (photos.some((one) => one.picture)) place.append(element("p", "Without a ruling, draw a known length on a photo in step 3; its rough scale is kept there.", "note"));
    return;
  }
  const parts = [element("p", `${all.um_per_px.toPrecision(5)} µm per pixel, standard uncertainty ${short(all.um_per_px_u, 2)} (${all.percent.toFixed(2)} %)`, "verdict")];
  const facts = [`From ${plural(all.rulings, "photo")}${all.rulings > 1 ? `, spread ${all.spread_percent.toFixed(2)} %` : "; two more with the ruling turned would make it surer"}.`];
  if (all.view_mm) facts.push(`The round view is ${short(all.view_mm)} mm across on the specimen.`);
  if (all.left_out.length) facts.push(`Left out, for they disagree with the others: ${all.left_out.join(", ")}.`);
  parts.push(element("p", facts.join(" ")));
  if (checks.length) parts.push(element("h3", "Compared with what is kept"));
  for (const one of checks) {
    const line = element("p");
    line.append(element("b", `${one.name}${one.date ? `, ${one.date}` : ""}: ${one.passed ? "agrees. " : "differs. "}`), one.words);
    parts.push(line, element("p", one.rule, "note"));
  }
  place.replaceChildren(...parts);
}

at("files").onchange = (event) => { put([...event.target.files]); event.target.value = ""; };
at("clear").onclick = () => ask("/calibrate/remove", { photo: "all" }).then(() => { at("refused").replaceChildren(); return read(); }).catch((fault) => tell(fault.message));
form.onsubmit = (event) => event.preventDefault();
form.onchange = read;
at("accept").onsubmit = async (event) => {
  event.preventDefault();
  const said = new FormData(at("accept"));
  try {
    const told = await ask("/calibrate/accept", { name: said.get("name"), count_with: said.get("count_with") === "on" });
    const link = element("a", "Open the certificate");
    link.href = `/calibrate/certificate/${told.certificate}`;
    link.target = "_blank";
    at("kept").replaceChildren(`Kept as ${told.name}. `, link, ...told.checks.map((one) => element("p", `${one.words} ${one.rule}`)));
    refreshStored();
  } catch (fault) {
    at("kept").textContent = fault.message;
  }
};

const drawing = drawingPlace({ kept: refreshStored });

async function refreshStored() {
  const fresh = new DOMParser().parseFromString(await (await fetch("/calibrate")).text(), "text/html");
  at("stored").parentElement.replaceWith(fresh.getElementById("stored").parentElement);
}

for (const kind of ["dragenter", "dragover"]) document.addEventListener(kind, (event) => { if (event.dataTransfer?.types.includes("Files")) { event.preventDefault(); at("tray").classList.add("over"); } });
document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) at("tray").classList.remove("over"); });
document.addEventListener("drop", (event) => { event.preventDefault(); at("tray").classList.remove("over"); put([...event.dataTransfer.files]); });
read();
