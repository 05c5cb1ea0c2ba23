import assert from "node:assert/strict";
import { test } from "node:test";

import { merge } from "../../diagnose/web/static/merge.js";
import { called, gone, told } from "../../diagnose/web/static/told.js";

const sheet = () => ({ case: "hum", channels: [], aside: "", values: [["R1", "47k"]], checks: [{ part: "C1", found: "good", how: "" }], observations: [],
  limits: [{ quantity: "gain", conditions: [["frequency", "1 kHz"]], figures: [["min", "3"]] }],
  readings: [{ quantity: "gain", source: "value", conditions: [["frequency", "1 kHz"]], values: ["34"], points: [] },
    { quantity: "response", source: "points", conditions: [["reference", "1 kHz"]], values: [""], points: [{ at: "20 Hz", values: ["-1"] }] }],
  repaired: [{ part: "C1", how: "replaced", readings: [{ quantity: "gain", source: "value", conditions: [], values: ["34"], points: [] }] }] });

function change(does) {
  const now = sheet();
  does(now);
  const { changes } = merge(sheet(), sheet(), now);
  return [told(changes, now), gone(changes)];
}

test("what was changed is said in the words of the sheet, and what went can be had back", () => {
  assert.deepEqual(change((s) => s.readings.splice(1, 1)), ["curve of response 1 kHz removed", true]);
  assert.deepEqual(change((s) => s.readings.push({ quantity: "noise", conditions: [], values: [""], points: [] })), ["noise added", false]);
  assert.deepEqual(change((s) => { s.readings.length = 0; }), ["2 readings removed", true]);
  assert.deepEqual(change((s) => s.limits.pop()), ["published figure of gain 1 kHz removed", true]);
  assert.deepEqual(change((s) => s.readings[1].points.pop()), ["point at 20 Hz removed", true]);
  assert.deepEqual(change((s) => s.checks.pop()), ["check of C1 removed", true]);
  assert.deepEqual(change((s) => s.repaired.pop()), ["repair of C1 removed", true]);
  assert.deepEqual(change((s) => { s.readings[0].values[0] = "3"; }), ["gain 1 kHz", false]);
  assert.deepEqual(change((s) => { s.repaired[0].readings[0].values[0] = "3"; }), ["gain after the repair", false]);
  assert.deepEqual(change((s) => { s.values[0][1] = "1k"; s.case = "x"; s.observations.push("hum"); }), ["the name, the value of R1, what was noticed", false]);
  assert.deepEqual(change((s) => { s.channels = ["l", "r"]; }), ["the number of channels", true]);
  assert.deepEqual(change((s) => s.readings.reverse()), ["gain 1 kHz moved", false]);
  assert.deepEqual(change(() => {}), ["a change", false]);
});

test("a row that nobody has filled in has a name too", () => {
  assert.equal(called({ quantity: "", conditions: [] }), "reading");
  assert.equal(called({ part: "" }, "checks"), "check of a part");
  assert.equal(called({ at: "", values: [] }), "point at no frequency");
});
