// Keeps the sheet: saved as it is typed, and in this browser until the server has it.
import { name } from "./common.js";
import { content } from "./content.js";
import { Refused, ask } from "./server.js";

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
    this.unanswered = new Set();
    addEventListener("pagehide", () => this.flush());
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.save(); });
  }

  /** Take up what an earlier visit had typed: it may have been on its way to the server. */
  resume(draft) {
    this.sheet = draft.sheet;
    this.revision = draft.revision;
    for (const sent of [...(draft.unanswered || []), content(draft.sheet)]) this.unanswered.add(sent);
    this.touch();
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
    try { localStorage.setItem(DRAFT, JSON.stringify({
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
      this.unanswered.add(content(this.sheet));
      this.draft();
      const told = await ask("PUT", `/sheet/${name}/data`, { sheet: this.sheet, revision: this.revision });
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
      const told = await ask("GET", `/sheet/${name}/data`);
      if (!this.unanswered.has(content(told.sheet))) return false;
      this.revision = told.revision;
      return true;
    } catch {
      return false; // then it counts as another's, and the user is asked
    }
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
