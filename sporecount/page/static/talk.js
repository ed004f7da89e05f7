// Talking to the program: requests, their errors in words, and the news.

export async function ask(address, said, method = "POST") {
  let answer;
  try {
    answer = await fetch(address, {
      method,
      headers: said === undefined ? {} : { "content-type": "application/json" },
      body: said === undefined ? undefined : JSON.stringify(said),
    });
  } catch {
    throw new Silence();
  }
  const told = await answer.json().catch(() => null);
  if (!answer.ok) {
    if (answer.status === 403) throw new Silence("This tab is of an earlier start of the program. Open the address that the terminal shows.");
    throw new Error(told?.error?.words ?? `The program answered ${answer.status}.`);
  }
  return told;
}

// The program does not answer: it was ended, or the lid was closed. What is said then is said again later.
export class Silence extends Error {
  constructor(words = "The program does not answer. Start it again; nothing is lost.") {
    super(words);
  }
}

export function news(kinds) {
  const source = new EventSource("/events");
  for (const [kind, told] of Object.entries(kinds)) {
    source.addEventListener(kind, (event) => told(JSON.parse(event.data)));
  }
  return source;
}

// Names a file that was not taken, with the reason, in the place's list of such files.
export function refused(name, why) {
  const line = document.createElement("li"), bold = document.createElement("b");
  bold.textContent = name;
  line.append(bold, `: ${why}`);
  document.getElementById("refused").append(line);
}

export const plural = (number, one, more = `${one}s`) => `${number} ${number === 1 ? one : more}`;

export function span(seconds) {
  if (seconds < 1.5) return "a second";
  if (seconds < 90) return `${Math.round(seconds)} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}
