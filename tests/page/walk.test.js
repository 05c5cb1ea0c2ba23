import assert from "node:assert/strict";
import test from "node:test";
import { cells, headed, put, unitIn } from "../../diagnose/web/static/block.js";
import * as walk from "../../diagnose/web/static/walk.js";

const value = (...values) => ({ quantity: "dc voltage", source: "value", values, points: [], expected: "" });
const curve = (...at) => ({ quantity: "response", source: "points", values: [""], points: at.map((word) => ({ at: word, values: [""] })), expected: "" });
const UNITS = ["dB", "dBV", "V", "mV", "Hz", "kHz"];

test("the lines of values run down the sheet and through the points of a curve", () => {
  const readings = [value("1"), curve("20 Hz", "1 kHz"), { ...value("a.csv"), source: "file" }, value("2")];
  assert.deepEqual(walk.lines(readings), [["readings/0/values/0", "readings/0/expected"], ["readings/1/points/0/0"],
    ["readings/1/points/1/0"], ["readings/3/values/0", "readings/3/expected"]]);
});

test("Enter and the arrows stay in their column, past a line that has fewer", () => {
  const table = walk.lines([value("1", "2"), curve("20 Hz"), value("3", "4")]);
  assert.equal(walk.further(table, "readings/0/values/0", 1), "readings/1/points/0/0");
  assert.equal(walk.further(table, "readings/0/values/1", 1), "readings/1/points/0/0", "the last there is");
  assert.equal(walk.further(table, "readings/2/values/1", -1), "readings/1/points/0/0");
  assert.equal(walk.further(table, "readings/2/values/0", 1), null);
  assert.equal(walk.further(table, "readings/0/values/0", -1), null);
  // from what stands beside a value to the value of the row above or below
  assert.equal(walk.further(table, "readings/1/quantity", 1), "readings/2/values/0");
  assert.equal(walk.further(table, "readings/1/quantity", -1), "readings/0/values/0");
});

test("only a bare Enter or arrow walks; what is held with it belongs to the field", () => {
  const key = (name, more = {}) => ({ key: name, ...more });
  assert.deepEqual([key("Enter"), key("Enter", { shiftKey: true }), key("ArrowUp"), key("ArrowDown", { altKey: true }), key("ArrowDown", { shiftKey: true }), key("a")]
    .map(walk.down), [1, -1, -1, 0, 0, 0]);
});

test("an arrow leaves a text at its end only, so that a digit can be put right", () => {
  const at = (start, end = start) => ({ text: true, start, end, length: 4 });
  assert.equal(walk.sideways({ key: "ArrowLeft" }, at(2)), 0);
  assert.equal(walk.sideways({ key: "ArrowLeft" }, at(0)), -1);
  assert.equal(walk.sideways({ key: "ArrowRight" }, at(4)), 1);
  assert.equal(walk.sideways({ key: "ArrowRight" }, at(0, 4)), 1, "all of it is chosen after a step");
  assert.equal(walk.sideways({ key: "ArrowRight", shiftKey: true }, at(4)), 0);
  assert.equal(walk.sideways({ key: "ArrowRight" }, { text: false }), 1);
});

test("one cell is the browser's to paste; a block is rows of cells, as spreadsheets copy them", () => {
  assert.equal(cells("1.5 V"), null);
  assert.equal(cells("1.5 V\n"), null);
  assert.deepEqual(cells("1\t2\r\n3\t\r\n"), [["1", "2"], ["3", ""]]);
});

test("a heading that states the unit is believed, and only where a number says none itself", () => {
  assert.equal(unitIn("Level (dBV)", UNITS), "dBV");
  assert.equal(unitIn("Left", UNITS), "");
  assert.deepEqual(headed([["f (kHz)", "Level (dBV)"], ["1", "-38"], ["2", "-0,5"], ["3", "5 mV"]], UNITS),
    [["1 kHz", "-38 dBV"], ["2 kHz", "-0,5 dBV"], ["3 kHz", "5 mV"]]);
  assert.deepEqual(headed([["left", "right"], ["V", "V"], ["1", "2"]], UNITS), [["1 V", "2 V"]], "units in a line of their own");
  assert.deepEqual(headed([["1"], ["2"]], UNITS), [["1"], ["2"]]);
});

test("a block goes to the right and down, leaves what it says nothing of, and tells what had no row", () => {
  const sheet = { readings: [value("", ""), value("7", ""), curve("20 Hz")] };
  sheet.readings[2].points[0].values = ["", ""];
  assert.deepEqual(put(sheet, "readings/0/values/0", [["1", "2"], ["", "4"], ["5", "6"], ["8", "9"]]), { put: 5, left: 2 });
  assert.deepEqual(sheet.readings.slice(0, 2).map((entry) => entry.values), [["1", "2"], ["7", "4"]]);
  assert.deepEqual(sheet.readings[2].points[0].values, ["5", "6"]);
  put(sheet, "readings/0/values/1", [["3", "3.1"]]);
  assert.equal(sheet.readings[0].expected, "3.1", "what is expected is the column behind the values");
});

test("two columns pasted into the frequencies of a curve are its points", () => {
  const sheet = { readings: [curve("20 Hz")] };
  assert.deepEqual(put(sheet, "readings/0/points/0/at", [["20", "-1"], ["1000", "0", "x"]]), { put: 4, left: 1 });
  assert.deepEqual(sheet.readings[0].points, [{ at: "20", values: ["-1"] }, { at: "1000", values: ["0"] }]);
});
