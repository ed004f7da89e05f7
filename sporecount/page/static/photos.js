// The Photos place: sending files, progress, and the list.
import { ask, news, plural, refused, span, Silence } from "./talk.js";

const at = (id) => document.getElementById(id);
const LANES = 3;
const RETRY_MS = 2000;

// ---- sending -------------------------------------------------------------

const sending = { queue: [], total: 0, bytes: 0, sentBytes: 0, done: 0, began: 0, running: 0, open: new Set(), called: false };

async function put(files) {
  const named = files.filter((one) => one.file.size >= 0 && !/(^|\/)\./.test(one.name));
  named.sort((a, b) => isTable(b) - isTable(a) || a.name.localeCompare(b.name, undefined, { numeric: true }));
  if (!named.length) return;
  let wanted = named.map((_, index) => index);
  try {
    const list = named.map((one) => ({ name: one.name, size: one.file.size }));
    wanted = (await ask("/photos/offer", { files: list })).send;
  } catch (fault) {
    refused("The list of files", fault.message);
  }
  const here = named.length - wanted.length;
  if (here) refused(plural(here, "file"), "here already, with the same name and size.");
  if (!sending.queue.length && !sending.running) Object.assign(sending, { total: 0, bytes: 0, sentBytes: 0, done: 0, began: performance.now(), called: false });
  for (const index of wanted) {
    sending.queue.push(named[index]);
    sending.total += 1;
    sending.bytes += named[index].file.size;
  }
  while (sending.running < LANES && sending.queue.length) lane();
  if (!wanted.length) ask("/count/go").catch(() => {});
}

const isTable = (one) => one.name === "session.csv";

async function lane() {
  sending.running += 1;
  while (sending.queue.length && !sending.called) {
    const one = sending.queue.shift();
    try {
      const told = await send(one);
      if (told.same_as) refused(one.name, `the same photo as ${told.same_as}; it counts once.`);
    } catch (fault) {
      if (fault instanceof Silence && !sending.called) {
        sending.queue.unshift(one);
        at("sent-words").textContent = "The program does not answer; sending goes on when it does.";
        await new Promise((again) => setTimeout(again, RETRY_MS));
        continue;
      }
      if (!sending.called) refused(one.name, fault.message.replace(`${one.name}: `, ""));
    }
    sending.done += 1;
    paintSending();
  }
  sending.running -= 1;
  paintSending();
}

function send({ name, file }) {
  return new Promise((good, bad) => {
    const request = new XMLHttpRequest();
    let before = 0;
    sending.open.add(request);
    request.upload.onprogress = (event) => {
      sending.sentBytes += event.loaded - before;
      before = event.loaded;
      paintSending();
    };
    request.onloadend = () => {
      sending.open.delete(request);
      sending.sentBytes += file.size - before;
      let told = null;
      try { told = JSON.parse(request.responseText); } catch { /* no words came */ }
      if (request.status === 200) good(told);
      else if (request.status === 0) { sending.sentBytes -= file.size; bad(new Silence()); }
      else bad(new Error(told?.error?.words ?? `not taken (${request.status}).`));
    };
    request.open("PUT", `/photos?name=${encodeURIComponent(name)}`);
    request.send(file);
  });
}

function paintSending() {
  const busy = sending.running > 0;
  at("sending").hidden = !busy;
  if (!busy) return;
  at("sent").value = sending.bytes ? sending.sentBytes / sending.bytes : 0;
  const seconds = (performance.now() - sending.began) / 1000;
  const rate = sending.sentBytes / Math.max(seconds, 0.05);
  const left = (sending.bytes - sending.sentBytes) / Math.max(rate, 1);
  at("sent-words").textContent = `Taking over ${Math.min(sending.done + 1, sending.total)} of ${sending.total}, ${(rate / 1e6).toFixed(0)} MB/s, ${span(left)} left`;
}

at("cancel").onclick = () => {
  sending.called = true;
  sending.queue.length = 0;
  for (const request of sending.open) request.abort();
};

// ---- drop and choose -----------------------------------------------------

const tray = at("tray");
for (const kind of ["dragenter", "dragover"]) {
  document.addEventListener(kind, (event) => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    tray.classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) tray.classList.remove("over"); });
document.addEventListener("drop", async (event) => {
  if (!event.dataTransfer?.files.length && !event.dataTransfer?.items.length) return;
  event.preventDefault();
  tray.classList.remove("over");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) { put([...event.dataTransfer.files].map((file) => ({ name: file.name, file }))); return; }
  const found = [];
  for (const entry of entries) await walk(entry, "", found);
  // one folder alone is the session itself: its own name makes no print
  put(entries.length === 1 && entries[0].isDirectory ? found.map((one) => ({ ...one, name: inner(one.name) })) : found);
});

const inner = (name) => name.split("/").slice(1).join("/") || name;

