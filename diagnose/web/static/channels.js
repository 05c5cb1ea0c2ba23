// One channel or two: what becomes of the values when the second comes and goes. What was read of the channel that goes is set aside
// on the sheet, and comes back with it. Nothing here knows of a page.
import { side } from "./rows.js";

/** What tells each reading of a list from the others: what it is of, and how many such stand before it. */
function marks(list) {
  const seen = new Map();
  return list.map((entry) => {
    const about = JSON.stringify([entry.quantity, entry.source, entry.conditions]);
    seen.set(about, (seen.get(about) ?? -1) + 1);
    return `${seen.get(about)} ${about}`;
  });
}

const fill = (values, list) => values.splice(0, values.length, ...list);

/** What was set aside when the second channel went, or nothing. */
export function aside(sheet) {
  try {
    const told = JSON.parse(sheet.aside || "null");
    return told && told.channels?.length === 2 && Array.isArray(told.readings) ? told : null;
  } catch {
    return null; // somebody has written there by hand
  }
}

/** One channel: the values of the one under suspicion stay, the others are set aside. The sheet is changed in place. */
export function narrow(sheet) {
  const [from, channels] = [side(sheet), [...sheet.channels]];
  const other = 1 - from;
  const readings = [];
  const names = marks(sheet.readings);
  for (const [k, entry] of sheet.readings.entries()) {
    const read = entry.source === "points" ? entry.points.some((point) => point.values[other]) : entry.values[other];
    if (read) readings.push({ mark: names[k], quantity: entry.quantity, conditions: entry.conditions, source: entry.source, value: entry.values[other] || "",
      points: entry.source === "points" ? entry.points.map((point) => [point.at, point.values[other] || ""]) : [] });
    fill(entry.values, [entry.values[from] ?? ""]);
    for (const point of entry.points) fill(point.values, [point.values[from] ?? ""]);
  }
  sheet.aside = readings.length ? JSON.stringify({ channels, suspect: sheet.suspect, readings }) : "";
  sheet.channels = [];
  sheet.suspect = "";
  return sheet;
}

/** Two channels: what was set aside comes back, in rows of its own where its row is gone. The sheet is changed in place. */
export function widen(sheet, names) {
  const back = aside(sheet);
  const channels = back ? back.channels : names;
  const from = back ? side(back) : 0;
  const both = (mine, theirs) => (from ? [theirs, mine] : [mine, theirs]);
  const left = [...(back?.readings || [])];
  const known = marks(sheet.readings);
  for (const [k, entry] of sheet.readings.entries()) {
    const found = left.findIndex(({ mark }) => mark === known[k]);
    const twin = found < 0 ? null : left.splice(found, 1)[0];
    const points = new Map(twin?.points || []);
    fill(entry.values, both(entry.values[0] ?? "", twin?.value || ""));
    for (const point of entry.points) {
      fill(point.values, both(point.values[0] ?? "", points.get(point.at) || ""));
      points.delete(point.at);
    }
    for (const [at, value] of points) if (value) entry.points.push({ at, values: both("", value) });
  }
  for (const one of left) sheet.readings.push({ quantity: one.quantity, conditions: one.conditions, source: one.source, uncertainty: "", note: "",
    expected: "", values: both("", one.value), points: one.points.map(([at, value]) => ({ at, values: both("", value) })) });
  sheet.aside = "";
  sheet.channels = [...channels];
  sheet.suspect = back?.suspect || channels[0];
  return sheet;
}
