// Places on an axis and what they stand for: for the cursor and the zoom of a curve. Nothing here knows of a page.
const inner = (value, log) => (log ? Math.log(value) : value);
const outer = (value, log) => (log ? Math.exp(value) : value);

/** The value at a place of an axis that goes from `start` to `stop` on the screen and through `range`. */
export function place(px, start, stop, range, log) {
  const [low, high] = range.map((value) => inner(value, log));
  return outer(low + ((px - start) / (stop - start)) * (high - low), log);
}

/** The values between two places, the lesser first. */
export const ranged = (pair, start, stop, range, log) =>
  pair.map((px) => place(px, start, stop, range, log)).sort((a, b) => a - b);

/** Which of rising values is nearest, by ratio on a logarithmic axis. */
export function nearest(values, wanted, log) {
  const apart = values.map((value) => Math.abs(inner(value, log) - inner(wanted, log)));
  return apart.indexOf(Math.min(...apart));
}

/** A range `by` times as wide, with a value of it where it was. */
export function grown(range, about, by, log) {
  const middle = inner(about, log);
  return range.map((value) => outer(middle + (inner(value, log) - middle) * by, log));
}

/** A range that was grown as far as there is anything; null where that is everything. */
export function within([low, high], [least, most]) {
  return low <= least && high >= most ? null : [Math.max(low, least), Math.min(high, most)];
}

/** What a drag has swept of a plot; of a flat one its whole height, and `y` is null. */
export function swept([x0, y0], [x1, y1], [left, right, top, bottom], least) {
  const held = (pair, low, high) => pair.map((v) => Math.max(low, Math.min(v, high))).sort((a, b) => a - b);
  const x = held([x0, x1], left, right);
  const y = held([y0, y1], top, bottom);
  const flat = y[1] - y[0] < 3 * least;
  const [from, to] = flat ? [top, bottom] : y;
  return { x, y: flat ? null : y, shown: { x: x[0], y: from, width: x[1] - x[0], height: to - from } };
}

/** What a key does: `to` a place of the cursor, a zoom `by` so much, or back to the `whole`; else null. */
export function steered({ key, ctrlKey, altKey, metaKey }, here, last) {
  if (ctrlKey || altKey || metaKey) return null;
  const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[key];
  // the first key puts the cursor into the middle
  if (by) return { to: here < 0 ? last >> 1 : Math.max(0, Math.min(here + by, last)) };
  if (key === "Home") return { to: 0 };
  if (key === "End") return { to: last };
  if (key === "+" || key === "=") return { by: CLOSER };
  if (key === "-") return { by: 1 / CLOSER };
  return key === "0" || key === "Escape" ? { whole: true } : null;
}

/** What a step of the zoom leaves of a range. */
export const CLOSER = 0.6;
