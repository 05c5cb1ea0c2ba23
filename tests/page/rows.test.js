import assert from "node:assert/strict";
import { test } from "node:test";

import * as rows from "../../diagnose/web/static/rows.js";

const CHOICES = {
  quantities: {
    "dc voltage": { required: ["at"], optional: ["from"], unit: "V" },
    gain: { required: ["frequency"], optional: ["level", "at"], unit: "dB" },
    response: { required: ["frequency", "reference"], optional: ["level"], unit: "dB" },
    hum: { required: ["frequency"], optional: ["level", "output power"], unit: "V", "unit beside a level": "dB" },
  },
  nodes: [["c1", "collector of Q1"], ["out", "output"]],
  rails: ["vcc"],
  levels: ["level", "output power"],
};

const reading = (more = {}) => ({
  quantity: "dc voltage", source: "value", conditions: [["at", "c1"]], values: ["1.6"], points: [],
  uncertainty: "", note: "", ...more,
});
const sheetOf = (readings, channels = [], suspect = "") => ({ readings, channels, suspect });

test("an id keeps letters and figures only, and begins with a letter", () => {
  // HTML: an id holds no white space; CSS: one that begins with a digit needs escapes
  assert.equal(rows.slug("readings/3/output level"), "f-readings-3-output-level");
  assert.match(rows.slug("values/tone.C3"), /^[A-Za-z][A-Za-z0-9-]*$/);
});

test("hum is in volts, and in decibels once a level is said", () => {
  const hum = reading({ quantity: "hum", conditions: [["frequency", "100 Hz"]] });
  assert.equal(rows.unit(CHOICES, hum), "V");
  for (const key of ["level", "output power"])
    assert.equal(rows.unit(CHOICES, { ...hum, conditions: [...hum.conditions, [key, "1 W"]] }), "dB");
});

test("a quantity that nobody knows has no unit and no conditions", () => {
  const odd = reading({ quantity: "colour", conditions: [] });
  assert.equal(rows.unit(CHOICES, odd), "");
  assert.deepEqual(rows.missing(CHOICES, odd), []);
});

test("another quantity keeps the conditions that it has as well", () => {
  const was = reading({ quantity: "gain", conditions: [["frequency", "50 Hz"], ["level", "1 V"], ["at", "out"]] });
  assert.deepEqual(rows.needed(CHOICES, was, "response"),
    [["frequency", "50 Hz"], ["reference", "1 kHz"], ["level", "1 V"]]);
  assert.deepEqual(rows.needed(CHOICES, was, "dc voltage"), [["at", "out"]]);
});

test("a condition that is new begins with the first node of the stage", () => {
  assert.deepEqual(rows.needed(CHOICES, reading({ conditions: [] }), "dc voltage"), [["at", "c1"]]);
  assert.equal(rows.usual({ quantities: {} }, "at"), "");
  assert.equal(rows.usual(CHOICES, "rail"), "vcc");
});

test("a list over frequency has no frequency of its own", () => {
  for (const source of ["points", "file"]) {
    const list = { conditions: [], source };
    assert.deepEqual(rows.needed(CHOICES, list, "response"), [["reference", "1 kHz"]]);
    assert.ok(!rows.missing(CHOICES, { ...list, quantity: "response" }).includes("frequency"));
  }
  assert.deepEqual(rows.missing(CHOICES, reading({ quantity: "gain", conditions: [] })),
    ["frequency", "level", "at"]);
});

test("one more reading is like the one before and shares nothing with it", () => {
  const before = reading({ quantity: "gain", conditions: [["frequency", "1 kHz"]] });
  const more = rows.blank(CHOICES, [before], [""]);
  assert.equal(more.quantity, "gain");
  more.conditions[0][1] = "20 Hz";
  assert.equal(before.conditions[0][1], "1 kHz");
  assert.deepEqual(more.values, [""]);
});

test("after a curve, and on an empty sheet, one more reading is a direct voltage", () => {
  for (const list of [[], [reading({ quantity: "response", source: "points" })]]) {
    const more = rows.blank(CHOICES, list, [""]);
    assert.equal(more.quantity, "dc voltage");
    assert.deepEqual(more.conditions, [["at", "c1"]]);
  }
});

test("one more curve goes on with what is there, from the lowest to the highest of the audio band", () => {
  assert.equal(rows.curve(CHOICES, [], [""]).quantity, "response");
  const gain = rows.curve(CHOICES, [reading({ quantity: "gain" })], ["", ""]);
  assert.equal(gain.quantity, "gain");
  // 20 Hz to 20 kHz: the range that audio measurements are usual over (IEC 60268-3, from memory)
  assert.equal(gain.points[0].at, "20 Hz");
  assert.equal(gain.points.at(-1).at, "20 kHz");
  gain.points[0].values[0] = "1";
  assert.equal(gain.points[1].values[0], "", "every point has values of its own");
});

test("a limit asks for both ends, or for a value and how near", () => {
  assert.deepEqual(rows.figures([["max", "0.1"]]), [["min", ""], ["max", "0.1"]]);
  assert.deepEqual(rows.figures([["within", "1"], ["value", "40"]]), [["value", "40"], ["within", "1"]]);
  const pair = ["max", "0.1"];
  assert.equal(rows.figures([pair])[1], pair, "the pair that is typed into stays the sheet's");
});

test("after a repair that is read again which was read of the suspect, without its old values", () => {
  const sheet = sheetOf([
    reading({ values: ["1.6", ""] }),
    reading({ quantity: "gain", values: ["", "34"], note: "as before" }),
    reading({ quantity: "response", source: "points", values: ["", ""], points: [{ at: "20 Hz", values: ["", "-1"] }] }),
    reading({ quantity: "response", source: "file", values: ["a.csv", "b.csv"] }),
  ], ["left", "right"], "right");
  const list = rows.again(sheet);
  assert.deepEqual(list.map((entry) => entry.quantity), ["gain", "response"]);
  assert.deepEqual(list.map((entry) => entry.values), [[""], [""]]);
  assert.deepEqual(list[1].points, [{ at: "20 Hz", values: [""] }]);
  assert.equal(list[0].note, "");
  assert.deepEqual(sheet.readings[1].values, ["", "34"], "the sheet keeps what was read before");
});

test("what a good unit reads stays beside the reading, and is no business of a repair", () => {
  const entry = reading({ expected: "1.5 V" });
  assert.equal(rows.blank(CHOICES, [entry], [""]).expected, "");
  assert.equal(rows.again(sheetOf([entry]))[0].expected, "");
  assert.equal(entry.expected, "1.5 V");
});

test("a part's value that is emptied is as drawn again", () => {
  assert.deepEqual(rows.given([["R1", "47k"]], "C2", "10u"), [["R1", "47k"], ["C2", "10u"]]);
  assert.deepEqual(rows.given([["R1", "47k"]], "R1", "43k"), [["R1", "43k"]]);
  assert.deepEqual(rows.given([["R1", "47k"]], "R1", ""), []);
});
