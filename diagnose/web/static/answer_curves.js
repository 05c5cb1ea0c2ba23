// The curves of an answer, on the page of the suspects and in the report.
import { name } from "./common.js";
import { liven, views } from "./curve.js";
import { ask } from "./server.js";

function address(box, suspect, size, panel) {
  const asked = new URLSearchParams({ suspect, ...size });
  for (const [k, view] of views(box)) asked.append("view", `${k}:${view}`);
  if (panel !== undefined) asked.set("panel", panel);
  return `/sheet/${name}/curves?${asked}`;
}

/** Draw the curves with one suspect's prediction into a box; not when another is `current` by then. */
export async function curves(box, suspect, size, current) {
  const drawn = await ask("GET", address(box, suspect, size));
  if (!current()) return;
  box.innerHTML = drawn;
  follow(box, suspect, size);
}

/** Let curves that stand in a box be looked at; `size` is the width, and the height where it is no usual one. */
export function follow(box, suspect, size) {
  liven(box, async (panel) => {
    const drawn = await ask("GET", address(box, suspect, size, panel));
    box.querySelector(`figure.curve[data-panel="${panel}"]`).outerHTML = drawn;
    follow(box, suspect, size);
  });
}
