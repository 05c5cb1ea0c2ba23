// The readings of a sheet: of a unit in a fold a stage, each with what was read in it; of one stage as they stand.
import { counted, folds } from "./by_stage.js";
import { make } from "./common.js";

const open = new Map([["tracing", true]]);

/** All rows of the readings; those of a unit by stage, signal tracing first. */
export function byStage(sheet, choices, fields) {
  const { chain } = choices.stage || {};
  const row = (k) => (chain ? shorter(fields.reading(k), chain) : fields.reading(k));
  if (!chain) return make("div", { id: "readings" }, sheet.readings.map((_, k) => row(k)));
  const made = folds(sheet.readings, chain).map((fold) => make("details",
    { id: `fold-${fold.id}`, class: "fold", open: open.get(fold.id) || false, ontoggle: (event) => open.set(fold.id, event.target.open) },
    make("summary", {}, make("b", {}, fold.name), " ", make("span", {}, fold.title), " ", make("span", { class: "count" }, counted(fold))),
    fold.rows.map(row)));
  return make("div", { id: "readings", oninput: (event) => count(event.currentTarget, sheet, chain) }, made);
}

/** What is said of a node names its stage, as the node itself does beside it: once is enough. */
function shorter(row, chain) {
  for (const said of row.querySelectorAll(".says")) {
    const [name] = chain.members.find(([word]) => said.textContent.startsWith(`${word}: `)) || [];
    if (name) said.textContent = said.textContent.slice(name.length + 2);
  }
  return row;
}

/** Say anew how many were read. */
function count(box, sheet, chain) {
  for (const fold of folds(sheet.readings, chain)) {
    const said = box.querySelector(`#fold-${CSS.escape(fold.id)} .count`);
    if (said) said.textContent = counted(fold);
  }
}

/** The fields of part values, of a unit in a fold a stage; how many differ stands beside. */
export function valuesByStage(box, choices) {
  const { chain } = choices.stage || {};
  if (!chain) return box;
  const rows = [...box.children];
  const of = (row) => row.dataset.row.slice("values/".length).split(/[ .]/)[0];
  const names = [...chain.members, ...chain.supplies.map((name) => [name, "supply"])];
  const made = names.map(([name, title]) => [name, title, rows.filter((row) => of(row) === name)]).filter(([, , mine]) => mine.length)
    .map(([name, title, mine]) => {
      const differ = mine.filter((row) => row.classList.contains("changed")).length;
      return make("details", { id: `parts-${name}`, class: "fold", open: differ > 0 },
        make("summary", {}, make("b", {}, name), " ", make("span", {}, title), " ", make("span", { class: "count" }, differ ? `${differ} differ` : "")),
        make("div", { class: "parts" }, mine));
    });
  const known = new Set(names.map(([name]) => name));
  return make("div", {}, made, make("div", { class: "parts" }, rows.filter((row) => !known.has(of(row)))));
}

/** Open whatever a field is folded into, so that it can be seen and typed in. */
export function unfold(field) {
  for (let fold = field?.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
}
