// Readings taken at the bench, by sound card or meter: a panel beside the sheet that walks through the steps.
import { levels, readings, remarks } from "./bench_live.js";
import { light } from "./bench_lit.js";
import { setup } from "./bench_setup.js";
import { buttonsOf, doing, going, leftOver, litOf, standing, taken, wordOf } from "./bench_words.js";
import { make, name, tell } from "./common.js";
import { Silent, ask, wait } from "./server.js";

const BASE = `/sheet/${name}/bench`;
const AGAIN = 1000;
/** A question that the server answers within five seconds. */
const PATIENCE = 15_000;
const TITLES = { card: "Readings by sound card", meter: "Readings by multimeter", calibration: "The sound card calibrated" };
const KEYS = {
  card: "Space or Enter goes on, s skips, r repeats the last take, q stops. Stop silences the card at once and keeps what was taken.",
  meter: "A probe held still for half a second is taken; so is what stands there by space, Enter or a foot pedal. r goes back, s skips, q stops.",
};

export class Bench {
  /** `sheet` is asked what it is, `came()` called when a reading is on the sheet, `drawing` has the points, `minding()` is what stands above cautions, `open(yes)` when the panel comes and goes. */
  constructor({ sheet, drawing, minding, came, open }) {
    Object.assign(this, { sheet, drawing, minding, came, open, run: null, shown: "", count: 0, away: [] });
    this.after = make("div", { class: "bench after", hidden: true }); // what is looked at less, behind the drawing
    this.box = make("section", { id: "bench", class: "bench", "aria-labelledby": "h-bench", hidden: true });
    document.addEventListener("keydown", (event) => this.key(event));
  }

  /** A run that goes on, or that ended and was not looked at yet, is taken up again. */
  async resume() {
    const { run } = await ask("GET", BASE);
    if (!run || run.phase === "ended") return;
    this.count = run.readings.length;
    this.take(run);
    this.follow();
  }

  /** Whether readings come in from here. */
  get going() { return Boolean(this.run); }

  buttons() {
    return make("div", { class: "line at-bench" },
      make("button", { type: "button", id: "by-card", onclick: () => this.setup("card") }, "Take by sound card…"),
      make("button", { type: "button", id: "by-meter", onclick: () => this.setup("meter") }, "Read by multimeter…"));
  }

  show(children, behind = []) {
    this.after.replaceChildren(...behind);
    this.after.hidden = !behind.length;
    this.box.replaceChildren(...children.flat().filter(Boolean));
    const was = this.box.hidden;
    this.box.hidden = false;
    this.open(true);
    if (was) this.box.scrollIntoView({ block: "nearest" });
  }

  close() {
    this.run = null;
    this.shown = "";
    this.box.hidden = this.after.hidden = true;
    this.open(false);
    light(this.drawing, []);
    document.getElementById("by-card")?.focus();
  }

  /** What is asked before a run; one that goes on, begun on another page, is taken up in its place. */
  async setup(kind) {
    if (going(this.run) && this.run.phase !== "ended") return void this.box.scrollIntoView({ block: "nearest" });
    await this.resume().catch(() => { /* what is asked next says so */ });
    if (this.run && this.run.phase !== "ended") return;
    this.run = null;
    this.shown = "";
    const form = setup(kind, this.sheet, (sent) => this.begin(sent), () => this.close());
    this.show([this.heading(kind), form]);
    form.querySelector(".go").focus();
  }

  async begin(sent) {
    const { run } = await ask("POST", BASE, sent);
    this.count = 0;
    this.take(run);
    this.follow();
  }

  /** Ask for what is new, until the run has ended. */
  async follow() {
    const mine = this.following = {};
    while (mine === this.following && going(this.run)) {
      try {
        const width = Math.floor(this.box.clientWidth - 24);
        const { run } = await ask("POST", `${BASE}/look`, { after: this.run.number, width }, { signal: AbortSignal.timeout(PATIENCE) });
        if (mine !== this.following || !this.run) return;
        this.lost("");
        this.take(run || { ...this.run, phase: "ended", words: [], level: null, good: "", error: "This run is over: the server was started anew, or readings are taken for another sheet. What was taken is on this one." });
      } catch (error) {
        this.lost(error instanceof Silent ? "The server does not answer; it is asked again. What was taken is on the sheet." : error.message);
        await wait(AGAIN);
      }
    }
  }

