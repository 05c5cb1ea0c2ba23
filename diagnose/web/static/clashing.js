// Fields that were changed in two places, on the page: at each, what stands elsewhere beside what was typed here, to choose from.
import { make } from "./common.js";
import { fieldOf, placed } from "./clash.js";
import { slug } from "./rows.js";

/** Show the clashes of a sheet; `choose(clash, here)` is called with one and whether what was typed here is kept. */
export function clashes(form, banner, sheet, list, choose) {
  for (const old of document.querySelectorAll(".clash")) old.remove();
  const found = placed(sheet, list);
  const rest = [];
  for (const clash of found) {
    const field = document.getElementById(slug(fieldOf(clash.path)));
    const box = shown(clash, field, choose);
    const details = field?.closest("details");
    if (details) details.open = true;
    const row = field?.closest("[data-row]");
    if (row) row.append(box);
    else if (field) (field.closest("h1, .line") || field).after(box);
    else rest.push(box);
  }
  if (rest.length) form.prepend(make("div", { class: "clash" }, rest));
  return found.length;
}

const text = (thing) => (Array.isArray(thing) ? thing.join(", ") || "none" : thing || "nothing");

function shown(clash, field, choose) {
  const mine = clash.holder[clash.key];
  return make("div", { class: "clash", role: "group", "aria-label": `changed in two places${field?.ariaLabel ? `: ${field.ariaLabel}` : ""}` },
    make("span", {}, "Changed in two places."),
    make("span", { class: "side-by-side" }, "here ", make("b", {}, text(mine)), make("button", { type: "button", onclick: () => choose(clash, true) }, "Keep this")),
    make("span", { class: "side-by-side" }, "elsewhere ", make("b", {}, text(clash.theirs)), make("button", { type: "button", onclick: () => choose(clash, false) }, "Take that")));
}
