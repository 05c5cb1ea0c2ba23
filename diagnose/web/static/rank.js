// Ranking with its progress: what the suspects and the report wait for.
import { make, name } from "./common.js";
import { ask, wait } from "./server.js";

const box = document.getElementById("progress");
const words = box.querySelector("[role=status]");
const steps = box.querySelector(".steps");
const cancel = document.getElementById("cancel");
const again = document.getElementById("again");
const EVERY = 250;

/** Rank the sheet; true once there is an answer, false when it was cancelled or refused. */
export async function rank() {
  let state = await ask("POST", `/sheet/${name}/rank`);
  const began = performance.now();
  again.hidden = true;
  while (state.state === "waiting" || state.state === "running") {
    // a ranking from the store is there at once: nothing to look at
    if (performance.now() - began > 150) show(state);
    await wait(EVERY);
    state = await ask("GET", `/sheet/${name}/rank`);
  }
  if (state.state === "done") {
    box.hidden = true;
    return true;
  }
  ended(state);
  return false;
}

function show(state) {
  box.hidden = false;
  cancel.hidden = false;
  words.textContent = state.state === "waiting"
    ? "Waiting for another sheet to be ranked…" : "Simulating the stage with every fault…";
  draw(state.steps);
}

function draw(list) {
  steps.replaceChildren(...list.map(([what, done, total]) => make("p", {},
    make("label", {}, `${what}: ${done} of ${total}`,
      make("progress", { max: total, value: done })))));
}

function ended(state) {
  box.hidden = false;
  cancel.hidden = true;
  again.hidden = state.state === "mistakes";
  if (state.state === "cancelled") {
    words.textContent = "Cancelled. What was simulated so far:";
    draw(state.steps);
  } else if (state.state === "mistakes") {
    words.textContent = "The sheet cannot be ranked as it stands:";
    steps.replaceChildren(
      make("ul", {}, state.problems.map(({ text, where, field }) => make("li", { class: "problem pre" },
        where ? [make("a", { href: `/sheet/${name}#${field}` }, where), `: ${text}`] : text))),
      make("p", {}, make("a", { href: `/sheet/${name}` }, "To the sheet")));
  } else {
    words.textContent = "There is no answer:";
    steps.replaceChildren(make("p", { class: "problem pre" }, state.text || state.state));
  }
}

cancel.addEventListener("click", () => ask("DELETE", `/sheet/${name}/rank`));
again.addEventListener("click", () => location.reload());
