// Test points of a drawing: read there by a click, and what was read shown there.
import { make } from "./common.js";
import { partText, readAt } from "./marks.js";

const SVG = "http://www.w3.org/2000/svg";
const svg = (tag, given) => {
  const made = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(given)) made.setAttribute(key, value);
  return made;
};

/** Make each point that can be read a button; `read(node)` is called with the one that is chosen. */
export function probing(drawing, nodes, read) {
  for (const mark of drawing.querySelectorAll(".mark[data-node]")) {
    const node = mark.dataset.node;
    const known = nodes?.find(([name]) => name === node);
    if (!known) continue;
    const ring = mark.querySelector("circle");
    if (ring) mark.prepend(svg("circle", { class: "hit", cx: ring.getAttribute("cx"), cy: ring.getAttribute("cy"), r: "12" }));
    mark.classList.add("probed");
    mark.setAttribute("tabindex", "0");
    mark.setAttribute("role", "button");
    mark.setAttribute("aria-label", `read the direct voltage at ${node}${known[1] ? `, ${known[1]}` : ""}`);
    mark.addEventListener("click", () => read(node));
    mark.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      read(node);
    });
  }
}

/** What is typed, in the drawing: direct voltages at their points, and values of parts. */
export function shown(drawing, sheet, { differing = {}, problems = [] }) {
  const understood = (field, typed) => (problems.some((one) => one.field === field) ? "" : differing[field] || typed);
  for (const mark of drawing.querySelectorAll(".mark[data-node]")) {
    const text = mark.querySelector("text");
    const said = readAt(sheet, mark.dataset.node, understood);
    let read = mark.querySelector(".read");
    if (!said) { read?.remove(); continue; }
    if (!text) continue;
    if (!read) {
      read = svg("tspan", { class: "read", dx: "4" });
      text.append(read);
    }
    read.textContent = said;
  }
  const typed = new Map(sheet.values);
  for (const part of drawing.querySelectorAll(".part")) {
    const value = part.querySelector("text.value");
    if (!value) continue;
    const name = part.dataset.part;
    value.dataset.drawn ??= value.textContent;
    value.textContent = partText(typed.get(name), differing[`values/${name}`]) || value.dataset.drawn;
    value.classList.toggle("typed", typed.has(name));
  }
}

/** A line under the drawing that says what can be done with it. */
export const hint = () => make("p", { class: "dim hint-drawing" }, "Choose a test point to read there, a part to change its value.");
