// What was done to a sheet, step by step, to be undone and done again. A step is kept as the piece of text in which the sheet differs
// before and after, so that a whole evening fits in a few thousand bytes. Nothing here knows of a page.
import { merge } from "./merge.js";

const PAUSE = 2000;
const MOST = 1_000_000;

/** In what piece two texts differ: where, what it was, what it is. */
export function difference(was, is) {
  const end = Math.min(was.length, is.length);
  let at = 0;
  while (at < end && was[at] === is[at]) at += 1;
  let tail = 0;
  while (tail < end - at && was[was.length - 1 - tail] === is[is.length - 1 - tail]) tail += 1;
  return { at, was: was.slice(at, was.length - tail), is: is.slice(at, is.length - tail) };
}

const put = (text, at, out, piece) => text.slice(0, at) + piece + text.slice(at + out.length);
const forth = (text, step) => put(text, step.at, step.was, step.is);
const back = (text, step) => put(text, step.at, step.is, step.was);

export class History {
  /** Of a sheet, which is changed in place. `kept` is what `text()` of an earlier visit gave. */
  constructor(sheet, kept = null, clock = () => Date.now()) {
    Object.assign(this, { sheet, clock, steps: [], place: 0 });
    this.now = JSON.stringify(sheet);
    this.here = this.now; // the state between the steps at `place`; `now` is what stands on the sheet
    this.last = null;
    try {
      const told = JSON.parse(kept);
      if (told && Array.isArray(told.steps)) Object.assign(this, { steps: told.steps, place: told.place, here: told.here });
    } catch { /* what was kept is damaged: this visit has its own steps */ }
  }

  /** To go on with after the page was left; the oldest steps go where they are too many. */
  text() {
    let long = 0;
    let from = this.steps.length;
    while (from > 0 && (long += this.steps[from - 1].was.length + this.steps[from - 1].is.length + 60) < MOST) from -= 1;
    from = Math.min(from, this.place);
    return JSON.stringify({ steps: this.steps.slice(from), place: this.place - from, here: this.here });
  }

  /** The sheet was changed from elsewhere: that is not this history's to undo. */
  follow() { this.now = JSON.stringify(this.sheet); this.last = null; }

  /** The sheet was changed here, in a field; what changed, or nothing. Typing on in a field is one step. */
  record(field) {
    const [before, now] = [this.now, JSON.stringify(this.sheet)];
    if (before === now) return null;
    const told = merge(JSON.parse(before), JSON.parse(before), JSON.parse(now)).changes;
    if (!told.length) { // an empty field came or went, which nobody typed
      this.now = now;
      return null;
    }
    const time = this.clock();
    const value = told.length > 0 && told.every(({ how }) => how === "changed");
    const on = value && this.last && this.last.field === field && time - this.last.time < PAUSE && this.place === this.steps.length && (this.here === before);
    this.steps.length = this.place;
    if (on) {
      const step = this.steps.pop();
      this.here = back(this.here, step);
      this.steps.push({ ...difference(this.here, now), field });
    } else {
      if (this.here !== before) this.steps.push({ ...difference(this.here, before), foreign: true });
      this.steps.push({ ...difference(before, now), field });
    }
    this.place = this.steps.length;
    this.here = this.now = now;
    this.last = value ? { field, time } : null;
    return told;
  }

  get undoable() { return this.steps.slice(0, this.place).some((step) => !step.foreign); }

  get redoable() { return this.steps.slice(this.place).some((step) => !step.foreign); }

  /** Take back the last step; `{ field, changes }`, or nothing where there is none. What others did meanwhile stays. */
  undo() {
    if (!this.undoable) return null;
    let step;
    let after;
    do {
      step = this.steps[--this.place];
      after = this.here;
      this.here = back(after, step);
    } while (step.foreign);
    return this.put(after, this.here, step);
  }

  /** Do again what was undone last. */
  redo() {
    if (!this.redoable) return null;
    let step;
    let before;
    do {
      step = this.steps[this.place++];
      before = this.here;
      this.here = forth(before, step);
    } while (step.foreign);
    return this.put(before, this.here, step);
  }

  put(from, to, step) {
    const told = merge(JSON.parse(from), this.sheet, JSON.parse(to));
    // what was typed over elsewhere meanwhile is what this step is about: it is the user who wants it back
    for (const { holder, key, theirs, path } of told.clashes) {
      holder[key] = theirs ?? "";
      told.changes.push({ path, how: "changed" });
    }
    this.now = JSON.stringify(this.sheet);
    this.last = null;
    return { field: step.field, changes: told.changes };
  }
}
