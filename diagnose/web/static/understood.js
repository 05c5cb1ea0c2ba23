// What the server understood of a sheet, beside its fields: values that read otherwise than typed, questions, and where mistakes are.
import { make } from "./common.js";
import { slug } from "./rows.js";

/** A field that is typed in again says nothing old; told once of a form that stays. */
export function forgetting(form) {
  form.addEventListener("input", (event) => {
    event.target.parentElement?.querySelectorAll(`.as[data-of="${CSS.escape(event.target.id)}"]`).forEach((old) => old.remove());
  });
}

/** Show what was told of the sheet that is typed now. */
export function understood(form, told) {
  for (const old of form.querySelectorAll(".as, .doubt")) old.remove();
  for (const [field, text] of Object.entries(told.differing || {})) {
    const input = document.getElementById(slug(field));
    if (!input || input.tagName !== "INPUT") continue;
    const said = make("span", { class: "as", "data-of": input.id, title: "as it was understood" }, `= ${text}`);
    // of a part the value has a column of its own, and what it is for stands behind it
    const unit = input.nextElementSibling?.classList.contains("unit") ? input.nextElementSibling : null;
    if (field.startsWith("values/")) input.parentElement.append(said); else (unit || input).after(said);
  }
  (told.doubted || []).forEach(({ field, text }, k) => {
    const input = document.getElementById(slug(field));
    const row = input?.closest("[data-row]");
    if (!row) return;
    const asked = make("p", { class: "doubt", id: `doubt-${k}` }, `${text[0].toUpperCase()}${text.slice(1)}. Is a prefix or a decimal point missing?`);
    const below = [...row.children].find((child) => child.classList.contains("further-row"));
    if (below) below.before(asked); else row.append(asked);
    if (!input.hasAttribute("aria-describedby")) input.setAttribute("aria-describedby", `doubt-${k}`);
    input.closest("details")?.setAttribute("open", "");
  });
  foot(form, told);
}

/** Where mistakes and questions are, at the foot of the window: it moves nothing above it. */
function foot(form, told) {
  const box = document.getElementById("told") || form.appendChild(make("div", { id: "told", role: "status" }));
  const list = (heading, items) => {
    const placed = items.filter(({ field }) => document.getElementById(slug(field)) || form.querySelector(`[data-row="${CSS.escape(field)}"]`));
    return placed.length ? [make("span", {}, make("b", {}, heading), " ", placed.flatMap(({ field, where }, k) => [k ? ", " : "",
      make("a", { href: `#${slug(field)}`, onclick: (event) => { event.preventDefault(); lead(slug(field)); } }, where || field)]))] : [];
  };
  box.replaceChildren(...list("To be put right:", told.problems), ...list("Asked about:", told.doubted || []));
  box.hidden = !box.childElementCount;
}

/** Go to a field, whatever is folded around it; of a row as a whole to its first field. */
export function lead(id) {
  const named = document.getElementById(id);
  const row = named ? null : [...document.querySelectorAll("[data-row]")].find((one) => slug(one.dataset.row) === id);
  const field = named || row?.querySelector("input, select");
  if (!field) return;
  for (let around = field.closest("details"); around; around = around.parentElement.closest("details")) around.open = true;
  field.focus();
  field.scrollIntoView({ block: "center" });
}
