// The table of a stage as data: rows, guesses and what becomes of them. Nothing here knows of a page.
const COLUMNS = {
  parts: ["name", "kind", "nodes", "value", "model", "role", "more"],
  rails: ["name", "volts", "more"],
  points: ["name", "text"],
};
const OF_PART = { kind: "kind", polarity: "nodes", pins: "nodes", value: "value", model: "model",
  position: "more", tolerance: "more", role: "role" };
const LETTERS = { resistor: "R", potentiometer: "RV", capacitor: "C", inductor: "L", transformer: "T", bipolar: "Q",
  jfet: "Q", mosfet: "Q", diode: "D", zener: "D", opamp: "U", triode: "V", pentode: "V", contact: "S" };
const STAGE = "stage";

/** An empty row of a list. */
export const blank = (section) => ({ was: -1, ...Object.fromEntries(COLUMNS[section].map((word) => [word, ""])) });

/** A text that two states share if and only if the same was typed; how it is spaced does not count. */
export function exact(thing) {
  if (typeof thing === "string") return JSON.stringify(thing.split(/\s+/).join(" ").trim());
  if (Array.isArray(thing)) return `[${thing.map(exact)}]`;
  if (thing === null || typeof thing !== "object") return JSON.stringify(thing) ?? "null";
  return `{${Object.keys(thing).sort().map((key) => `${key}:${exact(thing[key])}`)}}`;
}

/** The words that are guessed of a part, or of the stage itself. */
export const guessed = (table, of = STAGE) => table.guessed.filter(([name]) => name === of).map(([, word]) => word);

/** The field of a row that a guess is about; of the stage, the word is the field, and rails are a list. */
export const about = (of, word) => (of === STAGE ? word : OF_PART[word] || "more");

/** Take guesses off the list: of one word, of all of a part, or all there are. */
export function confirm(table, of, word) {
  table.guessed = table.guessed.filter(([name, other]) => !(of === undefined || (name === of && (word === undefined || other === word))));
}

/** What somebody has typed is no guess any more; whether anything was one. */
export function said(table, of, field) {
  const before = table.guessed.length;
  table.guessed = table.guessed.filter(([name, word]) => !(name === of && about(name, word) === field));
  return table.guessed.length < before;
}

/** A part is called otherwise: what was guessed of it follows. */
export function renamed(table, was, now) {
  if (!was || !now) return;
  for (const pair of table.guessed) if (pair[0] === was) pair[0] = now;
}

/** What a row says of a word that was guessed, for who confirms it. */
export function value(table, of, word) {
  if (of === STAGE) {
    if (word === "rails") return table.rails.map((rail) => `${rail.name} ${rail.volts}`).join(", ");
    return table.head[word] || "";
  }
  return table.parts.find((row) => row.name === of)?.[about(of, word)] || "";
}

/** Pins of a kind in the order of the nodes, those that may be left out in brackets. */
export function pins(choices, kind) {
  const told = choices.kinds[kind];
  if (!told) return "";
  const first = told.pins.length - told.optional;
  return told.pins.map((pin, k) => (k < first ? pin : `[${pin}]`)).join(", ");
}

/** The next free reference for a kind of part, such as R7. */
export function reference(choices, table, kind) {
  const letter = LETTERS[choices.kinds[kind]?.family];
  if (!letter) return "";
  const taken = new Set(table.parts.map((row) => row.name.toUpperCase()));
  let number = 1;
  while (taken.has(`${letter}${number}`)) number += 1;
  return `${letter}${number}`;
}

/** Take a row away; a function that puts it back where it was, with what was guessed of it. */
export function remove(table, section, k) {
  const [row] = table[section].splice(k, 1);
  const marks = section === "parts" ? table.guessed.filter(([name]) => name === row.name) : [];
  if (marks.length) confirm(table, row.name);
  return () => {
    table[section].splice(k, 0, row);
    table.guessed.push(...marks);
  };
}

/** Put a row of a list into another place; whether it was in another. */
export function reorder(table, section, from, to) {
  const rows = table[section];
  const there = Math.max(0, Math.min(rows.length - 1, to));
  if (there === from || !rows[from]) return false;
  rows.splice(there, 0, ...rows.splice(from, 1));
  return true;
}
