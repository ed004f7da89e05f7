// The Prints place: new cards whenever new results are written; maps and plans when there is time for them.
import { ask, news } from "./talk.js";

const cards = () => document.getElementById("cards");
let seen = null, again = 0;

async function fetchCards() {
  if (cards().contains(document.activeElement) && document.activeElement.matches("input")) { later(); return; } // nobody loses what is typed
  const fresh = new DOMParser().parseFromString(await (await fetch("/prints")).text(), "text/html");
  cards().replaceWith(fresh.getElementById("cards"));
  dress();
}

function later() { clearTimeout(again); again = setTimeout(fetchCards, 1200); }

async function dress() {
  for (const card of document.querySelectorAll("[data-print]")) {
    const picture = card.querySelector(".map img");
    if (!picture || picture.src) continue;
    const answer = await fetch(`/prints/${card.dataset.print}/map.svg`).catch(() => null);
    if (answer?.status !== 200) continue;
    picture.src = URL.createObjectURL(await answer.blob());
    card.querySelector(".map").hidden = false;
  }
  const told = await ask("/prints/plan.json", undefined, "GET").catch(() => null);
  for (const [print, words] of Object.entries(told?.prints ?? {})) {
    const place = document.querySelector(`[data-print="${print}"] .plan`);
    if (!place || !words) continue;
    place.textContent = words;
    place.hidden = false;
  }
}

document.addEventListener("change", async (event) => {
  const form = event.target.closest(".decide");
  if (!form) return;
  const said = new FormData(form), status = form.querySelector("[role=status]");
  if (event.target.name === "note" && said.get("says") === "open") return; // a note goes with a decision
  try {
    const told = await ask("/prints/decide", {
      id: crypto.randomUUID(), sample: form.closest("[data-sample]").dataset.sample, says: said.get("says"),
      note: said.get("note"), reader: localStorage.getItem("reader") ?? "",
    });
    status.textContent = told.says === "open" ? "Kept: no decision yet." : `Kept: ${told.says}, ${told.made_at.slice(0, 16).replace("T", " ")} UTC.`;
  } catch (fault) {
    status.textContent = `Not kept. ${fault.message}`;
  }
});

news({
  state(state) { if (seen !== null && state.results !== seen) fetchCards(); seen = state.results; },
  tally() { later(); },
});
dress();
