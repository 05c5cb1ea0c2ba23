// Ranking with its progress: what the suspects and the report wait for.
import { make, name } from "./common.js";
import { Refused, Silent, ask, wait } from "./server.js";

const box = document.getElementById("progress");
const words = box.querySelector("[role=status]");
const steps = box.querySelector(".steps");
const cancel = document.getElementById("cancel");
const again = document.getElementById("again");
const EVERY = 250;
/** After so long without an answer it is said, in milliseconds; then it is asked again as often. */
const SILENCE = 3000;
const LOOK = 1000;
/** A server that takes a question and says nothing is asked anew after this. */
const LONG = 20_000;
/** How often a ranking is begun again because its answer was gone with the server. */
const TRIES = 5;
let restarted = false;

/** An answer about the ranking, however long the server is away. */
async function sure(method) {
  for (;;) {
    const quiet = setTimeout(lost, SILENCE);
    try {
      return await ask(method, `/sheet/${name}/rank`, undefined, { signal: AbortSignal.timeout(LONG) });
    } catch (error) {
      if (!(error instanceof Silent)) throw error;
      lost();
      await wait(LOOK);
    } finally {
      clearTimeout(quiet);
    }
  }
}

/** The server is away: said, with how far it was. */
function lost() {
  box.hidden = false;
  cancel.hidden = true;
  box.classList.add("lost");
  say("The server does not answer. It is looked for every second; when it is back, the ranking goes on with what was simulated so far. Nothing that you typed is lost.");
}

/** Rank the sheet; true once there is an answer, false when it was cancelled or refused. */
async function rank() {
  let state = await sure("POST");
  const began = performance.now();
  again.hidden = true;
  while (["waiting", "running", "none"].includes(state.state)) {
    box.classList.remove("lost");
    // a ranking from the store is there at once: nothing to look at
    if (performance.now() - began > 150) show(state);
    await wait(EVERY);
    // a server that was started anew knows of no ranking
    restarted ||= state.state === "none";
    state = await sure(state.state === "none" ? "POST" : "GET");
  }
  box.classList.remove("lost");
  if (state.state === "done") {
    box.hidden = true;
    return true;
  }
  ended(state);
  return false;
}

/** Rank the sheet and get something of its answer; nothing when it was cancelled or refused. */
export async function ranked(get) {
  for (let k = 1; ; k += 1) {
    try {
      return await rank() ? await get() : null;
    } catch (error) {
      if (error instanceof Silent) lost();
      else if (!(error instanceof Refused) || k === TRIES) return ended({ state: "refused", text: error.message, steps: [] }), null;
      await wait(LOOK);
    }
  }
}

function show(state) {
  box.hidden = false;
  cancel.hidden = false;
  const waits = state.state === "waiting";
  say((waits ? "Waiting for another sheet to be ranked…" : "Simulating the stage with every fault…")
    + (restarted ? " The server was started anew; what had been simulated before counts." : ""));
  draw(state.steps || []);
  if (state.left === undefined) return;
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
    say("Cancelled. What was simulated so far:");
    draw(state.steps);
  } else if (state.state === "mistakes") {
    say("The sheet cannot be ranked as it stands:");
    steps.replaceChildren(
      make("ul", {}, state.problems.map(({ text, where, field }) => make("li", { class: "problem pre" },
        where ? [make("a", { href: `/sheet/${name}#${field}` }, where), `: ${text}`] : text))),
      make("p", {}, make("a", { href: `/sheet/${name}` }, "To the sheet")));
  } else {
    say("There is no answer:");
    steps.replaceChildren(make("p", { class: "problem pre" }, state.text || state.state));
  }
}

cancel.addEventListener("click", () => ask("DELETE", `/sheet/${name}/rank`));
again.addEventListener("click", () => location.reload());
