// Keys and the clipboard on the readings of a sheet: from value to value, and a block from a spreadsheet at once.
import { cells, headed, put } from "./block.js";
import { slug } from "./rows.js";
import { down, further, lines, rowOf, sideways } from "./walk.js";

const OPENS = [" ", "F4"];
const SELECTS = ["ArrowUp", "ArrowDown", "ArrowLeft", "ArrowRight", "Home", "End", "PageUp", "PageDown"];

/** Listen on a form that stays while what is in it is drawn again; `told` is called with what a paste did. */
export function walking(form, fields, shaped, typed, told) {
  form.addEventListener("keydown", (event) => {
    const field = event.target.dataset?.field ?? event.target.closest("[data-row]")?.dataset.row;
    const row = field && rowOf(field);
    if (!row || event.defaultPrevented || (event.target.tagName === "BUTTON" && event.key === "Enter")) return;
    if (event.target.tagName === "SELECT" && opens(event)) return;
    const by = down(event);
    const way = by ? 0 : sideways(event, about(event.target));
    if (by || way || (event.target.tagName === "SELECT" && SELECTS.includes(event.key))) event.preventDefault();
    if (by) go(document.getElementById(slug(next(field, by) || "")) || (by > 0 && !row.startsWith("repaired") ? document.getElementById("add-readings") : null));
    if (way) go(beside(event.target, way));
  });
  form.addEventListener("paste", (event) => {
    const field = event.target.dataset?.field;
    const rows = field?.startsWith("readings/") && cells(event.clipboardData.getData("text/plain"));
    if (!rows) return;
    event.preventDefault();
    const done = put(fields.sheet, field, headed(rows, fields.choices.units));
    shaped(field);
    typed(field);
    told(`${done.put} value${done.put === 1 ? "" : "s"} pasted${done.left ? `, ${done.left} had no row` : ""}`);
  });

  function next(field, by) {
    const row = rowOf(field);
    const repaired = /^repaired\/(\d+)\//.exec(row);
    const table = repaired ? lines(fields.sheet.repaired[Number(repaired[1])].readings, `repaired/${repaired[1]}/readings`, false)
      : lines(fields.sheet.readings);
    return further(table, field, by);
  }
}

/** A list that is open has the keys for itself; it is opened by hand, by blank, or by Alt and an arrow. */
function opens(event) {
  const list = event.target;
  if (OPENS.includes(event.key) || (event.altKey && event.key.startsWith("Arrow"))) {
    list.dataset.open = "";
    return true;
  }
  const open = "open" in list.dataset;
  if (open && ["Enter", "Escape", "Tab"].includes(event.key)) delete list.dataset.open;
  return open;
}

const about = (field) => ({
  text: field.tagName === "INPUT" && field.type === "text", start: field.selectionStart, end: field.selectionEnd, length: field.value?.length ?? 0,
});

function go(field) {
  if (!field) return;
  field.focus();
  if (field.tagName === "INPUT") field.select();
}

/** What stands beside a field in its row. */
function beside(field, way) {
  const row = field.closest("[data-row]");
  const all = [...row.querySelectorAll("input, select, button")].filter((one) => one.getClientRects().length);
  return all[all.indexOf(field) + way];
}

/** One Tab from value to value: what stands beside one is reached by the arrows to its left and right. */
export function tabs(form) {
  for (const row of form.querySelectorAll("#readings .row, .repair .row")) {
    for (const control of row.querySelectorAll("input, select, button"))
      control.tabIndex = control.classList.contains("value") ? 0 : -1;
    // a row without a value of its own keeps one place to come in by
    if (!row.querySelector(".value")) row.querySelector("input, select, button").tabIndex = 0;
  }
  for (const list of form.querySelectorAll("select")) {
    list.addEventListener("pointerdown", () => { list.dataset.open = ""; });
    for (const word of ["change", "blur"]) list.addEventListener(word, () => { delete list.dataset.open; });
  }
}
