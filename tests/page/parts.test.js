import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { blank, confirm, exact, guessed, pins, reference, remove, renamed, reorder, said, value } from "../../diagnose/web/static/parts.js";

const choices = { kinds: {
  npn: { family: "bipolar", pins: ["collector", "base", "emitter"], optional: 0, models: ["small-signal-npn"] },
  opamp: { family: "opamp", pins: ["in+", "in-", "out", "V+", "V-"], optional: 2, models: [] },
  "carbon-film": { family: "resistor", pins: ["a", "b"], optional: 0, models: [] },
} };
let table;

beforeEach(() => {
  table = {
    head: { load: "47 kohm", input: "in" },
    rails: [{ was: 0, name: "vcc", volts: "24 V", more: "" }],
    parts: [{ ...blank("parts"), was: 0, name: "R1", kind: "carbon-film", value: "10k" }, { ...blank("parts"), was: 1, name: "Q1", kind: "npn" }],
    points: [],
    guessed: [["stage", "load"], ["R1", "kind"], ["R1", "role"], ["Q1", "pins"]],
  };
});

test("a guess is confirmed alone, with its part, or with all others", () => {
  confirm(table, "R1", "kind");
  assert.deepEqual(guessed(table, "R1"), ["role"]);
  assert.deepEqual(guessed(table), ["load"]);
  confirm(table, "R1");
  assert.deepEqual(table.guessed, [["stage", "load"], ["Q1", "pins"]]);
  confirm(table);
  assert.deepEqual(table.guessed, []);
});

test("what somebody types is no guess any more, and nothing else is taken for confirmed", () => {
  assert.equal(said(table, "Q1", "nodes"), true, "pins are the nodes of a part");
  assert.equal(said(table, "Q1", "nodes"), false);
  assert.equal(said(table, "R1", "value"), false);
  assert.equal(said(table, "stage", "load"), true);
  assert.deepEqual(table.guessed, [["R1", "kind"], ["R1", "role"]]);
});

test("guesses follow a part that is called otherwise, not one that has no name for a moment", () => {
  renamed(table, "R1", "R10");
  assert.deepEqual(guessed(table, "R10"), ["kind", "role"]);
  renamed(table, "R10", "");
  assert.deepEqual(guessed(table, "R10"), ["kind", "role"]);
});

test("what is to be confirmed is told in words", () => {
  assert.equal(value(table, "R1", "kind"), "carbon-film");
  assert.equal(value(table, "stage", "load"), "47 kohm");
  assert.equal(value(table, "stage", "rails"), "vcc 24 V");
  assert.equal(value(table, "R7", "kind"), "");
});

test("pins stand in the order of the nodes, those that may be left out in brackets", () => {
  assert.equal(pins(choices, "npn"), "collector, base, emitter");
  assert.equal(pins(choices, "opamp"), "in+, in-, out, [V+], [V-]");
  assert.equal(pins(choices, "unknown"), "");
});

test("the next reference is the first free one of the letter that is usual for the kind (IEC 60617 and practice)", () => {
  assert.equal(reference(choices, table, "carbon-film"), "R2");
  assert.equal(reference(choices, table, "npn"), "Q2");
  assert.equal(reference(choices, table, "opamp"), "U1");
  assert.equal(reference(choices, table, "unknown"), "");
});

test("a row that was removed comes back where it was, with what was guessed of it", () => {
  const before = structuredClone(table);
  const back = remove(table, "parts", 0);
  assert.deepEqual(table.parts.map((row) => row.name), ["Q1"]);
  assert.deepEqual(guessed(table, "R1"), []);
  back();
  assert.deepEqual(table.parts, before.parts);
  assert.deepEqual(guessed(table, "R1"), ["kind", "role"]);
});

test("two states are the same however they are spaced and in whatever order their keys stand", () => {
  assert.equal(exact({ a: "x  y ", b: [1, null] }), exact({ b: [1, null], a: "x y" }));
  assert.notEqual(exact({ head: { load: "1" } }), exact({ head: { load: "2" } }));
});

test("a row is put into another place, and no farther than the ends", () => {
  const names = () => table.parts.map((row) => row.name);
  table.parts.push({ ...blank("parts"), name: "C1" });
  assert.equal(reorder(table, "parts", 0, 2), true);
  assert.deepEqual(names(), ["Q1", "C1", "R1"]);
  assert.equal(reorder(table, "parts", 2, 0), true);
  assert.deepEqual(names(), ["R1", "Q1", "C1"]);
  assert.equal(reorder(table, "parts", 2, 9), false);
  assert.equal(reorder(table, "parts", 0, -1), false);
  assert.equal(reorder(table, "parts", 1, 9), true);
  assert.deepEqual(names(), ["R1", "C1", "Q1"]);
  assert.deepEqual(table.guessed.length, 4);
});
