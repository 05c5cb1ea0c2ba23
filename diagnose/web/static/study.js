// A study: at most one simulation is asked for at a time, and then the latest value.
import { clickable, make, mark, name, reveal } from "./common.js";
import { liven, views } from "./curve.js";
import { latest } from "./latest.js";
import { ask } from "./server.js";

const form = document.getElementById("study");
if (form) {
  const modes = JSON.parse(document.getElementById("modes").textContent);
  const [part, mode, size] = ["part", "mode", "size"].map((id) => document.getElementById(id));
  const status = document.getElementById("status");
  const drawing = document.getElementById("drawing");
  const curve = document.getElementById("curve");
  const rows = document.getElementById("rows");

  function fill() {
    mode.replaceChildren(...modes[part.value].map(([word]) => make("option", { value: word }, word)));
    mark(drawing, part.value);
    reveal(drawing, part.value);
  }

  function sized() {
    const found = modes[part.value].find(([word]) => word === mode.value);
    size.disabled = !(found && found[1]);
  }

  const move = latest(async (number, current) => {
    if (!rows.children.length) status.textContent = "Simulating good units…";
    try {
      const told = await ask("POST", `/sheet/${name}/study`, {
        part: part.value, mode: mode.value, place: Number(size.value) / 100, number,
        width: curve.clientWidth, view: views(curve)[0]?.[1] || "",
      });
      if (!current()) return; // a later value is on its way
      curve.innerHTML = told.chart;
      liven(curve, move);
      rows.innerHTML = told.table;
      document.getElementById("size-words").textContent = told.size;
      size.setAttribute("aria-valuetext", told.size);
      status.textContent = `${part.value} ${mode.value}${told.size ? ", " + told.size : ""}: `
        + `${told.moved} readings move further than good units and meters spread.`;
      form.dataset.shown = `${part.value}:${mode.value}:${size.value}`;
    } catch (error) {
      if (current()) status.textContent = error.message;
    }
  });

  part.addEventListener("change", () => { fill(); sized(); move(); });
  mode.addEventListener("change", () => { sized(); move(); });
  size.addEventListener("input", move);
  form.addEventListener("submit", (event) => event.preventDefault());
  clickable(drawing, (found) => {
    if (!modes[found]) return;
    part.value = found;
    part.dispatchEvent(new Event("change"));
  });
  if (modes[form.dataset.part]) part.value = form.dataset.part;
  fill();
  if (form.dataset.mode) mode.value = form.dataset.mode;
  if (!mode.value) mode.selectedIndex = 0;
  sized();
  move();
}
