// Good units under drive behind the plots: begun, followed with its progress, and stopped by a button.
import { ask, wait } from "./server.js";

const LOOK = 500;
const SOON = 400; // ms: what is kept is there by then, and nothing is shown of it
const LOST = 5; // looks without an answer after which it is said

const box = document.getElementById("driven");

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

/** What is said of how far it is: a line, what is done in words, and the time. */
export function words({ state, done, total, seconds }) {
  return {
    line: state === "waiting" ? "Waiting for good units of another sheet…" : "Simulating good units under drive, which takes minutes. All else goes on meanwhile.",
    done: total ? `${done} of ${total}` : "", time: `${clock(seconds)} so far`,
  };
}

function show(told) {
  const said = words(told);
  box.hidden = false;
  const line = box.querySelector("[role=status]");
  if (line.textContent !== said.line) line.textContent = said.line; // said aloud once
  box.querySelector("label span").textContent = said.done;
  const bar = box.querySelector("progress");
  if (told.total) Object.assign(bar, { max: told.total, value: told.done });
  else bar.removeAttribute("value");
  box.querySelector(".dim").textContent = said.time;
}

/** Have them made; true once they can be drawn, false when they were stopped or nothing is `current` any more. */
export async function driven(path, current) {
  let silent = 0;
  let told = await ask("POST", path);
  const began = performance.now();
  const button = box.querySelector("button");
  button.onclick = () => ask("DELETE", path).catch(() => { /* asked again by whoever presses again */ });
  while (current() && ["waiting", "running"].includes(told.state)) {
    if (performance.now() - began > SOON) show(told);
    await wait(LOOK);
    try {
      told = await ask("GET", path);
      silent = 0;
    } catch (error) {
      silent += 1;
      if (silent >= LOST) throw error;
    }
  }
  if (!current()) return false;
  box.hidden = true;
  if (told.state === "refused") throw new Error(`Good units under drive are not drawn: ${told.text}`);
  return told.state === "done";
}
