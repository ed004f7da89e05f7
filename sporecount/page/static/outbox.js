// Decisions on their way to the program. They wait in the browser's own store until they are written down, so
// that neither a reload nor a program that was ended loses one. Each has an id and is written once.
import { ask, Silence } from "./talk.js";

const RETRY_MS = 1500;
const drawer = `outbox-${document.body.dataset.session}`;

const read = () => { try { return JSON.parse(localStorage.getItem(drawer)) ?? []; } catch { return []; } };
const write = (list) => localStorage.setItem(drawer, JSON.stringify(list));

export const pending = () => read().length > 0;

let busy = false;
let told = { written() {}, waiting() {}, refused() {} };

export function whenWritten(tell) { told = { ...told, ...tell }; }

export function put(decision) {
  const line = { ...decision, id: crypto.randomUUID() };
  write([...read(), line]);
  send();
  return line;
}

export async function send() {
  if (busy) return;
  busy = true;
  try {
    for (let first = read()[0]; first; first = read()[0]) {
      try {
        const answer = await ask("/recheck/say", first);
        told.written(first, answer);
      } catch (fault) {
        if (fault instanceof Silence) {
          told.waiting(read().length, fault.message);
          setTimeout(send, RETRY_MS);
          return;
        }
        told.refused(first, fault.message);
      }
      write(read().filter((one) => one.id !== first.id));
      told.waiting(read().length, "");
    }
  } finally {
    busy = false;
  }
}
