// Keeps the sheet: saved as it is typed, and in this browser until the server has it.
import { name } from "./common.js";
import { content } from "./content.js";
import { Refused, ask } from "./server.js";

const PAUSE = 300;
const RETRY = 2000;
const SHEET = { path: `/sheet/${name}/data`, draft: `sheet:${name}`, mark: content };

export class Keeper {
  /**
   * `saved(told)`, `said(text)` and `clash()` are called as things happen. `place` says where it is kept,
   * here and there, and how two states are told apart; without it, that of a sheet.
   */
  constructor(sheet, revision, { saved, said, clash }, place = SHEET) {
    Object.assign(this, { sheet, revision, saved, said, clash, place });
    this.timer = 0;
    this.typed = 0;
    this.kept = 0;
    this.busy = false;
    this.clashed = false;
    this.unanswered = new Set();
    addEventListener("pagehide", () => this.flush());
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.save(); });
  }

  /** Take up what an earlier visit had typed: it may have been on its way to the server. */
  resume(draft) {
    this.sheet = draft.sheet;
    this.revision = draft.revision;
    for (const sent of [...(draft.unanswered || []), this.place.mark(draft.sheet)]) this.unanswered.add(sent);
    this.touch();
  }

  /** What an earlier visit had not handed over, if anything. */
  static draft(place = SHEET) {
    try { return JSON.parse(localStorage.getItem(place.draft)); } catch { return null; }
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
    try { localStorage.setItem(this.place.draft, JSON.stringify({
      sheet: this.sheet, revision: this.revision, unanswered: [...this.unanswered],
    })); } catch {
      // a browser that keeps nothing: the save a moment later has to do
    }
  }

  async save() {
    clearTimeout(this.timer);
    if (this.busy || this.clashed || this.kept === this.typed) return;
    this.busy = true;
    const typed = this.typed;
    let pause = PAUSE;
    try {
      this.unanswered.add(this.place.mark(this.sheet));
      this.draft();
      const told = await ask("PUT", this.place.path, { sheet: this.sheet, revision: this.revision });
      this.unanswered.clear();
      this.revision = told.revision;
      this.kept = typed;
      if (this.kept === this.typed) {
        this.forget();
        this.saved(told);
        this.said("saved");
      } else this.draft();
    } catch (error) {
      pause = await this.refused(error);
    } finally {
      this.busy = false;
    }
    if (this.kept !== this.typed && !this.clashed) this.timer = setTimeout(() => this.save(), pause);
  }

  /** What a save that failed means; how long to wait for the next. */
  async refused(error) {
    const late = error instanceof Refused && error.status === 409;
    if (late && await this.own()) return 0;
    if (late) {
      this.clashed = true;
      this.said("not saved: changed elsewhere");
      this.clash();
    } else {
      this.said(error instanceof Refused ? `not saved: ${error.message}`
        : "not saved: the server does not answer; what you typed is kept in this browser");
    }
    return RETRY;
  }

  /** Whether the later revision is what was sent from here, and only its answer was lost. */
  async own() {
    try {
      const told = await ask("GET", this.place.path);
      if (!this.unanswered.has(this.place.mark(told.sheet))) return false;
      this.revision = told.revision;
      return true;
    } catch {
      return false; // then it counts as another's, and the user is asked
    }
  }

  /** The page goes away: hand over what is left without waiting for the answer. */
  flush() {
    if (this.kept === this.typed || this.clashed || this.busy) return;
    fetch(this.place.path, {
      method: "PUT", keepalive: true, headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ sheet: this.sheet, revision: this.revision }),
    }).catch(() => { /* the draft is still here */ });
  }

  forget() {
    try { localStorage.removeItem(this.place.draft); } catch { /* nothing was kept */ }
  }
}
