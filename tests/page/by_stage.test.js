import assert from "node:assert/strict";
import { test } from "node:test";

import { counted, folds, placeOf, read } from "../../diagnose/web/static/by_stage.js";

const CHAIN = {
  members: [["phono", "Record input", "phono.out"], ["power", "Power stage", "power.out"]],
  supplies: ["main", "minus"],
};
const of = (quantity, conditions, ...values) => ({ quantity, conditions, values, source: "value", points: [] });

test("the gain up to a stage's output, and that of the unit, trace the signal", () => {
  for (const where of [[["at", "phono.out"]], [["at", "power.out"]], [["at", "out"]], []])
    assert.equal(placeOf(of("gain", [["frequency", "1 kHz"], ...where]), CHAIN), "tracing");
  // a stage by itself, and a point inside one, belong to that stage
  assert.equal(placeOf(of("gain", [["at", "power.out"], ["from", "phono.out"]]), CHAIN), "stage-power");
  assert.equal(placeOf(of("gain", [["at", "phono.c1"]]), CHAIN), "stage-phono");
});

test("a reading belongs where its node, rail or pair of nodes is", () => {
  assert.equal(placeOf(of("dc voltage", [["at", "phono.c1"]]), CHAIN), "stage-phono");
  assert.equal(placeOf(of("dc voltage", [["at", "main"]]), CHAIN), "supplies");
  assert.equal(placeOf(of("supply current", [["rail", "minus"]]), CHAIN), "supplies");
  assert.equal(placeOf(of("resistance", [["between", "power.b, 0"]]), CHAIN), "stage-power");
  assert.equal(placeOf(of("hum", [["frequency", "50 Hz"]]), CHAIN), "whole");
  // a stage whose name begins as another's is another one
  assert.equal(placeOf(of("dc voltage", [["at", "powers.b"]]), CHAIN), "whole");
});

test("folds stand in the order of the signal with tracing first, and none is empty", () => {
  const readings = [of("hum", [], ""), of("dc voltage", [["at", "power.b"]], "1 V"), of("gain", [], ""),
    of("dc voltage", [["at", "phono.b"]], ""), of("dc voltage", [["at", "power.c"]], " ")];
  const made = folds(readings, CHAIN);
  assert.deepEqual(made.map((fold) => fold.id), ["tracing", "stage-phono", "stage-power", "whole"]);
  assert.deepEqual(made.map((fold) => fold.rows), [[2], [3], [1, 4], [0]]);
  assert.deepEqual(made.map(counted), ["0 of 1 read", "0 of 1 read", "1 of 2 read", "0 of 1 read"]);
});

test("every row is in one fold", () => {
  const readings = ["gain", "dc voltage", "resistance", "thd"].flatMap((word) =>
    [[], [["at", "phono.x"]], [["at", "nowhere"]], [["rail", "main"]]].map((where) => of(word, where, "1")));
  const rows = folds(readings, CHAIN).flatMap((fold) => fold.rows);
  assert.deepEqual(rows.sort((a, b) => a - b), readings.map((_, k) => k));
});

test("a curve counts once a point of it was read, and one channel is enough", () => {
  assert.equal(read({ source: "points", values: [""], points: [{ at: "1 kHz", values: [""] }] }), false);
  assert.equal(read({ source: "points", values: [""], points: [{ at: "1 kHz", values: ["", "3"] }] }), true);
  assert.equal(read(of("gain", [], "", "35")), true);
});
