// Keeps the sheet: saved as it is typed, and in this browser until the server has it. What others save meanwhile is merged into it.
import { agreed, clone, combined, kept, located } from "./clash.js";
import { name } from "./common.js";
import { content } from "./content.js";
import { merge } from "./merge.js";
import { Refused, ask } from "./server.js";

const PAUSE = 300;
const RETRY = 2000;
/** How often the server is asked whether it is there and has something newer. */
const EVERY = 2000;
/** How long it may take with that, so that within five seconds it is known to be gone; and with a save, which takes it more. */
const PATIENCE = 2500;
const LONG = 30_000;
const LATE = 409;
const GONE = 404;
const SILENT = "the server does not answer; what you typed is kept in this browser";
export const SHEET = { path: `/sheet/${name}/data`, draft: `sheet:${name}`, mark: content, merge, newer: `/sheet/${name}/revision` };

export class Keeper {
  /**
   * `saved(told)`, `said(text, bad)`, `clash()`, `merged(told)` and `gone()`, where there is no such sheet any more, are called as things happen. `place` says where it is kept, here and there,
   * how two states are told apart, and how they are made one; without that, two that were changed are for the user to choose of.
   */
  constructor(sheet, revision, { saved, said, clash = () => {}, merged = () => {}, gone = () => {} }, drafts, place = SHEET) {
    Object.assign(this, { sheet, revision, saved, said, clash, merged, gone, drafts, place });
    this.base = clone(sheet); // what the server was known to have last
    this.timer = 0;
    this.typed = 0;
    this.kept = 0;
    this.busy = false;
    this.clashed = false;
    this.silent = false;
    this.clashes = [];
    this.unanswered = new Set();
    addEventListener("pagehide", () => this.flush());
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.save(); else if (place.newer) this.look(); });
    if (place.newer) setInterval(() => { if (!document.hidden) this.look(); }, EVERY);
  }

  /** Take up what an earlier visit had typed: it may have been on its way to the server. */
  resume(draft) {
    const sent = [...(draft.unanswered || []), this.place.mark(draft.sheet)];
    if (!this.place.merge) {
      this.sheet = draft.sheet;
      this.revision = draft.revision;
      for (const text of sent) this.unanswered.add(text);
      return this.touch();
    }
    const mine = clone(draft.sheet);
    const before = kept(this.sheet, this.clashes);
    const came = sent.includes(this.place.mark(this.base)); // then what was typed later is on top of it
    const told = this.place.merge(came ? this.base : draft.base || this.sheet, mine, clone(this.sheet), true);
    const clashes = [...located(mine, before), ...located(mine, draft.clashes || []), ...told.clashes];
    Object.assign(this.sheet, mine);
    for (const clash of clashes) if (clash.holder === mine) clash.holder = this.sheet;
    this.clashes = combined(this.sheet, [], clashes);
    this.touch();
  }

  /** Something was typed. */
  touch() {
    this.typed += 1;
    this.draft();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.save(), PAUSE);
    if (!this.clashed && !this.silent) this.said("typing…");
  }

  draft() {
    this.drafts.put({ sheet: this.sheet, base: this.base, revision: this.revision, unanswered: [...this.unanswered],
      clashes: kept(this.sheet, this.clashes) });
  }

  get dirty() { return this.kept !== this.typed; }

  async save() {
    clearTimeout(this.timer);
    if (this.busy || this.clashed || !this.dirty) return;
    this.busy = true;
    const typed = this.typed;
    let pause = PAUSE;
    try {
      const sheet = agreed(this.sheet, this.clashes);
      this.unanswered.add(this.place.mark(sheet));
      this.draft();
      const told = await ask("PUT", this.place.path, { sheet, revision: this.revision }, { signal: AbortSignal.timeout(LONG) });
      this.answers();
      this.unanswered.clear();
      this.revision = told.revision;
      this.base = sheet;
      this.kept = typed;
      if (!this.dirty) {
        this.settled();
        this.saved(told);
        this.tell();
      } else this.draft();
    } catch (error) {
      pause = await this.refused(error);
    } finally {
      this.busy = false;
    }
    if (this.dirty && !this.clashed) this.timer = setTimeout(() => this.save(), pause);
  }

  /** The draft has done its work, but for what clashes. */
  settled() {
    if (this.clashes.length) this.draft(); else this.drafts.forget();
  }

  /** How it stands, in words. */
  tell() {
    this.clashes = combined(this.sheet, this.clashes, []);
    const n = this.clashes.length;
    if (this.dirty) this.said("typing…");
    else if (n) this.said(`saved, but for ${n} field${n === 1 ? "" : "s"} changed in two places`, true);
    else this.said("saved");
  }

  answers() {
    if (!this.silent) return;
    this.silent = false;
    if (!this.dirty) this.tell();
  }

  /** What a save that failed means; how long to wait for the next. */
  async refused(error) {
    if (!(error instanceof Refused)) {
      this.silent = true;
      this.said(this.dirty ? `not saved: ${SILENT}` : SILENT, true);
      return RETRY;
    }
    this.silent = false;
    if (error.status === LATE && await this.catchUp()) return 0;
    if (error.status === LATE) {
      this.clashed = true;
      this.said("not saved: changed elsewhere", true);
      this.clash();
    } else this.said(`not saved: ${error.message}`, true);
    if (error.status === GONE) this.gone();
    return RETRY;
  }

  /** Is the server there, and has another saved meanwhile? */
  async look() {
    if (this.clashed) return;
    try {
      const { revision } = await ask("GET", this.place.newer, undefined, { signal: AbortSignal.timeout(PATIENCE) });
      this.answers();
      if (this.busy) return;
      if (revision > this.revision) {
        this.busy = true;
        try { await this.catchUp(); } finally { this.busy = false; }
      }
      if (this.dirty) await this.save();
    } catch (error) {
      await this.refused(error);
    }
  }

  /**
   * Take the later revision: what was sent from here, its answer lost, or what another saved, which is merged. Whether that could be done;
   * where it cannot, the user is asked.
   */
  async catchUp() {
    let told;
    try { told = await ask("GET", this.place.path); } catch { return false; }
    const own = this.unanswered.has(this.place.mark(told.sheet));
    if (!own && !this.place.merge) return false;
    this.revision = told.revision;
    const before = this.base;
    this.base = clone(told.sheet);
    // all was saved, unless a row stays that the other removed: two pages must not save in turns for ever
    if (!own && this.take(before, told.sheet).stays.length) this.typed += 1;
    if (!this.dirty) {
      this.settled();
      this.saved(told);
    } else this.draft();
    this.tell();
    return true;
  }

  /** Bring another's sheet into this one. */
  take(base, theirs) {
    const told = this.place.merge(base, this.sheet, theirs, true);
    this.clashes = combined(this.sheet, this.clashes, told.clashes);
    this.merged(told);
    return told;
  }

  /** One of the fields that clash is settled: with what stands elsewhere, or with what was typed here. */
  choose(clash, here) {
    if (!here) clash.holder[clash.key] = clash.theirs ?? "";
    this.clashes = this.clashes.filter(({ holder, key }) => holder !== clash.holder || key !== clash.key);
    this.touch();
  }

  /** The page goes away: hand over what is left without waiting for the answer. */
  flush() {
    if (!this.dirty || this.clashed || this.busy) return;
    fetch(this.place.path, {
      method: "PUT", keepalive: true, headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ sheet: agreed(this.sheet, this.clashes), revision: this.revision }),
    }).catch(() => { /* the draft is still here */ });
  }

  /** What is typed is given up: it was kept as a sheet of its own, or the other was chosen. */
  forget() {
    this.drafts.forget();
    this.kept = this.typed;
  }
}
