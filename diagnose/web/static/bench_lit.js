// The points of a drawing that the leads of a meter go to: a thick ring, and which lead beside it.
import { zoomOf } from "./zoom.js";

const SVG = "http://www.w3.org/2000/svg";
const LETTER = 7.4; // CSS pixels of a drawing that a letter takes, and what is around a word
const AROUND = 8;
const ROOM = 40; // for the tag above a point

function svg(tag, given, text) {
  const made = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(given)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

/** Light these points, `[node, lead]`, and no others, and bring them into sight where `moved`; which of them the drawing does not have. */
export function light(drawing, points, moved = false) {
  for (const old of drawing.querySelectorAll(".lead-at")) old.remove();
  const away = [];
  let first = null;
  for (const [node, lead] of points) {
    const found = [...drawing.querySelectorAll(`.mark[data-node="${CSS.escape(node)}"]`)];
    const circle = found.map((mark) => mark.querySelector("circle")).find(Boolean);
    if (node === "0") continue; // ground is everywhere, and said in words
    if (!circle) {
      away.push(node);
      continue;
    }
    const x = Number(circle.getAttribute("cx"));
    const y = Number(circle.getAttribute("cy"));
    const wide = lead.length * LETTER + AROUND;
    const ring = svg("g", { class: `lead-at ${lead}` });
    ring.append(svg("circle", { class: "halo", cx: x, cy: y, r: 12 }), svg("circle", { class: "lead", cx: x, cy: y, r: 12 }));
    circle.parentNode.prepend(ring); // below the name of the node
    const tag = svg("g", { class: `lead-at ${lead}` });
    tag.append(svg("rect", { class: "tag", x: x - wide / 2, y: y - 35, width: wide, height: 19, rx: 3 }), svg("text", { x, y: y - 21 }, lead));
    circle.closest("svg").append(tag);
    first ||= ring;
  }
  if (first) show(drawing, first, moved);
  return away;
}

/** Bring a point into the middle of its frame, whose stage unfolds. */
function show(drawing, point, moved) {
  const member = point.closest("details.member");
  if (member) member.open = true;
  zoomOf(point.closest(".frame") || drawing).centre(point);
  if (moved) reach(drawing, point);
}

/** Scroll the column, or the page, until a point is in sight below the panel. */
function reach(drawing, point) {
  const column = drawing.closest(".side");
  const own = column && column.scrollHeight > column.clientHeight && getComputedStyle(column).overflowY === "auto";
  const { top, bottom } = point.getBoundingClientRect();
  const from = document.getElementById("bench").getBoundingClientRect().bottom;
  if (top - ROOM >= from && bottom + ROOM <= innerHeight) return;
  (own ? column : document.scrollingElement).scrollTop += (top + bottom) / 2 - (Math.min(from, innerHeight / 2) + innerHeight) / 2;
}
