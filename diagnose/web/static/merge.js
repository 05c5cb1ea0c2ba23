// Three states of a sheet made one: what it was, what became of it here, and what became of it elsewhere. What was changed on one side
// only is taken; what was changed on both to different things is told as a clash and stays as it is here. Nothing here knows of a page.
import { aside, narrow, widen } from "./channels.js";
import { clone, same } from "./clash.js";
import { content } from "./content.js";

const SETS = ["observations", "guessed"];
const WHOLE = ["channels"];

const plain = (thing) => thing !== null && typeof thing === "object" && !Array.isArray(thing);

/** What a row is about, without what was read or found there. */
const about = (row) => content({ name: row.name ?? "", quantity: row.quantity ?? "", conditions: (row.conditions || []).map(([key, value]) => `${key} ${value}`), at: row.at ?? "", part: row.part ?? "" });

/** The longest run of pairs (i, j), both rising, at which `alike` holds. */
function common(a, b, alike) {
  let head = 0;
  while (head < Math.min(a.length, b.length) && alike(a[head], b[head])) head += 1;
  let [m, n] = [a.length, b.length];
  while (m > head && n > head && alike(a[m - 1], b[n - 1])) [m, n] = [m - 1, n - 1];
  const long = Array.from({ length: m + 1 }, () => new Array(n + 1).fill(0));
  for (let i = m - 1; i >= head; i -= 1)
    for (let j = n - 1; j >= head; j -= 1)
      long[i][j] = alike(a[i], b[j]) ? long[i + 1][j + 1] + 1 : Math.max(long[i + 1][j], long[i][j + 1]);
  const found = Array.from({ length: head }, (_, k) => [k, k]);
  for (let i = head, j = head; i < m && j < n;) {
    if (alike(a[i], b[j])) found.push([i++, j++]);
    else if (long[i + 1][j] >= long[i][j + 1]) i += 1;
    else j += 1;
  }
  return [...found, ...Array.from({ length: a.length - m }, (_, k) => [m + k, n + k])];
}

/** Between pairs that are found, the stretches of both lists: [from, to, from, to]. */
const between = (found, a, b) => [...found, [a, b]].map(([i, j], k) => {
  const [p, q] = k ? found[k - 1] : [-1, -1];
  return [p + 1, i, q + 1, j];
});

/** Whether nothing stands in a row that a file would hold: it is only on the page on which somebody has just begun it. */
const begun = (row) => (row.at !== undefined ? !row.at && !row.values?.some(Boolean)
  : row.part !== undefined ? !row.part && !row.readings?.length && !(row.found !== undefined && row.how) : row.quantity === "");

/** What was read or found in a row, without what it is about; nothing in common with any other where nothing was. */
function read({ conditions: _conditions, quantity, at: _at, part: _part, ...rest }) {
  const typed = [rest.values, rest.points?.map((point) => point.values), rest.readings?.map((entry) => entry.values)].flat(3);
  return typed.some(Boolean) ? content({ quantity, ...rest }) : Symbol("nothing");
}

/**
 * Which row of a list became which of another, as pairs of places: first those that are the same, between these those that are
 * about the same, then those in which the same was read, and where as many are left on both sides, those in their order.
 */
export function aligned(a, b) {
  const within = (known, alike) => between(known, a.length, b.length).flatMap(([i, m, j, n]) =>
    common(a.slice(i, m), b.slice(j, n), alike).map(([p, q]) => [i + p, j + q]));
  const by = (make) => {
    const texts = new Map([...a, ...b].map((row) => [row, make(row)]));
    return (one, other) => texts.get(one) === texts.get(other);
  };
  const sorted = (all) => all.sort((one, other) => one[0] - other[0]);
  let found = within([], by(content));
  for (const make of [about, read]) found = sorted([...found, ...within(found, by(make))]);
  const rest = between(found, a.length, b.length).flatMap(([i, m, j, n]) =>
    (m - i === n - j ? Array.from({ length: m - i }, (_, k) => [i + k, j + k]) : []));
  return sorted([...found, ...rest]);
}

/** What a field, or a branch, becomes. `told` gathers what changed here, what clashes, and what stays though it was removed. */
function field(base, mine, theirs, holder, key, path, told) {
  const one = [mine, theirs, base].find((thing) => thing !== undefined && !(Array.isArray(thing) && !thing.length));
  if (plain(one)) return branch(base, holder[key] ??= {}, theirs, path, told);
  if (Array.isArray(one) && !WHOLE.includes(key)) return list(one, base || [], mine || [], theirs || [], holder, key, path, told);
  if (same(mine, theirs) || same(base, theirs)) return;
  if (same(base, mine)) {
    holder[key] = clone(theirs);
    told.changes.push({ path, how: "changed" });
  } else told.clashes.push({ holder, key, path, base: clone(base), theirs: clone(theirs) });
}

function branch(base, mine, theirs, path, told) {
  for (const key of new Set([...Object.keys(mine), ...Object.keys(theirs || {})]))
    field(base?.[key], mine[key], theirs?.[key], mine, key, [...path, key], told);
}

function list(one, base, mine, theirs, holder, key, path, told) {
  // the list itself stays, since the page's buttons hold it
  const put = (made) => { holder[key] = mine; mine.splice(0, mine.length, ...made); };
  if (SETS.includes(key)) put(set(base, mine, theirs, path, told));
  else if (Array.isArray(one[0])) put(pairs(base, mine, theirs, path, told));
  else if (plain(one[0])) put(rows(base, mine, theirs, path, told));
  else {
    put([...mine]);
    for (let k = 0; k < Math.max(mine.length, theirs.length); k += 1) field(base[k], mine[k], theirs[k], mine, k, [...path, k], told);
  }
}

