// The record of a job: kept a moment after a field was typed in, and before the page is left.
import { name } from "./common.js";
import { ask } from "./server.js";

const PAUSE = 700; // ms without a key

/** Keep what is typed into the form; `kept` is called once it is with the server. */
export function record(form, kept) {
  const status = document.getElementById("record-status");
  let waiting = 0;
  let typed = JSON.stringify(read(form));
  const save = async (how = {}) => {
    clearTimeout(waiting);
    waiting = 0;
    const now = JSON.stringify(read(form));
    if (now === typed) return;
    try {
      await ask("PUT", `/sheet/${name}/record`, JSON.parse(now), how);
      typed = now;
      status.textContent = "saved";
      if (!how.keepalive) await kept();
    } catch (error) {
      status.textContent = `not saved: ${error.message}`;
      // a server that is away is asked again; what it refuses waits for another key
      if (!error.status) waiting = setTimeout(save, 5 * PAUSE);
    }
  };
  form.addEventListener("input", () => {
    status.textContent = "typing…";
    clearTimeout(waiting);
    waiting = setTimeout(save, PAUSE);
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  window.addEventListener("pagehide", () => { if (waiting) save({ keepalive: true }); });
}

const read = (form) => Object.fromEntries(new FormData(form));
