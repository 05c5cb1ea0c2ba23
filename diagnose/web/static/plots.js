// The plots of a sheet: what was measured at once, then with good units or the suspect beside it.
import { drawn } from "./answer_curves.js";
import { name } from "./common.js";

const WAITS = { good: "Simulating good units…", suspect: "Drawing the first suspect…" };

const box = document.getElementById("plots");
if (box) {
  const status = document.getElementById("status");
  const columns = box.clientWidth > 1000 ? 2 : 1;
  const width = Math.floor(box.clientWidth / columns - (columns - 1) * 10);
  for (const step of box.dataset.steps.split(" ")) {
    status.textContent = WAITS[step] ?? "Drawing…";
    try {
      await drawn(box, `/sheet/${name}/plots/drawn`, { step, width });
      status.textContent = "";
      box.dataset.shown = step;
    } catch (error) {
      status.textContent = error.message;
      break;
    }
    if (!box.querySelector("figure")) break;
  }
}
