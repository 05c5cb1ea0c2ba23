// The plots of a sheet: what was measured at once, then with good units or the suspect beside it; drawn anew as readings come.
import { drawn } from "./answer_curves.js";
import { name } from "./common.js";
import { driven } from "./plots_driven.js";
import { Silent, ask, wait } from "./server.js";

const WAITS = { good: "Simulating good units…", suspect: "Drawing the first suspect…" };
const EVERY = 2000; // ms between two looks whether the sheet has changed
const BASE = `/sheet/${name}/plots`;

const box = document.getElementById("plots");
const status = document.getElementById("status");

const tables = () => [...box.querySelectorAll("figure > details")];

/** Draw one step after the other; `current()` until the sheet has changed. `whole` has what was measured drawn first. */
async function draw(steps, current, whole) {
  const columns = box.clientWidth > 1000 ? 2 : 1;
  const width = Math.floor(box.clientWidth / columns - (columns - 1) * 10);
  for (const step of whole || steps.length < 2 ? steps : steps.slice(1)) {
    status.textContent = WAITS[step] ?? (step === "driven" ? "" : "Drawing…");
    try {
      if (step === "driven" && !await driven(`${BASE}/driven`, current)) {
        if (current()) status.textContent = "Good units under drive were stopped; with this page loaded anew they go on.";
        return;
      }
      const open = tables().map((one) => one.open);
      await drawn(box, `${BASE}/drawn`, { step, width }, current);
      if (current()) tables().forEach((one, k) => { one.open = Boolean(open[k]); });
    } catch (error) {
      if (current()) status.textContent = error.message;
      return;
    }
    if (!current()) return;
    status.textContent = "";
    box.dataset.shown = step;
    if (!box.querySelector("figure")) return;
  }
}

/** Look whether the sheet has another reading, as long as the page is looked at, and draw anew. */
async function follow() {
  let { written } = box.dataset;
  let number = 0;
  const begin = (steps, whole) => {
    number += 1;
    const mine = number;
    draw(steps, () => mine === number, whole);
  };
  begin(box.dataset.steps.split(" "), true);
  for (;;) {
    await wait(EVERY);
    if (document.hidden) continue;
    try {
      const now = await ask("GET", `${BASE}/steps`);
      if (now.written === written || !now.steps.length) continue;
      written = now.written;
      // what stands there goes on standing until more than that is drawn
      begin(now.steps, !box.querySelector("figure"));
    } catch (error) {
      if (!(error instanceof Silent)) return; // the sheet is gone
    }
  }
}

if (box) follow();
