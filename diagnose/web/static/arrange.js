// Parts of the drawing are taken with the pointer or by keys and put elsewhere; the server lays the wires.
import { make, tell } from "./common.js";
import { STEP, byKey, idle, joined, steps, under, words } from "./moves.js";
import { Refused, ask } from "./server.js";

const PAUSE = 350;
const SLACK = 4;
const MOVABLE = ".part:not([data-still])";

export class Arranger {
  /** `show(svg)` puts an answer on the page, `again()` asks for the drawing as it is kept. */
  constructor(frame, path, { show, again }) {
    Object.assign(this, { frame, path, show, again, pending: null, after: [], busy: false, timer: 0, taken: null, swallow: false });
    this.told = make("p", { class: "problem", role: "alert", hidden: true });
    this.done = make("span", { class: "dim", role: "status" });
    this.undo = make("button", { type: "button", hidden: true, onclick: () => this.change("undo", "The last move is undone.") }, "Undo move");
    this.anew = make("button", { type: "button", hidden: true, onclick: () => this.change("anew", "Arranged by itself; Undo move puts yours back.") }, "Arrange anew");
    this.touch = make("button", { type: "button", class: "by-touch", "aria-pressed": "false", hidden: true, onclick: () => this.byTouch() }, "Move parts by touch");
    this.how = make("p", { class: "dim", id: "how-to-move", hidden: true }, "Drag a part to move it. On a part that is chosen, arrows move it, R turns it, M mirrors it.");
    this.tools = make("div", { class: "line tools" }, this.undo, this.anew, this.touch, this.done);
    frame.addEventListener("pointerdown", (event) => this.take(event));
    frame.addEventListener("pointermove", (event) => this.drag(event));
    frame.addEventListener("pointerup", (event) => this.drop(event));
    frame.addEventListener("pointercancel", () => this.put());
    frame.addEventListener("keydown", (event) => this.key(event), true);
    frame.addEventListener("click", (event) => { // the end of a drag chooses nothing
      if (!this.swallow) return;
      this.swallow = false;
      event.stopPropagation();
    }, true);
    document.addEventListener("keydown", (event) => { if (event.key === "Escape") this.put(); });
  }

  get svg() { return this.frame.querySelector("svg[data-mark]"); }

  /** A drawing has come: what can be done with it. */
  shown() {
    this.taken = null;
    const svg = this.svg;
    this.undo.hidden = svg?.dataset.undo === undefined;
    this.anew.hidden = svg?.dataset.own === undefined;
    this.touch.hidden = this.how.hidden = !svg;
    for (const part of svg?.querySelectorAll(MOVABLE) || []) part.setAttribute("aria-describedby", this.how.id);
    if (this.pending) this.shift(this.pending.part, this.pending.by);
  }

  byTouch() {
    const on = this.frame.classList.toggle("by-touch");
    this.touch.setAttribute("aria-pressed", String(on));
  }

  part(name) { return this.svg?.querySelector(`${MOVABLE}[data-part="${CSS.escape(name)}"]`); }

  /** Show a part where it would be, and whether something is there already. */
  shift(name, by) {
    const part = this.part(name);
    if (!part) return;
    const moved = by[0] || by[1];
    part.classList.toggle("taken", Boolean(moved));
    part.classList.toggle("blocked", Boolean(moved && under(this.bodies(), name, by)));
    if (moved) part.setAttribute("transform", `translate(${by[0] * STEP} ${by[1] * STEP})`);
    else part.removeAttribute("transform");
  }

  bodies() {
    return [...this.svg.querySelectorAll(".part")].map((part) => {
      const box = part.querySelector(".body");
      return { part: part.dataset.part, ...Object.fromEntries(["x", "y", "width", "height"].map((word) => [word, Number(box.getAttribute(word))])) };
    });
  }

  take(event) {
    this.swallow = false;
    const part = event.target.closest?.(MOVABLE);
    if (!part || !this.svg || event.button !== 0 || this.busy || this.pending) return;
    if (event.pointerType === "touch" && !this.frame.classList.contains("by-touch")) return;
    this.taken = { name: part.dataset.part, id: event.pointerId, x: event.clientX, y: event.clientY, by: [0, 0], dragged: false };
  }

  drag(event) {
    const taken = this.taken;
    if (!taken || event.pointerId !== taken.id) return;
    const [dx, dy] = [event.clientX - taken.x, event.clientY - taken.y];
    if (!taken.dragged && Math.hypot(dx, dy) < SLACK) return;
    if (!taken.dragged) {
      taken.dragged = true;
      this.frame.setPointerCapture(taken.id);
      tell(this.told, "");
    }
    event.preventDefault();
    const svg = this.svg;
    taken.by = steps(dx, dy, svg.getBoundingClientRect().width / svg.viewBox.baseVal.width);
    this.shift(taken.name, taken.by);
  }

  drop(event) {
    const taken = this.taken;
    if (!taken || event.pointerId !== taken.id) return;
    this.taken = null;
    if (!taken.dragged) return;
    this.swallow = true;
    setTimeout(() => { this.swallow = false; });
    this.want(taken.name, { by: taken.by }, 0);
  }

  /** Let go of what is taken, where it was. */
  put() {
    if (!this.taken) return;
    this.shift(this.taken.name, [0, 0]);
    this.taken = null;
  }

  key(event) {
    const name = event.target.closest?.(MOVABLE)?.dataset.part;
    const more = name && this.svg && byKey(event);
    if (!more) return;
    event.preventDefault();
    tell(this.told, "");
    this.want(name, more, more.by ? PAUSE : 0);
  }

  /** One more move: sent when no other follows for a moment, after those that are on their way. */
  want(name, more, pause) {
    const both = joined(this.pending, name, more);
    if (both) this.pending = both;
    else {
      this.after.push(this.pending);
      this.pending = joined(null, name, more);
    }
    this.shift(name, this.pending.by);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.send(), pause);
  }

  async send() {
    if (this.busy) return;
    const move = this.after.shift() || this.pending;
    if (move === this.pending) this.pending = null;
    if (idle(move)) return;
    await this.change("move", words(move), move);
    if (this.after.length || this.pending) this.send();
  }

  /** Have the drawing changed; one that is refused stays as it was, with a word why. */
  async change(what, said, data = {}) {
    if (this.busy) return;
    this.busy = true;
    tell(this.told, "");
    const focus = document.activeElement?.closest?.(MOVABLE)?.dataset.part;
    try {
      const svg = await ask("POST", `${this.path}/${what}`, { ...data, mark: this.svg.dataset.mark });
      this.busy = false;
      this.show(svg);
      tell(this.done, said);
      if (focus) this.part(focus)?.focus({ preventScroll: true });
      else if (document.activeElement === document.body && this.undo.hidden) this.frame.focus({ preventScroll: true });
    } catch (error) {
      this.after = [];
      this.pending = null;
      if (data.part) this.shift(data.part, [0, 0]);
      tell(this.done, "");
      const late = error instanceof Refused && error.status === 409;
      tell(this.told, late ? "The drawing was changed in another tab or window. It is shown as it is there now; nothing of it is undone." : error.message);
      if (late) await this.again();
    } finally {
      this.busy = false;
    }
  }
}
