import assert from "node:assert/strict";
import { test } from "node:test";

import { content } from "../../diagnose/web/static/content.js";

const sheet = () => ({
  case: "hum", channels: [], suspect: "",
  readings: [{ quantity: "gain", conditions: [["frequency", "1 kHz"]], values: ["34"], points: [] }],
  values: [["R1", "47k"]],
});

test("the order in which keys were set is not part of a sheet", () => {
  const { values, readings, ...rest } = sheet();
  assert.equal(content({ values, readings, ...rest }), content(sheet()));
});

test("a field left empty does not count, and neither does a condition without value", () => {
  const more = sheet();
  more.mains = "";
  more.readings[0].note = "";
  more.readings[0].conditions.push(["level", ""]);
  more.values.push(["R2", ""]);
  assert.equal(content(more), content(sheet()));
});

test("what the server keeps beside the sheet does not count", () => {
  assert.equal(content({ ...sheet(), head: "# mine", extra: { x: 1 } }), content(sheet()));
});

test("everything else does count", () => {
  const changes = {
    "a value": (s) => { s.readings[0].values = ["35"]; },
    "an empty value of a channel": (s) => { s.readings[0].values = ["34", ""]; },
    "a condition": (s) => { s.readings[0].conditions[0][1] = "100 Hz"; },
    "one reading more": (s) => { s.readings.push(structuredClone(s.readings[0])); },
    "a part's value": (s) => { s.values = []; },
    "its name": (s) => { s.case = "noise"; },
    "a value moved to the other channel": (s) => { s.readings[0].values = ["", "34"]; },
  };
  for (const [what, change] of Object.entries(changes)) {
    const other = sheet();
    change(other);
    assert.notEqual(content(other), content(sheet()), what);
  }
});

test("the order of readings counts", () => {
  const one = sheet();
  one.readings.push({ ...one.readings[0], quantity: "phase" });
  const other = structuredClone(one);
  other.readings.reverse();
  assert.notEqual(content(one), content(other));
});

test("text and number are two things, and nothing is one too", () => {
  assert.notEqual(content({ a: "1" }), content({ a: 1 }));
  assert.equal(content(undefined), "null");
  assert.equal(content(null), "null");
});
