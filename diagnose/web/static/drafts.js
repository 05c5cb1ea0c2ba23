// What was typed and the server has not got yet, in this browser's store: a draft a tab, so that no tab removes what another keeps.
// A tab holds a lock as long as it lives; a draft whose lock is free was left by a tab that was closed, and goes to who opens the sheet next.
const TAB = "tab";
const PATIENCE = 400;
/** Between the key of a sheet and the tab. */
const OF = "#";

const lock = (tab) => `draft ${tab}`;

/** Take a lock for as long as the page lives; whether it was had. */
function hold(tab, options) {
  return new Promise((done) => {
    navigator.locks.request(lock(tab), options, (had) => {
      done(Boolean(had));
      return had ? new Promise(() => {}) : undefined;
    }).catch(() => done(false));
  });
}

/** Whether a tab is gone. */
const left = (tab) => new Promise((done) => {
  navigator.locks.request(lock(tab), { ifAvailable: true }, (had) => done(Boolean(had))).catch(() => done(false));
});

const parsed = (text) => {
  try { return JSON.parse(text); } catch { return null; }
};

export class Drafts {
  constructor(key, tab) { Object.assign(this, { key, tab }); }

  /** Of a sheet, for this tab. One that was duplicated has the name of the other: it gets its own. */
  static async open(key) {
    let tab = "";
    try {
      tab = sessionStorage.getItem(TAB) || "";
      const locks = Boolean(navigator.locks);
      const own = tab && (!locks || await hold(tab, { signal: AbortSignal.timeout(PATIENCE) }));
      if (!own) {
        tab = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 10)}`;
        if (locks) await hold(tab, {});
        sessionStorage.setItem(TAB, tab);
      }
    } catch { /* a browser that keeps nothing */ }
    return new Drafts(key, tab);
  }

  get place() { return `${this.key}${OF}${this.tab}`; }

  /** What this tab, and tabs that are closed, had typed and not handed over; this tab's first, then the one left last. */
  async found() {
    const drafts = [];
    try {
      for (const place of Object.keys(localStorage)) {
        if (place !== this.key && !place.startsWith(this.key + OF)) continue;
        const tab = place.slice(this.key.length + OF.length);
        const draft = parsed(localStorage.getItem(place));
        if (draft?.sheet && (place === this.place || !tab || !navigator.locks || await left(tab))) drafts.push({ place, ...draft });
      }
    } catch { /* nothing was kept */ }
    const mine = (draft) => Number(draft.place === this.place);
    return drafts.sort((a, b) => mine(b) - mine(a) || (b.time || 0) - (a.time || 0));
  }

  put(draft) {
    try { localStorage.setItem(this.place, JSON.stringify({ ...draft, time: Date.now() })); } catch {
      // a browser that keeps nothing: the save a moment later has to do
    }
  }

  /** Remove a draft: this tab's own, or one that was found and taken up. */
  forget(place = this.place) {
    try { localStorage.removeItem(place); } catch { /* nothing was kept */ }
  }
}
