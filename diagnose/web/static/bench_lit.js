// The points of a drawing that the leads of a meter go to: a thick ring, and which lead beside it.
import { beside } from "./bench_places.js";
import { zoomOf } from "./zoom.js";

const SVG = "http://www.w3.org/2000/svg";
const LETTER = 7.4; // CSS pixels of a drawing that a letter takes, and what is around a word
const AROUND = 8;
const HIGH = 19;
const FREE = 16.5; // of the ring with its halo, from the middle
const ROOM = 40; // for the tag above a point

function svg(tag, given, text) {
  const made = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(given)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

/** A function from a thing of a drawing to its box there; none while it is not shown. */
function placed(picture) {
  const back = picture.getScreenCTM()?.inverse();
  return (thing) => {
    const { left, top, right, bottom } = thing.getBoundingClientRect();
    if (!back || right === left) return null;
    const [from, to] = [new DOMPoint(left, top).matrixTransform(back), new DOMPoint(right, bottom).matrixTransform(back)];
    return [from.x, from.y, to.x, to.y];
  };
}

/** What must not be covered: names and values, and bodies of parts. */
const standing = (picture, box, but) => [...picture.querySelectorAll("text, .body, .lead-at .tag")]
  .filter((thing) => thing !== but).map(box).filter(Boolean);

/** The name of a node stands beside the ring, wherever there is room. */
function aside(picture, mark, at) {
  const name = mark.querySelector("text");
  const box = placed(picture);
  const was = name && box(name);
  if (!was) return;
  const frame = picture.viewBox.baseVal;
  const [left, top] = beside(at, FREE, [was[2] - was[0], was[3] - was[1]], [(was[0] + was[2]) / 2, (was[1] + was[3]) / 2],
    standing(picture, box, name), [frame.x, frame.y, frame.x + frame.width, frame.y + frame.height]);
  name.classList.add("made-way");
  name.setAttribute("transform", `translate(${left - was[0]} ${top - was[1]})`);
}

/** The tag of a lead, above the ring if it can be. */
function tagged(picture, at, lead) {
  const wide = lead.length * LETTER + AROUND;
  const frame = picture.viewBox.baseVal;
  const [left, top] = beside(at, FREE, [wide, HIGH], [at[0], at[1] - FREE - HIGH / 2],
    standing(picture, placed(picture)), [frame.x, frame.y, frame.x + frame.width, frame.y + frame.height]);
  const tag = svg("g", { class: `lead-at ${lead}` });
  tag.append(svg("rect", { class: "tag", x: left, y: top, width: wide, height: HIGH, rx: 3 }), svg("text", { x: left + wide / 2, y: top + 14 }, lead));
  picture.append(tag);
}

/** Light these points, `[node, lead]`, and no others, and bring them into sight where `moved`; which of them the drawing does not have. */
export function light(drawing, points, moved = false) {
  for (const old of drawing.querySelectorAll(".lead-at")) old.remove();
  for (const name of drawing.querySelectorAll(".made-way")) {
    name.classList.remove("made-way");
    name.removeAttribute("transform");
  }
  const away = [];
  const rings = [];
  for (const [node, lead] of points) {
    const found = [...drawing.querySelectorAll(`.mark[data-node="${CSS.escape(node)}"]`)];
    const circle = found.map((mark) => mark.querySelector("circle")).find(Boolean);
    if (node === "0") continue; // ground is everywhere, and said in words
    if (!circle) {
      away.push(node);
      continue;
    }
    const at = [Number(circle.getAttribute("cx")), Number(circle.getAttribute("cy"))];
    const ring = svg("g", { class: `lead-at ${lead}` });
    ring.append(svg("circle", { class: "halo", cx: at[0], cy: at[1], r: 12 }), svg("circle", { class: "lead", cx: at[0], cy: at[1], r: 12 }));
    circle.parentNode.prepend(ring); // below the name of the node
    rings.push({ ring, at, lead, mark: circle.parentNode, picture: circle.closest("svg") });
  }
  if (rings.length) show(drawing, rings[0].ring, moved); // its stage is unfolded by then
  for (const { picture, mark, at } of rings) aside(picture, mark, at);
  for (const { picture, at, lead } of rings) tagged(picture, at, lead);
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