  lost(text) {
    const told = this.box.querySelector(".lost");
    if (told && told.textContent !== text) tell(told, text);
  }

  take(run) {
    this.run = run;
    const mark = JSON.stringify([run.phase, run.at, run.phase === "ended" && run.text]);
    if (mark !== this.shown) this.draw();
    this.shown = mark;
    this.level.show(run.level);
    this.readings.show(run);
    this.remarks.show(run);
    const value = this.box.querySelector(".now");
    if (value) value.textContent = run.shown || "…";
    tell(this.box.querySelector(".getting"), run.text);
    if (run.readings.length !== this.count) this.came();
    this.count = run.readings.length;
  }

  heading = (kind) => make("h2", { id: "h-bench" }, TITLES[kind]);

  /** Another step: the panel is drawn anew; the cursor goes on at the button that goes on. */
  draw() {
    const { run } = this;
    const mine = this.box.contains(document.activeElement) || document.activeElement === document.body || !document.activeElement;
    this.level = levels();
    this.readings = readings();
    this.remarks = remarks();
    // the drawing stands right below what a meter reads
    const pointing = run.kind === "meter" && ["point", "asked"].includes(run.phase);
    const less = [this.remarks.box, this.readings.box];
    this.show([
      this.heading(run.kind), run.title ? make("p", { class: "dim title-of" }, run.title) : null,
      make("p", { class: "problem lost", role: "alert", hidden: true }),
      make("h3", { class: "standing" }, standing(run)),
      make("div", { role: "status", class: "doing-now" }, this.doing()),
      make("p", { class: "getting", hidden: true }),
      run.error ? make("p", { class: "problem pre", role: "alert" }, run.error) : null,
      this.controls(), this.level.box, ...(pointing ? [] : less), this.level.spectra, this.further(),
    ], pointing ? [this.keys(), ...less].filter(Boolean) : []);
    this.box.dataset.phase = pointing ? "point" : run.phase;
    this.relight(mine);
    if (mine) (this.box.querySelector("#bench-typed") || this.box.querySelector("button"))?.focus({ preventScroll: true });
  }

  /** What is lit on the drawing, which may have been drawn anew; `moved` brings it into sight. */
  relight(moved = false) {
    const away = light(this.drawing, litOf(this.run), moved);
    const told = this.box.querySelector(".unmarked");
    if (told) tell(told, away.length ? `The drawing has no mark at ${away.join(" and ")}.` : "");
  }

  doing() {
    const { run } = this;
    if (["preparing", "ended"].includes(run.phase)) return [];
    if (run.phase === "listed") return this.listed();
    const made = [make("p", { class: "do", id: "bench-do" }, doing(run))];
    if (run.phase === "typed") made.push(this.typing());
    if (run.kind === "card" && run.phase === "step") {
      const { takes } = run.steps[run.step];
      if (run.failed) made.push(make("p", { class: "problem" }, "Nothing was taken: again, or skip it."));
      if (takes.length > 1) made.push(make("p", { class: "dim" }, takes.join("; ")));
    }
    if (run.kind === "meter") {
      const point = run.points[run.point];
      made.unshift(make("p", { class: "at-point" }, make("b", {}, point.label), point.mark ? make("span", { class: "caution-mark" }, point.mark) : null));
      if (point.caution) made.push(make("p", { class: "caution" }, point.caution));
      made.push(make("p", { class: "dim unmarked", hidden: true }));
      if (run.phase === "point") made.push(make("p", { class: "now" }, run.shown || "…"));
    }
    return made;
  }

