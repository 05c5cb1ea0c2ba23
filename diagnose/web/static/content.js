// What stands on a sheet, as one text to compare by.
const PAIRS = ["values", "conditions", "figures"];

/** A text that two sheets share if and only if the same stands on them; fields left empty do not count. */
export function content(thing) {
  if (Array.isArray(thing)) return `[${thing.map(content)}]`;
  if (thing === null || typeof thing !== "object") return JSON.stringify(thing) ?? "null";
  const keys = Object.keys(thing).filter((key) => thing[key] !== "" && key !== "head" && key !== "extra");
  return `{${keys.sort().map((key) => {
    const pairs = PAIRS.includes(key) && Array.isArray(thing[key][0]);
    return `${key}:${content(pairs ? thing[key].filter((pair) => pair[1]) : thing[key])}`;
  })}}`;
}
