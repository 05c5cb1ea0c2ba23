import assert from "node:assert/strict";
import { test } from "node:test";

import { aside, narrow, widen } from "../../diagnose/web/static/channels.js";
import { content } from "../../diagnose/web/static/content.js";

const reading = (more = {}) => ({
  quantity: "dc voltage", source: "value", conditions: [["at", "c1"]], values: ["1.6"], points: [],
  uncertainty: "", note: "", expected: "", ...more,
});
const sheetOf = (readings, channels = [], suspect = "") => ({ readings, channels, suspect });
const NAMES = ["left", "right"];

test("a second channel takes no value from the first", () => {
  const sheet = sheetOf([reading({ expected: "1.5 V" }), reading({ source: "points", values: [""], points: [{ at: "20 Hz", values: ["-1"] }] })]);
  widen(sheet, NAMES);
  assert.deepEqual(sheet.readings[0].values, ["1.6", ""]);
  assert.deepEqual(sheet.readings[1].points[0].values, ["-1", ""]);
  assert.deepEqual([sheet.channels, sheet.suspect], [NAMES, "left"]);
  assert.equal(sheet.readings[0].expected, "1.5 V");
});

test("back to one channel, what was read of the suspect stays", () => {
  const sheet = sheetOf([reading({ values: ["1.6", "9.9"], points: [{ at: "20 Hz", values: ["0", "-3"] }] })], NAMES, "right");
  narrow(sheet);
  assert.deepEqual(sheet.readings[0].values, ["9.9"]);
  assert.deepEqual(sheet.readings[0].points[0].values, ["-3"]);
  assert.deepEqual([sheet.channels, sheet.suspect], [[], ""]);
});

for (const suspect of NAMES)
  test(`what was read of the other channel comes back with it, ${suspect} under suspicion`, () => {
    const sheet = sheetOf([reading({ values: ["1.6", "9.9"] }), reading({ quantity: "gain", values: ["", "3"] }), reading({ quantity: "gain", values: ["4", ""] }),
      reading({ quantity: "response", source: "points", values: ["", ""], points: [{ at: "20 Hz", values: ["0", "-3"] }, { at: "1 kHz", values: ["", "0"] }] }),
      reading({ quantity: "response", source: "file", values: ["a.csv", "b.csv"] })], NAMES, suspect);
    const before = structuredClone(sheet);
    narrow(sheet);
    widen(sheet, ["other", "names"]);
    assert.equal(content(sheet), content(before));
    assert.equal(sheet.aside, "");
  });

test("what is typed while there is one channel stays, and a row that is gone comes back as one of its own", () => {
  const sheet = sheetOf([reading({ values: ["1.6", "9.9"] }), reading({ quantity: "gain", values: ["4", "5"] })], NAMES, "left");
  narrow(sheet);
  sheet.readings[0].values[0] = "1.7";
  sheet.readings.splice(1, 1);
  widen(sheet, NAMES);
  assert.deepEqual(sheet.readings.map((entry) => [entry.quantity, entry.values]), [["dc voltage", ["1.7", "9.9"]], ["gain", ["", "5"]]]);
});

test("nothing is set aside where nothing was read, and what somebody wrote there by hand does no harm", () => {
  const sheet = sheetOf([reading({ values: ["1.6", ""] })], NAMES, "left");
  assert.equal(narrow(sheet).aside, "");
  for (const odd of ["{", "7", '"a"', '{"channels": ["x"]}', '{"channels": ["a", "b"]}']) assert.equal(aside({ aside: odd }), null);
  widen({ ...sheet, aside: "{" }, NAMES);
});
