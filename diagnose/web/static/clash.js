// Fields that were changed in two places to different things, until somebody chooses: where they stand, and what both sides agree on meanwhile.
// A clash is `{ holder, key, base, theirs }`: `holder[key]` is the text as it stands here. Nothing here knows of a page.
import { content } from "./content.js";

/** A text as it is kept, whose blanks do not count. */
const bare = (thing) => (typeof thing === "string" ? thing.split(/\s+/).join(" ").trim() : thing ?? "");

/** Whether two things are the same; a field left empty is one that is not there. */
export const same = (a, b) => content(bare(a)) === content(bare(b));

export const clone = (thing) => (thing === undefined ? undefined : structuredClone(thing));

/** The sheet with what stands elsewhere in the fields that clash. */
export function agreed(sheet, clashes) {
  const here = clashes.map(({ holder, key }) => holder[key]);
  for (const { holder, key, theirs } of clashes) holder[key] = theirs ?? "";
  const made = clone(sheet);
  clashes.forEach(({ holder, key }, k) => { holder[key] = here[k]; });
  return made;
}

function walk(node, path, visit) {
  visit(node, path);
  const inside = Array.isArray(node) ? node.map((one, k) => [Array.isArray(one) ? one[0] : k, one]) : Object.entries(node);
  for (const [key, one] of inside) if (one !== null && typeof one === "object") walk(one, [...path, key], visit);
}

/** Clashes with the `path` at which they stand now; those whose field is gone, or says the same as elsewhere by now, are none any more. */
export function placed(sheet, clashes) {
  const paths = new Map();
  walk(sheet, [], (node, path) => paths.set(node, path));
  const pair = (clash) => clash.key === 1 && typeof clash.holder[0] === "string" && clash.holder[0] === paths.get(clash.holder).at(-1);
  return clashes.filter(({ holder, key, theirs }) => paths.has(holder) && !same(holder[key], theirs))
    .map((clash) => ({ ...clash, path: pair(clash) ? paths.get(clash.holder) : [...paths.get(clash.holder), clash.key] }));
}

/** Clashes as they were kept (`path`, `base`, `theirs`), found in a sheet again. */
export function located(sheet, kept) {
  const find = (path) => {
    let node = sheet;
    for (const [k, key] of path.entries()) {
      const last = k === path.length - 1;
      const pair = Array.isArray(node) && Array.isArray(node[0]) ? node.find(([word]) => word === key) : null;
      if (pair) return last ? { holder: pair, key: 1 } : null;
      if (last) return node && typeof node === "object" ? { holder: node, key } : null;
      node = node?.[key];
    }
    return null;
  };
  return kept.map((clash) => ({ ...clash, ...find(clash.path) })).filter(({ holder }) => holder);
}

/** As they are kept. */
export const kept = (sheet, clashes) => placed(sheet, clashes).map(({ path, base, theirs }) => ({ path, base, theirs }));

/** Clashes that were there, and those that came: of one field, the later one. */
export const combined = (sheet, before, more) => placed(sheet, [
  ...before.filter((one) => !more.some((other) => other.holder === one.holder && other.key === one.key)), ...more]);

/** The field of the page that a path leads to. */
export function fieldOf(path) {
  const inside = path.filter((key, k) => !["conditions", "figures"].includes(key) && !(key === "values" && path[k - 2] === "points"));
  return { channels: "two" }[inside[0]] || inside.join("/");
}
