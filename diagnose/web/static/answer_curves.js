// Curves that the server draws: of an answer, on the page of the suspects and in the report, and of a sheet.
import { name } from "./common.js";
import { liven, views } from "./curve.js";
import { ask } from "./server.js";

function address(box, path, asked, panel) {
  const words = new URLSearchParams(asked);
  for (const [k, view] of views(box)) words.append("view", `${k}:${view}`);
  if (panel !== undefined) words.set("panel", panel);
  return `${path}?${words}`;
}

/** Draw curves into a box, and let them be looked at; not when something else is `current` by then. */
export async function drawn(box, path, asked, current = () => true) {
  const made = await ask("GET", address(box, path, asked));
  if (!current()) return;
  box.innerHTML = made;
  watch(box, path, asked);
}

function watch(box, path, asked) {
  liven(box, async (panel) => {
    const made = await ask("GET", address(box, path, asked, panel));
    const before = box.querySelector(`figure.curve[data-panel="${panel}"]`);
    const open = Boolean(before.querySelector("details")?.open);
    before.outerHTML = made;
    const table = box.querySelector(`figure.curve[data-panel="${panel}"] details`);
    if (table) table.open = open;
    watch(box, path, asked);
  });
}

const path = `/sheet/${name}/curves`;

/** Draw the curves with one suspect's prediction into a box; not when another is `current` by then. */
export const curves = (box, suspect, size, current) => drawn(box, path, { suspect, ...size }, current);

/** Let curves that stand in a box be looked at; `size` is the width, and the height where it is no usual one. */
export const follow = (box, suspect, size) => watch(box, path, { suspect, ...size });
