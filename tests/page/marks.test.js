import assert from "node:assert/strict";
import test from "node:test";
import { filled, state, stated, taken } from "../../diagnose/web/static/further.js";
import { partText, readAt, rowAt } from "../../diagnose/web/static/marks.js";
import { columns, told, waiting } from "../../diagnose/web/static/taken.js";

const at = (node, ...values) => ({ quantity: "dc voltage", source: "value", conditions: [["at", node]], values, points: [] });
const sheetOf = (readings, channels = []) => ({ readings, channels, suspect: channels[0] ?? "" });

test("a point shows what was read there, with its unit, of both channels", () => {
  assert.equal(readAt(sheetOf([at("c1", "1.49")]), "c1"), "1.49 V");
  assert.equal(readAt(sheetOf([at("c1", "", "201 mV")], ["left", "right"]), "c1"), "– / 201 mV");
  assert.equal(readAt(sheetOf([at("c1", "")]), "c1"), "");
  assert.equal(readAt(sheetOf([{ ...at("c1", "1"), conditions: [["at", "c1"], ["from", "e1"]] }]), "c1"), "", "between two points is not at one");
});

test("a point shows what was understood, and nothing of a mistake", () => {
  const said = { "readings/0/values/0": "3.3 kV", "readings/1/values/0": "" };
  const sheet = sheetOf([at("c1", "3k3"), at("c2", "10 ohm")]);
  assert.deepEqual(["c1", "c2"].map((node) => readAt(sheet, node, (field) => said[field])), ["3.3 kV", ""]);
});

test("a point that is chosen leads to its row, and makes one behind the other voltages where there is none", () => {
  const sheet = sheetOf([at("c1", "1"), { ...at("", "35"), quantity: "gain", conditions: [] }], ["left", "right"]);
  assert.equal(rowAt(sheet, "c1"), 0);
  assert.equal(rowAt(sheet, "e1"), 1);
  assert.deepEqual(sheet.readings.map((entry) => entry.quantity), ["dc voltage", "dc voltage", "gain"]);
  assert.deepEqual(sheet.readings[1].values, ["", ""]);
  assert.equal(rowAt(sheetOf([]), "e1"), 0);
});

test("a part's value stands as drawings have it: 4.7k, 10µF", () => {
  assert.deepEqual([partText("4k7", "4.7 kΩ"), partText("10u", "10 µF"), partText("560", ""), partText("", "")], ["4.7k", "10µF", "560", ""]);
});

test("how a reading was taken is stated, changed and taken back, and only where it can be", () => {
  const entry = at("c1", "1");
  state(entry, "meter", "20 kohm/V");
  state(entry, "meter", "50 kohm");
  assert.equal(stated(entry, "meter"), "50 kohm");
  assert.ok(filled(entry));
  state(entry, "meter", "");
  state(entry, "state", "");
  assert.deepEqual(entry.conditions, [["at", "c1"]]);
  assert.ok(!filled(entry));
  assert.deepEqual(taken({ optional: ["from", "meter", "state"] }, "dc voltage"), ["state", "meter", "range"]);
  assert.deepEqual(taken({ optional: ["state"] }, "resistance"), ["state", "range"]);
  assert.deepEqual(taken({ optional: [] }, "crosstalk"), []);
});

test("what became of a file is one sentence", () => {
  assert.equal(told({ filled: 1, added: 2, kept: [] }), "1 reading filled in, 2 readings added.");
  assert.match(told({ filled: 0, added: 0, kept: [] }), /nothing/);
});

test("a heading that states the unit is believed; one that says only dB may be the curve that waits", () => {
  const riaa = { quantity: "riaa deviation", source: "points", points: [{ at: "20 Hz", values: [""] }] };
  const look = (quantity, said) => ({ columns: ["Level"], quantities: [quantity], said: [said], channels: [], both: [] });
  const quantity = (...words) => columns(look(...words), { readings: [riaa] }).quantity;
  assert.equal(quantity("", "in dB by its heading"), "riaa deviation");
  assert.equal(quantity("response", "in dBV by its heading, so taken relative to the reference"), "response");
  assert.equal(quantity("phase", "in deg by its heading"), "phase");
  assert.equal(waiting({ readings: [{ ...riaa, points: [{ at: "20 Hz", values: ["-1"] }] }] }), "");
});

test("both channels of a table come first, and either can be chosen alone", () => {
  const look = { columns: ["Left (dB)", "Right (dB)"], quantities: ["response", "response"], said: ["", ""], channels: ["left", "right"], both: [0, 1] };
  assert.deepEqual(columns(look, { readings: [] }).choices.map(({ value, label }) => [value, label]),
    [["", "both channels"], ["0", "Left (dB)"], ["1", "Right (dB)"]]);
});
