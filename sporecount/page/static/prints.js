// The Prints place: new cards whenever new results are written.
import { news } from "./talk.js";

let seen = null;
news({
  async state(state) {
    if (seen !== null && state.results !== seen) {
      const fresh = new DOMParser().parseFromString(await (await fetch("/prints")).text(), "text/html");
      document.getElementById("cards").replaceWith(fresh.getElementById("cards"));
    }
    seen = state.results;
  },
});
