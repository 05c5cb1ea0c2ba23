// A curve on the page: a cursor by pointer and keys, zoom by drag and keys, saved as SVG and PNG.
// The server draws; here is only what looks at it. Where the cursor may stand is in the drawing.
import { CLOSER, grown, nearest, place, ranged, steered, swept, within } from "./axes.js";
import { make } from "./common.js";
import { save } from "./curve_file.js";

const LEAST = 8; // CSS pixels that a drag must go to be one
const SVG = "http://www.w3.org/2000/svg";

/** What is looked at in a box of curves: by panel the view, the value under the cursor, what had the focus. */
const looks = new WeakMap();

function look(box, panel) {
  if (!looks.has(box)) looks.set(box, new Map());
  const all = looks.get(box);
  if (!all.has(panel)) all.set(panel, { view: "", at: null, focus: "" });
  return all.get(panel);
}

/** What is looked at in a box, as `[panel, view]`, for a server that draws it anew. */
export const views = (box) => [...(looks.get(box) ?? [])].filter(([, one]) => one.view)
  .map(([panel, one]) => [panel, one.view]);

/** Make the curves of a box follow; `redraw(panel)` has them drawn anew once another part of one is looked at. */
export function liven(box, redraw) {
  for (const figure of box.querySelectorAll("figure.curve:not(:has(.steer))")) follow(box, figure, redraw);
}

function follow(box, figure, redraw) {
  const svg = figure.querySelector("svg.chart");
  const stops = [...svg.querySelectorAll(".at")];
  if (!stops.length) return;
  const panel = Number(figure.dataset.panel);
  const seen = look(box, panel);
  const title = figure.querySelector("figcaption").textContent;
  const [plot, reach, logs, whole] = ["plot", "reach", "logarithmic", "whole"].map((key) => svg.dataset[key].split(" ").map(Number));
  const x = [[reach[0], reach[1]], Boolean(logs[0])];
  const y = [[reach[2], reach[3]], Boolean(logs[1])];
  const values = stops.map((stop) => Number(stop.dataset.x));
  const steer = make("div", {
    class: "steer", tabindex: "0", role: "slider", "aria-label": `${title}, cursor`, "aria-orientation": "horizontal",
    "aria-valuemin": "1", "aria-valuemax": String(stops.length), "aria-valuenow": "1", "aria-valuetext": "not placed yet",
  });
  svg.classList.add("steered");
  svg.replaceWith(steer);
  steer.append(svg);

  let here = -1;
  function stand(k) {
    stops[here]?.classList.remove("here");
    here = k;
    stops[here].classList.add("here");
    seen.at = values[here];
    steer.setAttribute("aria-valuenow", String(here + 1));
    steer.setAttribute("aria-valuetext", stops[here].dataset.words);
  }
  const under = (px) => stand(nearest(values, place(px, plot[0], plot[1], ...x), x[1]));
  function zoom(view) {
    seen.view = view;
    const focused = figure.querySelector(":focus");
    seen.focus = focused ? focused.dataset.key || "steer" : "";
    redraw(panel);
  }
  function closer(by) {
    if (here < 0) stand(stops.length >> 1);
    zoom((within(grown(x[0], values[here], by, x[1]), whole) ?? []).join(","));
  }

  steer.addEventListener("keydown", (event) => {
    const does = steered(event, here, stops.length - 1);
    if (!does || (does.whole && !seen.view)) return;
    event.preventDefault();
    if (does.whole) zoom("");
    else if (does.by) closer(does.by);
    else stand(does.to);
  });
  drag(svg, plot, under, (box_) => zoom([
    ...ranged(box_.x, plot[0], plot[1], ...x), ...(box_.y ? ranged(box_.y, plot[3], plot[2], ...y) : []),
  ].join(",")));
  svg.addEventListener("dblclick", () => { if (seen.view) zoom(""); });

  const button = (key, sign, words, act, off = false) => make("button", {
    type: "button", class: "small", "data-key": key, "aria-label": `${words}: ${title}`, title: words, disabled: off, onclick: act,
  }, sign);
  figure.append(make("div", { class: "line tools" },
    button("in", "+", "Zoom in", () => closer(CLOSER)),
    button("out", "−", "Zoom out", () => closer(1 / CLOSER), !seen.view),
    button("whole", "whole", "Show the whole curve", () => zoom(""), !seen.view),
    button("svg", "SVG", "Save as SVG", () => save(svg, title, "svg")),
    button("png", "PNG", "Save as PNG", () => save(svg, title, "png")),
    make("span", { class: "dim" }, "← → cursor; + − 0 or a drag: zoom")));
  if (seen.at !== null && seen.at >= x[0][0] && seen.at <= x[0][1]) stand(nearest(values, seen.at, x[1]));
  if (seen.focus) {
    const back = seen.focus === "steer" ? steer : figure.querySelector(`[data-key="${seen.focus}"]`);
    (back.disabled ? steer : back).focus({ preventScroll: true });
    seen.focus = "";
  }
}

/** A mouse shows values and sweeps what is zoomed into; a finger moves the cursor. */
function drag(svg, plot, under, take) {
  let from = null;
  let shade = null;
  const inside = (event) => {
    const frame = svg.getBoundingClientRect();
    const shrunk = svg.viewBox.baseVal.width / frame.width;
    return [(event.clientX - frame.left) * shrunk, (event.clientY - frame.top) * shrunk];
  };
  const over = ([px, py]) => px >= plot[0] && px <= plot[1] && py >= plot[2] && py <= plot[3];
  const end = () => {
    from = null;
    shade?.remove();
    shade = null;
  };
  svg.addEventListener("pointerdown", (event) => {
    const at = inside(event);
    if (event.button || !over(at)) return;
    if (event.pointerType === "mouse") {
      from = at;
      svg.setPointerCapture(event.pointerId);
    } else under(at[0]);
  });
  svg.addEventListener("pointermove", (event) => {
    const at = inside(event);
    if (!from) {
      if (over(at)) under(at[0]);
      return;
    }
    shade ??= svg.appendChild(document.createElementNS(SVG, "rect"));
    shade.setAttribute("class", "sweep");
    for (const [key, value] of Object.entries(swept(from, at, plot, LEAST).shown)) shade.setAttribute(key, value);
  });
  svg.addEventListener("pointerup", (event) => {
    if (!from) return;
    const box = swept(from, inside(event), plot, LEAST);
    end();
    if (box.shown.width >= LEAST) take(box);
  });
  svg.addEventListener("pointercancel", end);
}
