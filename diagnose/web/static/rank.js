// Ranking with its progress: what the suspects and the report wait for.
import { make, name } from "./common.js";
import { Refused, ask, wait } from "./server.js";

const box = document.getElementById("progress");
const words = box.querySelector("[role=status]");
const steps = box.querySelector(".steps");
const cancel = document.getElementById("cancel");
const again = document.getElementById("again");
const EVERY = 250;
/** ms: so long an answer to a question of progress may take, and so long is waited before the next. */
const PATIENCE = 4000, LATER = 1500;

/** Rank the sheet; true once there is an answer, false when it was cancelled or refused. */
export async function rank() {
  again.hidden = true;
  let state;
  try {
    state = await followed();
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    state = { state: "refused", text: error.message };
  }
  if (state.state === "done") {
    box.hidden = true;
    return true;
  }
  ended(state);
  return false;
}

/** The state of the ranking once nothing more happens. */
async function followed() {
  const began = performance.now();
  let state = await started();
  while (["waiting", "running", "none"].includes(state.state)) {
    // a ranking from the store is there at once: nothing to look at
    if (state.state !== "none" && performance.now() - began > 150) show(state);
    await wait(EVERY);
    // a server that was started anew knows of no ranking: it begins it, and what was simulated is kept
    state = state.state === "none" ? await started() : await answered("GET");
  }
  return state;
}

const started = () => answered("POST");

/** The state of the ranking; as long as the server does not answer, it is said so and asked again. */
async function answered(method) {
  for (;;) {
    try {
      return await ask(method, `/sheet/${name}/rank`, undefined, { signal: AbortSignal.timeout(PATIENCE) });
    } catch (error) {
      if (error instanceof Refused) throw error;
      lost();
      await wait(LATER);
    }
  }
}

function lost() {
  box.hidden = false;
  cancel.hidden = true;
  say("The page's server does not answer. Was it ended, or the machine? As soon as it is there again, this goes on.");
}

function show(state) {
  box.hidden = false;
  cancel.hidden = false;
  const waits = state.state === "waiting";
  say(waits ? "Waiting for another sheet to be ranked…" : "Simulating the stage with every fault…");
  draw(state.steps);
  const left = state.left && (waits ? `That takes ${state.left} at least.` : `This step: ${state.left} left.`);
  steps.append(make("p", { class: "dim" }, `${clock(state.seconds)} so far. ${left}`));
}

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

/** What is said aloud is said once. */
function say(text) {
  if (words.textContent !== text) words.textContent = text;
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
