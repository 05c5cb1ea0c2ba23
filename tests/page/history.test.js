import assert from "node:assert/strict";
import { test } from "node:test";

import { content } from "../../diagnose/web/static/content.js";
import { History, difference } from "../../diagnose/web/static/history.js";

const reading = (quantity, ...values) => ({ quantity, source: "value", conditions: [["frequency", "1 kHz"]], values, points: [], note: "" });
const sheetOf = () => ({ case: "hum", channels: [], suspect: "", aside: "", values: [], observations: [],
  readings: [reading("gain", "34"), { ...reading("response", ""), source: "points", points: ["20 Hz", "50 Hz", "1 kHz"].map((at) => ({ at, values: ["-1"] })) }] });

function begin(kept) {
  const sheet = sheetOf();
  const time = { now: 0 };
  const history = new History(sheet, kept, () => time.now);
  const does = (field, change) => { change(sheet); return history.record(field); };
  return { sheet, history, time, does };
}

test("two texts differ in one piece", () => {
  assert.deepEqual(difference("abcde", "abXde"), { at: 2, was: "c", is: "X" });
  assert.deepEqual(difference("aa", "aaa"), { at: 2, was: "", is: "a" });
  assert.deepEqual(difference("", ""), { at: 0, was: "", is: "" });
});

test("a curve that one click took is back whole after one step, and gone again after one more", () => {
  const { sheet, history, does } = begin();
  const before = content(sheet);
  const told = does("readings", (s) => s.readings.splice(1, 1));
  assert.deepEqual(told.map(({ how, row }) => [how, row.quantity]), [["removed", "response"]]);
  const after = content(sheet);
  history.undo();
  assert.equal(content(sheet), before);
  assert.equal(history.undo(), null);
  history.redo();
  assert.equal(content(sheet), after);
  assert.equal(history.redo(), null);
});

test("typing on in a field is one step; a pause, another field or a removal begins another", () => {
  const { sheet, history, time, does } = begin();
  const type = (text, ms = 100) => { time.now += ms; does("readings/0/values/0", (s) => { s.readings[0].values[0] = text; }); };
  for (const text of ["3", "33", "33.5"]) type(text);
  type("33.51", 5000);
  does("case", (s) => { s.case = "hum, left"; });
  assert.equal(history.steps.length, 3);
  history.undo();
  assert.deepEqual([sheet.case, sheet.readings[0].values[0]], ["hum", "33.51"]);
  history.undo();
  assert.equal(sheet.readings[0].values[0], "33.5");
  history.undo();
  assert.equal(sheet.readings[0].values[0], "34");
});

test("a whole session is undone and done again to the letter", () => {
  const { sheet, history, time, does } = begin();
  const states = [JSON.stringify(sheet)];
  for (let k = 0; k < 120; k += 1) {
    time.now += 10_000;
    does(`f${k}`, (s) => {
      if (k % 7 === 3) s.readings.splice(k % s.readings.length, 1);
      else if (k % 3) s.readings.push(reading("noise", String(k)));
      else s.readings[k % s.readings.length].values[0] = `v${k}`;
    });
    states.push(JSON.stringify(sheet));
  }
  for (let k = 119; k >= 0; k -= 1) { history.undo(); assert.equal(content(sheet), content(JSON.parse(states[k]))); }
  for (let k = 1; k <= 120; k += 1) { history.redo(); assert.equal(content(sheet), content(JSON.parse(states[k]))); }
  assert.ok(history.text().length < 200_000, `${history.text().length}`);
});

test("what another did meanwhile stays when one's own step is undone", () => {
  const { sheet, history, does } = begin();
  does("readings", (s) => s.readings.splice(1, 1));
  sheet.readings.unshift(reading("noise", "3"));
  sheet.case = "of another";
  history.follow();
  does("values/R1", (s) => { s.values.push(["R1", "47k"]); });
  history.undo();
  history.undo();
  assert.deepEqual(sheet.readings.map((entry) => entry.quantity), ["noise", "gain", "response"]);
  assert.deepEqual([sheet.case, sheet.values], ["of another", []]);
  assert.equal(history.undo(), null, "the step of another is not this one's to undo");
  history.redo();
  history.redo();
  assert.deepEqual([sheet.readings.map((entry) => entry.quantity), sheet.values], [["noise", "gain"], [["R1", "47k"]]]);
});

test("steps outlive the page, also when the sheet was changed meanwhile; what is damaged is no harm", () => {
  const first = begin();
  first.does("readings", (s) => s.readings.splice(1, 1));
  const then = structuredClone(first.sheet);
  then.case = "of another";
  const history = new History(then, first.history.text());
  history.undo();
  assert.deepEqual([then.readings.length, then.case], [2, "of another"]);
  assert.equal(new History(then, "{").undoable, false);
  assert.equal(new History(then, "null").undoable, false);
});

test("empty fields that the page itself puts there are no step, and take no redo away", () => {
  const { sheet, history, does } = begin();
  does("case", (s) => { s.case = "a"; });
  history.undo();
  assert.equal(does("", (s) => { s.limits = [{ quantity: "gain", conditions: [], figures: [["min", ""], ["max", ""]] }]; }).length, 1);
  history.undo();
  does("case", (s) => { s.case = "a"; });
  history.undo();
  sheet.values.push(["R1", ""]);
  assert.equal(history.record(""), null);
  assert.equal(history.redoable, true);
  history.redo();
  assert.deepEqual([sheet.case, sheet.values], ["a", [["R1", ""]]]);
});

test("conditions come back where they stood, and an empty one goes again", () => {
  const { sheet, history, does } = begin();
  const states = [JSON.stringify(sheet)];
  const step = (k, change) => { does(`f${k}`, change); states.push(JSON.stringify(sheet)); };
  step(1, (s) => s.readings[0].conditions.unshift(["at", "in"]));
  step(2, (s) => s.readings[0].conditions.push(["load", ""]));
  step(3, (s) => { s.readings[0].conditions[2][1] = "8 ohm"; });
  step(4, (s) => { s.readings[0].quantity = "noise"; s.readings[0].conditions = [["level", "1 V"], ["at", "in"]]; });
  for (let k = 3; k >= 0; k -= 1) { history.undo(); assert.equal(JSON.stringify(sheet), states[k]); }
  for (let k = 1; k <= 4; k += 1) { history.redo(); assert.equal(JSON.stringify(sheet), states[k]); }
});

test("a new change ends what could be done again", () => {
  const { history, does } = begin();
  does("case", (s) => { s.case = "a"; });
  history.undo();
  does("case", (s) => { s.case = "b"; });
  assert.equal(history.redoable, false);
  assert.equal(does("case", () => {}), null);
});
