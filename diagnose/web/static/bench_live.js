// What moves while a step of the bench waits: level, warnings and spectrum of a card; the value of a meter; the readings so far.
import { make, tell } from "./common.js";

const MOST = 6; // readings of one take that stand unfolded: a sweep has a hundred
const SVG = "http://www.w3.org/2000/svg";

function rect(given) {
  const made = document.createElementNS(SVG, "rect");
  for (const [key, value] of Object.entries({ y: 0, height: 10, ...given })) made.setAttribute(key, value);
  return made;
}

/** The levels that come in, and the spectra, a side of the card each; `show(level)` draws others. */
export function levels() {
  const problem = make("p", { class: "problem", role: "status" });
  const sides = [incoming(), incoming()];
  const box = make("section", { class: "incoming", "aria-label": "What comes in", hidden: true }, problem, sides.map((one) => one.box));
  const spectra = make("div", { class: "spectra", hidden: true }, make("p", { class: "dim" }, "What comes in just now"), sides.map((one) => one.spectrum));
  const show = (level) => {
    box.hidden = spectra.hidden = !level;
    if (!level) return;
    tell(problem, level.problem ? `What comes in cannot be shown: ${level.problem}` : "");
    sides.forEach((one, k) => one.show(level.sides?.[k]));
  };
  return { box, spectra, show };
}

function incoming() {
  const bar = document.createElementNS(SVG, "svg");
  for (const [key, value] of Object.entries({ class: "bar", viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" })) bar.setAttribute(key, value);
  const share = rect({ class: "share", x: 0, width: 0 });
  const peak = rect({ class: "peak", x: 0, width: 0.8 });
  bar.append(rect({ class: "whole", x: 0, width: 100 }), share, peak);
  const words = make("b", {});
  const warning = make("p", { class: "problem warned", role: "status" });
  const spectrum = make("div", { class: "spectrum" });
  const side = make("span", {});
  const box = make("div", {},
    make("p", { class: "dim" }, side, words), bar,
    make("p", { class: "ends", "aria-hidden": "true" }, make("span", {}, "−120"), make("span", {}, "−60"), make("span", {}, "0 dBFS")),
    warning);
  const show = (level) => {
    box.hidden = spectrum.hidden = !level;
    if (!level) return;
    if (warning.textContent !== level.warning) warning.textContent = level.warning; // said aloud once
    side.textContent = level.side ? `comes in at the ${level.side} side: ` : "comes in: ";
    if (level.side) spectrum.dataset.side = level.side;
    words.textContent = level.words;
    share.setAttribute("width", 100 * level.share);
    peak.setAttribute("x", Math.min(100 * level.peak, 99.2));
    bar.classList.toggle("clips", level.clipped);
    spectrum.innerHTML = level.spectrum;
  };
  return { box, spectrum, show };
}

/** The readings so far, the last one first, each beside good units and the published figure; while more come, those before the last take are folded. What that take heard stands below them. */
export function readings() {
  const list = make("ul", {});
  const others = make("ul", {});
  const count = make("summary", {});
  const before = make("details", { id: "bench-before" }, count, others);
  const good = make("p", { class: "dim", hidden: true });
  const heard = make("div", { class: "heard" });
  let drawn = "";
  const box = make("section", { class: "read-so-far", "aria-label": "Readings taken" }, make("h3", {}, "Taken"), good, list, heard, before);
  const show = (run) => {
    box.hidden = !run.readings.length && !run.heard.length;
    const mark = run.heard.map((one) => one.spectrum).join("");
    if (mark !== drawn) {
      heard.replaceChildren(...run.heard.map((one) => make("figure", { class: "spectrum" },
        make("figcaption", {}, one.channel ? `What the last take heard, ${one.channel}` : "What the last take heard"), make("div", { ".innerHTML": one.spectrum }))));
      drawn = mark;
    }
    tell(good, run.good);
    const lines = [...run.readings].reverse().map(line);
    const shown = run.phase === "ended" ? lines.length : Math.min(Math.max(run.fresh, 1), MOST);
    list.replaceChildren(...lines.slice(0, shown));
    others.replaceChildren(...lines.slice(shown));
    count.textContent = `before that: ${lines.length - shown}`;
    before.hidden = lines.length <= shown;
  };
  return { box, show };
}

const line = (one) => make("li", {},
  make("span", {}, one.channel ? `${one.label}, ${one.channel}` : one.label), make("b", {}, one.value),
  one.kept ? null : make("span", { class: "problem" }, "not on the sheet: type it in"),
  one.good ? make("span", { class: one.usual ? "dim" : "problem" }, one.good) : null,
  one.limits.map(([met, text]) => make("span", { class: met ? "dim" : "problem" }, text)));

/** Remarks: the last one, and those before it folded. */
export function remarks() {
  const last = make("p", { role: "status" });
  const before = make("ul", {});
  const count = make("summary", {});
  const older = make("details", { id: "bench-remarks" }, count, before);
  const box = make("div", { class: "remarked" }, last, older);
  const show = (run) => {
    const texts = [...run.remarks].reverse();
    box.hidden = !texts.length;
    older.hidden = texts.length < 2;
    if (last.textContent !== (texts[0] || "")) last.textContent = texts[0] || "";
    count.textContent = `before that: ${texts.length - 1}`;
    before.replaceChildren(...texts.slice(1).map((text) => make("li", {}, text)));
  };
  return { box, show };
}
