// What every page needs: whose sheet it shows, making elements.
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

/** Let a drawing shrink into its frame, but not so far that its text is lost: then the frame scrolls. */
export function fit(frame) {
  const svg = frame.querySelector("svg");
  if (svg) svg.style.minWidth = `${Math.round(0.62 * svg.viewBox.baseVal.width)}px`;
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
