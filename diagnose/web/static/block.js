// A block of cells from a spreadsheet, as data: what is pasted, and where it goes. Nothing here knows of a page.
import { lines } from "./walk.js";

const NUMBER = /^[<>]?\s*[-+\u2212]?(\d|[.,]\d)/;
const BARE = /^[<>]?\s*[-+\u2212]?[\d.,]+([eE][-+]?\d+)?$/;

/** The rows of a pasted text, or nothing where it is one cell, which the browser pastes itself. */
export function cells(text) {
  const rows = text.replace(/\r\n?/g, "\n").replace(/\n+$/, "").split("\n").map((row) => row.split("\t").map((cell) => cell.trim()));
  return rows.length === 1 && rows[0].length === 1 ? null : rows;
}

/** The unit that a heading ends with: `dBV` of `Level (dBV)`; `units` are the words that are one. */
export function unitIn(heading, units) {
  const words = heading.split(/[\s_,;:/()[\]]+/).filter(Boolean).reverse();
  return words.find((word) => units.includes(word)) || "";
}

/** The rows without their headings, the unit of a heading with each bare number below it. */
export function headed(rows, units) {
  const heads = rows.findIndex((row) => row.some((cell) => NUMBER.test(cell)));
  if (heads < 1) return rows;
  const wide = Math.max(...rows.map((row) => row.length));
  const said = Array.from({ length: wide }, (_, k) =>
    rows.slice(0, heads).map((row) => unitIn(row[k] || "", units)).reverse().find(Boolean) || "");
  return rows.slice(heads).map((row) => row.map((cell, k) => (said[k] && BARE.test(cell) ? `${cell} ${said[k]}` : cell)));
}

/**
 * Put rows into the readings from a field on: to the right and down. In the frequencies of a curve they become
 * points of it, as many as there are. Empty cells leave what stands there.
 * Returns how many cells went in, and how many had no place.
 */
export function put(sheet, field, rows) {
  const point = /^readings\/(\d+)\/points\/(\d+)\/at$/.exec(field);
  if (point) return points(sheet.readings[Number(point[1])], Number(point[2]), rows);
  const table = lines(sheet.readings);
  const top = table.findIndex((line) => line.includes(field));
  if (top < 0) return { put: 0, left: rows.flat().filter(Boolean).length };
  const from = table[top].indexOf(field);
  let done = 0;
  let left = 0;
  rows.forEach((row, k) => row.forEach((cell, column) => {
    if (!cell) return;
    const to = table[top + k]?.[from + column];
    if (to) store(sheet, to, cell);
    if (to) done += 1; else left += 1;
  }));
  return { put: done, left };
}

function points(entry, from, rows) {
  let done = 0;
  let left = 0;
  rows.forEach((row, k) => {
    const wide = entry.points[0]?.values.length || 1;
    entry.points[from + k] ??= { at: "", values: Array.from({ length: wide }, () => "") };
    const one = entry.points[from + k];
    row.forEach((cell, column) => {
      if (!cell) return;
      if (column > wide) return void (left += 1);
      if (column === 0) one.at = cell; else one.values[column - 1] = cell;
      done += 1;
    });
  });
  return { put: done, left };
}

function store(sheet, field, text) {
  const [, k, what, ...rest] = field.split("/");
  const entry = sheet.readings[Number(k)];
  if (what === "expected") entry.expected = text;
  else if (what === "values") entry.values[Number(rest[0])] = text;
  else entry.points[Number(rest[0])].values[Number(rest[1])] = text;
}