async function walk(entry, before, found) {
  const name = before + entry.name;
  if (entry.isFile) {
    const file = await new Promise((good, bad) => entry.file(good, bad)).catch(() => null);
    if (file) found.push({ name, file });
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    const some = await new Promise((good, bad) => reader.readEntries(good, bad)).catch(() => []);
    if (!some.length) return;
    if (some.some((one) => one.name === ".kept")) return; // results of an earlier count
    for (const one of some) await walk(one, `${name}/`, found);
  }
}

at("files").onchange = (event) => {
  put([...event.target.files].map((file) => ({ name: file.name, file })));
  event.target.value = "";
};
at("folder").onchange = (event) => {
  const files = [...event.target.files];
  const results = files.filter((file) => file.webkitRelativePath.includes("/.kept/")).map((file) => file.webkitRelativePath.split("/.kept/")[0] + "/");
  put(files
    .filter((file) => !results.some((folder) => file.webkitRelativePath.startsWith(folder)))
    .filter((file) => file.type.startsWith("image/") || /\.(hei[cf]|hif|tiff?|csv)$/i.test(file.name))
    .map((file) => ({ name: inner(file.webkitRelativePath), file })));
  event.target.value = "";
};

// ---- counting ------------------------------------------------------------

let painted = false;
function paintState(state) {
  const busy = state.doing === "counting" || state.doing === "writing";
  at("stop").hidden = !busy;
  if (state.doing === "waiting" && !state.results && !painted) return; // nothing happened yet: the page says it all
  painted = true;
  at("go").hidden = !["stopped", "fault"].includes(state.doing);
  at("done").max = state.total || 1;
  at("done").value = state.done;
  const words = at("done-words");
  if (state.doing === "counting") {
    const rate = state.per_s ? `, ${state.per_s >= 1 ? state.per_s.toFixed(1) + " photos a second" : (1 / state.per_s).toFixed(1) + " s a photo"}` : "";
    words.textContent = state.total ? `${state.done} of ${state.total} counted${rate}${state.left_s ? `, about ${span(state.left_s)} left` : ""}.` : "Looking into the folder …";
  } else if (state.doing === "writing") words.textContent = `All ${state.total} looked at; tallying the prints and writing the results …`;
  else if (state.doing === "stopped") words.textContent = `Stopped at ${state.done} of ${state.total}. What is counted is kept.`;
  else if (state.doing === "fault") words.textContent = state.words;
  else if (state.results) words.textContent = "All photos are counted; the prints have their cards.";
}

const list = at("photos");
const tiles = new Map([...list.children].map((tile) => [tile.dataset.photo, tile]));

function paintPhoto(said) {
  let tile = tiles.get(said.photo);
  if (!tile) {
    tile = at("photo").content.firstElementChild.cloneNode(true);
    tile.dataset.photo = said.photo;
    tiles.set(said.photo, tile);
    list.append(tile);
  }
  const picture = tile.querySelector("img");
  if (picture && (said.state === "counted" || said.state === "kept")) {
    if (!picture.getAttribute("src") || said.state === "counted") picture.src = `/photo/${said.id}/small.jpg?${said.state === "counted" ? Date.now() : ""}`;
    picture.hidden = false;
    tile.querySelector(".blank")?.remove();
  }
  const name = tile.querySelector(".name");
  if (said.state === "counted" || said.state === "kept") {
    const link = document.createElement("a");
    link.href = `/field/${said.id}`;
    link.textContent = said.photo;
    name.replaceChildren(link);
  } else name.textContent = said.photo;
  tile.querySelector(".mark").replaceChildren(...(said.flag ? [at(`flag-${said.flag}`).content.cloneNode(true)] : []));
  tile.querySelector(".words").textContent = said.words ?? "";
}

news({ state: paintState, photo: paintPhoto });

at("go").onclick = () => ask("/count/go").catch((fault) => { at("done-words").textContent = fault.message; });
at("stop").onclick = () => ask("/count/stop").catch((fault) => { at("done-words").textContent = fault.message; });
at("watch").onchange = (event) => ask("/count/watch", { on: event.target.checked }).catch((fault) => { at("done-words").textContent = fault.message; });

const form = at("scale");
form.onsubmit = async (event) => {
  event.preventDefault();
  const said = Object.fromEntries(new FormData(form));
  if (said.by === "adapter" && !said.objective) said.objective = form.adapter.selectedOptions[0]?.dataset.objective ?? "";
  try {
    await ask("/count/scale", said);
    at("scale-said").textContent = "Photos are counted this way from now on.";
  } catch (fault) {
    at("scale-said").textContent = fault.message;
  }
};
form.adapter?.addEventListener("change", () => {
  form.by.value = "adapter";
  form.objective.value = form.adapter.selectedOptions[0]?.dataset.objective ?? "";
});
form.um_per_px.addEventListener("input", () => { form.by.value = "um_per_px"; });
