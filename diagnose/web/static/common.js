// What every page needs: whose sheet it shows, making elements, a drawing whose parts are chosen.
import { zoomOf } from "./zoom.js";

export const name = document.body.dataset.sheet;
/** The stage of one's own that a page shows. */
export const own = document.body.dataset.stage;

/** An element with attributes (on… are listeners, properties begin with a point) and children. */
export function make(tag, given = {}, ...children) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key.startsWith(".")) made[key.slice(1)] = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return made;
}

export function tell(element, text) {
  element.textContent = text;
  element.hidden = !text;
}

/** The frames of a drawing: its own, or of a unit one a stage. */
function framesOf(drawing) {
  const each = [...drawing.querySelectorAll(".frame")];
  return each.length ? each : [drawing.querySelector(".drawing") || drawing];
}

/** Let a drawing shrink into its frame, but not so far that its text is lost: then the frame scrolls. */
export function fit(drawing) {
  for (const frame of framesOf(drawing)) {
    zoomOf(frame).shown();
    suspected(frame);
    frame.closest("details.member")?.addEventListener("toggle", () => suspected(frame));
  }
}

/** Begin at the likeliest part, where some are lit. */
function suspected(frame) {
  const lit = [...frame.querySelectorAll(".part.lit")];
  const chance = (part) => Number(part.dataset.probability);
  if (lit.length) zoomOf(frame).centre(lit.reduce((most, part) => (chance(part) > chance(most) ? part : most)));
}

/** Show a part of a drawing: its stage unfolds, and it comes to the middle of its frame. */
export function reveal(drawing, part) {
  const found = drawing.querySelector(`.part[data-part="${CSS.escape(part)}"]`);
  if (!found) return;
  const member = found.closest("details.member");
  if (member) member.open = true;
  const column = drawing.closest(".where, .side"); // stands still beside the list, and scrolls by itself
  if (member && column && column.scrollHeight > column.clientHeight)
    column.scrollTop += member.getBoundingClientRect().top - column.getBoundingClientRect().top;
  zoomOf(found.closest(".frame") || drawing).centre(found);
}

/** Put a drawing in place of another, with `ready`; the cursor stays on the part where it was, and the view where it stood. */
export function redraw(drawing, svg, ready) {
  const { scrollLeft, scrollTop } = drawing;
  const at = drawing.contains(document.activeElement) ? document.activeElement.closest("[data-part]")?.dataset.part : undefined;
  drawing.innerHTML = svg;
  Object.assign(drawing, { scrollLeft, scrollTop });
  ready();
  if (at !== undefined) drawing.querySelector(`.part[data-part="${CSS.escape(at)}"]`)?.focus({ preventScroll: true });
}

/** Make the parts of a drawing buttons; `choose` is called with the name of one. */
export function clickable(drawing, choose) {
  fit(drawing);
  for (const part of drawing.querySelectorAll(".part")) {
    part.setAttribute("tabindex", "0");
    part.setAttribute("role", "button");
    part.setAttribute("aria-label", part.querySelector("title")?.textContent || part.dataset.part);
    part.addEventListener("click", () => choose(part.dataset.part));
    part.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      choose(part.dataset.part);
    });
  }
}

export function mark(drawing, part) {
  for (const found of drawing.querySelectorAll(".part"))
    found.classList.toggle("chosen", found.dataset.part === part);
}