  /** A value that is typed, such as what a meter shows. */
  typing() {
    const { run } = this;
    return make("form", { class: "line", onsubmit: (event) => { event.preventDefault(); this.say("go"); } },
      make("input", { id: "bench-typed", "aria-labelledby": "bench-do", ".value": run.typed, autocomplete: "off", spellcheck: "false", maxlength: "40" }),
      run.problem ? make("p", { class: "problem pre", role: "alert" }, run.problem) : null);
  }

  /** Before anything is begun: what to mind, the steps or points, and what is left to other instruments. */
  listed() {
    const { run } = this;
    const list = (items, words) => (items.length ? [make("h3", {}, words), make("ul", {}, items.map((text) => make("li", {}, text)))] : []);
    return [
      run.cautions.length ? make("div", { class: "cautions" }, make("h3", {}, this.minding()), make("ul", {}, run.cautions.map((text) => make("li", {}, text)))) : null,
      make("ol", {}, run.kind === "card" ? this.steps() : run.points.map((point) =>
        make("li", {}, `${point.label}${point.mark ? ` [${point.mark}]` : ""}: ${point.where}`))),
      ...list(leftOver(run.left), "Left to other instruments"),
    ].filter(Boolean);
  }

  steps() {
    return this.run.steps.map(({ text, takes }, k) => make("li", { "aria-current": this.run.phase === "step" && k === this.run.step ? "step" : null },
      takes.length > 1 ? `${text}: ${takes.join("; ")}` : text));
  }

  controls() {
    const { run } = this;
    const line = make("div", { class: "line bench-buttons" });
    const button = (id, words, act, go) => line.append(make("button", { type: "button", id, class: go ? "go" : null, "aria-describedby": go ? "bench-do" : null, onclick: act }, words));
    if (run.phase === "ended") {
      button("bench-close", "Close", () => this.close(), !run.error);
      const again = run.kind === "calibration" ? "Take readings" : "Take more";
      button("bench-more", run.error ? "Try again" : again, () => this.setup(run.kind === "meter" ? "meter" : "card"));
      if (run.readings.length) line.append(make("a", { class: "button", href: `/sheet/${name}/suspects` }, "Rank the sheet"));
      return line;
    }
    for (const [word, words] of buttonsOf(run)) button(`bench-${word}`, words, () => this.say(word), word === run.words[0]);
    if (!run.words.length) button("bench-stop", "Stop", () => this.say("stop"));
    return [line, run.kind === "card" || run.phase === "listed" ? this.keys() : null];
  }

  keys() {
    return ["listed", "step", "point"].includes(this.run.phase) ? make("p", { class: "dim keys" }, KEYS[this.run.kind]) : null;
  }

  /** All the steps, folded, while one of them waits. */
  further() {
    const { run } = this;
    if (run.phase === "ended" && run.error && run.steps.length) return make("details", { id: "bench-steps", open: true }, make("summary", {}, "The steps"), make("ol", {}, this.steps()));
    if (run.kind !== "card" || !["step", "asked", "taking"].includes(run.phase)) return null;
    return make("details", { id: "bench-steps" }, make("summary", {}, "All the steps"), make("ol", {}, this.steps()));
  }

  async say(word) {
    for (const one of this.box.querySelectorAll(".bench-buttons button")) one.setAttribute("aria-disabled", "true");
    try {
      await ask("POST", `${BASE}/word`, { at: this.run.at, word, typed: this.box.querySelector("#bench-typed")?.value || "" });
    } catch (error) {
      this.lost(error.message);
    }
    for (const one of this.box.querySelectorAll(".bench-buttons button")) one.removeAttribute("aria-disabled");
  }

  key(event) {
    if (!this.run?.words.length || event.repeat || event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    const word = wordOf(event.key, this.run);
    const at = event.target;
    const where = {
      typing: Boolean(at.closest?.("input, select, textarea, [contenteditable]")),
      pressing: Boolean(at.closest?.("button, a, summary, [role=button]")), ours: this.box.contains(at),
    };
    if (!word || taken(event.key, where)) return;
    event.preventDefault();
    this.say(word);
  }
}
