// Asking for the latest only: of what is wanted while an answer is on its way, one thing is asked for next.

/**
 * A function to call whenever something is wanted. `once(number, current)` does it, one call at a time;
 * `current()` says whether nothing later has been wanted meanwhile.
 */
export function latest(once) {
  let wanted = 0;
  let busy = false;
  return async function want() {
    wanted += 1;
    if (busy) return;
    busy = true;
    try {
      for (let shown = 0; shown !== wanted;) {
        const number = wanted;
        await once(number, () => number === wanted);
        shown = number;
      }
    } finally {
      busy = false;
    }
  };
}
