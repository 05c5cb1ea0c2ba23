// Undo and redo on the page: the buttons, the keys, and a line that offers what was just removed back.
import { make } from "./common.js";
import { History } from "./history.js";
import { gone, told } from "./told.js";

const [undo, redo, line] = ["undo", "redo", "gone"].map((id) => document.getElementById(id));

/** What was undone, not what undoing did. */
const turned = (change) => ({ ...change, how: { added: "removed", removed: "added" }[change.how] || change.how });

export class Undoing {
  /** `key` is where steps are kept in this tab while other pages are looked at, if they are; `back(field, changes)` shows the sheet after a step. */
  constructor(sheet, key, back) {
    Object.assign(this, { key, back });
    let before = null;
    try { before = key && sessionStorage.getItem(key); } catch { /* a browser that keeps nothing */ }
    this.of(sheet, before);
    undo.addEventListener("click", () => this.step("undo"));
    redo.addEventListener("click", () => this.step("redo"));
    document.addEventListener("keydown", (event) => this.key_(event));
  }

  /** What is changed from now on is another sheet: with no steps, but for those of an earlier visit. */
  of(sheet, before = null) {
    this.sheet = sheet;
    this.history = new History(sheet, before);
    this.quiet();
    this.show();
  }

  /** Something was changed here. */
  note(field) {
    const changes = this.history.record(field);
    if (!changes) return;
    this.keep();
    if (gone(changes)) this.offer(`${this.words(changes)}.`);
    else this.quiet();
  }

  words(changes) {
    if (changes.some(({ path }) => path[0] === "channels")) {
      if (this.sheet.channels.length) return "Two channels";
      return this.sheet.aside ? "One channel; what was read of the other is set aside, and comes back with it" : "One channel";
    }
    const said = told(changes, this.sheet);
    return said.charAt(0).toUpperCase() + said.slice(1);
  }

  /** Something was changed elsewhere and taken over. */
  follow() { this.history.follow(); }

  /** A line with an undo of the last step in it. */
  offer(text) {
    line.replaceChildren(make("span", {}, text), make("button", { type: "button", onclick: () => this.step("undo") }, "Undo"));
    line.hidden = false;
  }

  /** A line that only says something. */
  say(text) {
    line.replaceChildren(make("span", {}, text));
    line.hidden = false;
  }

  quiet() { line.hidden = true; }

  keep() {
    try { if (this.key) sessionStorage.setItem(this.key, this.history.text()); } catch { /* more than the browser keeps: this page still has it */ }
    this.show();
  }

  show() {
    // what has the focus must not go dead under it
    for (const [button, can] of [[undo, this.history.undoable], [redo, this.history.redoable]]) button.setAttribute("aria-disabled", String(!can));
  }

  step(which) {
    this.history.record("");
    const done = this.history[which]();
    if (!done) return this.say(which === "undo" ? "There is nothing to undo." : "There is nothing to do again.");
    this.keep();
    this.back(done.field, done.changes);
    this.say(`${which === "undo" ? "Undone" : "Done again"}: ${told(which === "undo" ? done.changes.map(turned) : done.changes, this.sheet)}.`);
  }

  key_(event) {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const key = event.key.toLowerCase();
    const which = key === "y" || (key === "z" && event.shiftKey) ? "redo" : key === "z" ? "undo" : "";
    // a field that is not of the sheet has the browser's own undo
    if (!which || (event.target.matches?.("input:not([type=checkbox], [type=file]), textarea") && !event.target.dataset.field)) return;
    event.preventDefault();
    this.step(which);
  }
}
