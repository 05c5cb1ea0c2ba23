// What was changed on a sheet, in words. Nothing here knows of a page.
import { same } from "./clash.js";

const LISTS = { readings: "reading", limits: "published figure", repaired: "repair", checks: "check", points: "point", parts: "part", rails: "rail" };
const FIELDS = { case: "the name", mains: "the mains", suspect: "the channel under suspicion", observations: "what was noticed", channels: "the number of channels",
  head: "what stands for the whole stage", guessed: "what was guessed" };
const MOST = 3;

/** What a row is, in a few words. */
export function called(row, list = "") {
  if (row.name !== undefined) return row.name || `a ${LISTS[list] || "row"} without a name`;
  if (row.at !== undefined) return `point at ${row.at || "no frequency"}`;
  if (list === "repaired") return `repair of ${row.part || "a part"}`;
  if (row.quantity === undefined) return `${LISTS[list] || "row"} of ${row.part || "a part"}`;
  const said = [row.quantity, ...(row.conditions || []).map(([, value]) => value)].filter(Boolean).join(" ");
  return list === "limits" ? `published figure of ${said}` : row.source === "points" ? `curve of ${said}` : said || "reading";
}

/** What the thing at a path is. */
function thing(path, sheet) {
  const [list, k, ...more] = path;
  if (list === "values") return `the value of ${k}`;
  const row = sheet[list]?.[k];
  if (!row || typeof row !== "object") return FIELDS[list] || "the sheet";
  return more[0] === "readings" && row.readings[more[1]] ? `${called(row.readings[more[1]])} after the repair` : called(row, list);
}

/** Rows that went in one place and came in another: they were moved. */
const moved = (changes) => changes.filter(({ how, row }) => how === "removed" && row && changes.some((other) => other.how === "added" && other.row && same(other.row, row)));

/** Changes, as `merge` tells them, in words: what came or went, or else what is otherwise. */
export function told(changes, sheet) {
  if (changes.some(({ path }) => path[0] === "channels")) return FIELDS.channels;
  const [move] = moved(changes);
  if (move) return `${called(move.row, move.path[0])} moved`;
  for (const [how, word] of [["removed", "removed"], ["added", "added"]]) {
    const rows = changes.filter((change) => change.how === how && change.row);
    const list = (change) => change.path.filter((key) => LISTS[key]).at(-1);
    if (rows.length === 1) return `${called(rows[0].row, list(rows[0]))} ${word}`;
    if (rows.length) return `${rows.length} ${LISTS[list(rows[0])] || "row"}s ${word}`;
  }
  const things = [...new Set(changes.map(({ path }) => thing(path, sheet)))];
  if (!things.length) return "a change";
  return things.slice(0, MOST).join(", ") + (things.length > MOST ? ` and ${things.length - MOST} more` : "");
}

/** Whether something went that somebody may want back at once. */
export const gone = (changes) => changes.some((change) => (change.how === "removed" && change.row && !moved(changes).includes(change)) || change.path[0] === "channels");
