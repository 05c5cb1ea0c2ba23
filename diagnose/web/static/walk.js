// Going from value to value by keys, as data: which field comes next. Nothing here knows of a page.

/**
 * The lines of a list of readings from top to bottom, each the fields of its values from left to right: one line a
 * reading with what is expected of it, one a point of a curve. `expects` says whether there is a column for that.
 */
export function lines(readings, place = "readings", expects = true) {
  return readings.flatMap((entry, k) => {
    const row = `${place}/${k}`;
    if (entry.source === "points") return entry.points.map((point, p) => point.values.map((_, side) => `${row}/points/${p}/${side}`));
    if (entry.source === "file") return [];
    return [[...entry.values.map((_, side) => `${row}/values/${side}`), ...(expects ? [`${row}/expected`] : [])]];
  });
}

/** The row of a list that a field stands in: `readings/3` of `readings/3/values/0`. */
export function rowOf(field) {
  const found = /^(readings\/\d+|repaired\/\d+\/readings\/\d+)(\/|$)/.exec(field);
  return found ? found[1] : "";
}

/** How many lines down a key goes; 0 for another key. */
export function down({ key, shiftKey, ctrlKey, altKey, metaKey }) {
  if (ctrlKey || altKey || metaKey) return 0;
  if (key === "Enter") return shiftKey ? -1 : 1;
  return shiftKey ? 0 : { ArrowDown: 1, ArrowUp: -1 }[key] || 0;
}

/** The field so many lines further in the same column, or nothing past the ends. From beside the values it is the first of them. */
export function further(table, field, by) {
  let at = table.findIndex((line) => line.includes(field));
  const column = at < 0 ? 0 : table[at].indexOf(field);
  if (at < 0) {
    const row = rowOf(field);
    const inside = (line) => rowOf(line[0]) === row;
    at = by < 0 ? table.findIndex(inside) : table.findLastIndex(inside);
    if (at < 0) return null;
  }
  const line = table[at + by];
  return line ? line[Math.min(column, line.length - 1)] : null;
}

/** Whether a key leaves a field sideways: the caret is at its end, or the field is no text. */
export function sideways({ key, shiftKey, ctrlKey, altKey, metaKey }, { text, start, end, length }) {
  const way = { ArrowLeft: -1, ArrowRight: 1 }[key] || 0;
  if (!way || shiftKey || ctrlKey || altKey || metaKey) return 0;
  if (!text) return way;
  if (start === 0 && end === length) return way; // all of it is chosen, as after a step
  return start === end && start === (way < 0 ? 0 : length) ? way : 0;
}
