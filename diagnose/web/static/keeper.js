// Keeps the sheet: saved as it is typed, and in this browser until the server has it.
import { Refused, ask, name } from "./common.js";

const PAUSE = 300;
const RETRY = 2000;
const DRAFT = `sheet:${name}`;

export class Keeper {
  /** `saved(told)`, `said(text)` and `clash()` are called as things happen. */
  constructor(sheet, revision, { saved, said, clash }) {
    Object.assign(this, { sheet, revision, saved, said, clash });
    this.timer = 0;
    this.typed = 0;
    this.kept = 0;
    this.busy = false;
    this.clashed = false;
    addEventListener("pagehide", () => this.flush());
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.save(); });
  }

  /** What an earlier visit had not handed over, if anything. */
  static draft() {
    try { return JSON.parse(localStorage.getItem(DRAFT)); } catch { return null; }
  }

  /** Something was typed. */
  touch() {
    this.typed += 1;
    this.draft();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.save(), PAUSE);
    if (!this.clashed) this.said("typing…");
  }

  draft() {
    try { localStorage.setItem(DRAFT, JSON.stringify({ sheet: this.sheet, revision: this.revision })); } catch {
      // a browser that keeps nothing: the save a moment later has to do
    }
  }

  async save() {
    clearTimeout(this.timer);
    if (this.busy || this.clashed || this.kept === this.typed) return;
    this.busy = true;
    const typed = this.typed;
    try {
      const told = await ask("PUT", `/sheet/${name}/data`, { sheet: this.sheet, revision: this.revision });
      this.revision = told.revision;
      this.kept = typed;
      if (this.kept === this.typed) {
        localStorage.removeItem(DRAFT);
        this.saved(told);
        this.said("saved");
      } else this.draft();
    } catch (error) {
      if (error instanceof Refused && error.status === 409) {
        this.clashed = true;
        this.said("not saved: changed elsewhere");
        this.clash();
      } else {
        this.said(error instanceof Refused ? `not saved: ${error.message}`
          : "not saved: the server does not answer; what you typed is kept in this browser");
        this.timer = setTimeout(() => this.save(), RETRY);
      }
    } finally {
      this.busy = false;
    }
    if (this.kept !== this.typed && !this.clashed && !this.timer) this.timer = setTimeout(() => this.save(), PAUSE);
  }

  /** The page goes away: hand over what is left without waiting for the answer. */
  flush() {
    if (this.kept === this.typed || this.clashed || this.busy) return;
    fetch(`/sheet/${name}/data`, {
      method: "PUT", keepalive: true, headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ sheet: this.sheet, revision: this.revision }),
    }).catch(() => { /* the draft is still here */ });
  }

  forget() {
    try { localStorage.removeItem(DRAFT); } catch { /* nothing was kept */ }
  }
}