/** Words, or pairs of them, that stand there or not. */
function set(base, mine, theirs, path, told) {
  const [was, here, there] = [base, mine, theirs].map((list_) => new Set(list_.map(content)));
  const more = theirs.filter((word) => !was.has(content(word)) && !here.has(content(word)));
  const less = mine.filter((word) => was.has(content(word)) && !there.has(content(word)));
  for (const word of [...more, ...less]) told.changes.push({ path: [...path, word], how: "changed" });
  return [...mine.filter((word) => !less.includes(word)), ...clone(more)];
}

/** Names and texts; a part's value, or a figure, that is empty is one that is not there. */
function pairs(base, mine, theirs, path, told) {
  const [was, others] = [new Map(base), new Map(theirs)];
  const condition = path.at(-1) === "conditions"; // an empty one stands there, to be filled in
  const order = (list_) => list_.map(([name]) => name).join("\n");
  const asThere = order(mine) === order(base);
  const stays = [];
  for (const pair of mine) {
    const name = pair[0];
    const here = [...path, name];
    if (others.has(name)) field(was.get(name), pair[1], others.get(name), pair, 1, here, told);
    else if (was.has(name) && (pair[1] || condition) && same(was.get(name), pair[1])) {
      told.changes.push({ path: here, how: "removed" });
      continue;
    }
    stays.push(pair);
  }
  for (const [name, text] of theirs) {
    if (!text && !condition) continue;
    if (mine.some(([other]) => other === name) || (was.has(name) && same(was.get(name), text))) continue;
    told.changes.push({ path: [...path, name], how: "added" });
    stays.push([name, text]);
  }
  const place = new Map([...others.keys()].map((name, k) => [name, k]));
  return asThere ? stays.sort(([a], [b]) => (place.get(a) ?? 0) - (place.get(b) ?? 0)) : stays;
}

/** Rows: a row that was removed on one side and changed on the other stays. */
function rows(base, mine, theirs, path, told) {
  const here = new Map(aligned(base, mine));
  const there = new Map(aligned(base, theirs));
  const [fromHere, fromThere] = [here, there].map((found) => new Map([...found].map(([i, j]) => [j, i])));
  const made = [];
  const inner = [];
  const put = new Map(); // the place in theirs → the row that stands for it
  mine.forEach((row, k) => {
    const was = fromHere.get(k);
    const other = was === undefined ? undefined : there.get(was);
    if (was !== undefined && other === undefined && same(base[was], row) && !(told.keeps && begun(row))) {
      told.changes.push({ path: [...path, k], how: "removed", row });
      return;
    }
    if (was !== undefined && other === undefined && !same(base[was], row)) told.stays.push({ row });
    made.push(row);
    if (other === undefined) return;
    put.set(other, row);
    inner.push([base[was], row, theirs[other]]);
  });
  const fresh = new Set(mine.filter((_, k) => !fromHere.has(k)).map(content));
  theirs.forEach((row, k) => {
    if (put.has(k)) return;
    const was = fromThere.get(k);
    if (was !== undefined && same(base[was], row)) return; // removed here
    if (was === undefined && fresh.has(content(row))) return; // added on both sides
    const before = [...Array(k).keys()].reverse().find((j) => put.has(j));
    const added = clone(row);
    made.splice(before === undefined ? 0 : made.indexOf(put.get(before)) + 1, 0, added);
    put.set(k, added);
    if (was !== undefined) told.stays.push({ row: added });
    told.changes.push({ path: [...path, made.indexOf(added)], how: "added", row: added });
  });
  for (const [was, row, other] of inner) branch(was, row, other, [...path, made.indexOf(row)], told);
  return made;
}

/**
 * Bring what became of a sheet elsewhere into what became of it here, in place.
 *
 * Returns `{ changes, clashes, stays }`: what is otherwise here now (`path`, `how`, and the `row` that came or went); fields that
 * were changed on both sides (`path`, `base`, `theirs`, and `holder[key]`, where it stands); rows that stay although one side removed them.
 * With `keeps`, rows that were begun here and that no file holds yet stay as well, untold.
 */
export function merge(base, mine, theirs, keeps = false) {
  const told = { changes: [], clashes: [], stays: [], keeps };
  const all = [mine, theirs, base];
  const wide = !mine.channels ? null : all.find((sheet) => sheet.channels?.length === 2) || (all.every((sheet) => same(sheet.aside, base.aside)) ? null : all.map(aside).find(Boolean));
  if (!wide) return branch(base, mine, theirs, [], told), told;
  // with one channel here and two there, a value is told from that of the other channel only when all have two
  const count = (sheet) => sheet.channels.length;
  const after = count(mine) === count(base) ? count(theirs) : count(mine);
  const names = [...wide.channels];
  const spread = (sheet) => (count(sheet) ? clone(sheet) : widen(clone(sheet), names));
  if (count(mine) !== 2) widen(mine, names);
  if (after !== count(theirs) || after !== count(base)) told.changes.push({ path: ["channels"], how: "changed" });
  branch(spread(base), mine, spread(theirs), [], told);
  if (!after) narrow(mine);
  return told;
}
