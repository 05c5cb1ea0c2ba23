// Three-way merging. Checked against what defines it (as diff3 is described, from memory): a side that changed nothing leaves the other as
// it is; changes at different places are both there, whichever side is called mine; the same change on both sides is no clash.
import assert from "node:assert/strict";
import { test } from "node:test";

import { agreed, combined, fieldOf, kept, located, placed, same } from "../../diagnose/web/static/clash.js";
import { content } from "../../diagnose/web/static/content.js";
import { aligned, merge } from "../../diagnose/web/static/merge.js";

const reading = (quantity, at, ...values) => ({
  quantity, source: "value", conditions: [["at", at]], values, points: [], uncertainty: "", note: "", expected: "",
});
const sheet = () => ({
  case: "hum", stage: "x", mains: "", values: [["R1", "47k"]], channels: [], suspect: "", observations: ["hum"], limits: [], checks: [], repaired: [], aside: "",
  readings: [reading("dc voltage", "c1", "1.6"), reading("dc voltage", "e1", "0.4"), reading("gain", "out", "34"),
    { ...reading("response", "out", ""), source: "points", points: [{ at: "20 Hz", values: ["-1"] }, { at: "1 kHz", values: ["0"] }] }],
});
const changed = (change, from = sheet()) => { change(from); return from; };
function both(here, there) {
  const [mine, theirs] = [changed(here), changed(there)];
  return { mine, told: merge(sheet(), mine, theirs) };
}

test("one side that changed nothing leaves the other as it is", () => {
  for (const change of [
    (s) => { s.readings[1].values[0] = "0.5"; },
    (s) => { s.readings.splice(1, 1); },
    (s) => { s.readings.splice(2, 0, reading("noise", "out", "3 mV")); },
    (s) => { s.values = [["C3", "1u"]]; },
    (s) => { s.observations = []; },
    (s) => { s.readings[3].points.splice(0, 1, { at: "50 Hz", values: ["-0.4"] }, { at: "60 Hz", values: [""] }); },
    (s) => { s.readings[2].conditions.push(["level", "1 V"]); },
    (s) => { s.repaired.push({ part: "C1", how: "replaced", readings: [reading("gain", "out", "30")] }); },
  ]) {
    const [ours, others] = [both(change, () => {}), both(() => {}, change)];
    for (const { mine, told } of [ours, others]) {
      assert.equal(content(mine), content(changed(change)));
      assert.deepEqual([told.clashes, told.stays], [[], []]);
    }
    assert.deepEqual(ours.told.changes, []);
    assert.ok(others.told.changes.length);
  }
});

test("changes of different fields are both there, whichever side is called mine", () => {
  const one = (s) => { s.readings[0].values[0] = "1.7"; s.case = "hum, loud"; s.readings.push(reading("noise", "out", "1")); };
  const other = (s) => { s.readings[0].conditions[0][1] = "c2"; s.readings[2].values[0] = "33"; s.observations.push("gain low"); s.values.push(["C1", "10u"]); s.readings.splice(1, 1); };
  const [a, b] = [both(one, other), both(other, one)];
  assert.equal(content(a.mine), content(b.mine));
  assert.deepEqual(a.told.clashes, []);
  assert.deepEqual(a.mine.readings.map((entry) => [entry.quantity, entry.values[0]]), [["dc voltage", "1.7"], ["gain", "33"], ["response", ""], ["noise", "1"]]);
  assert.equal(a.mine.readings[0].conditions[0][1], "c2");
});

test("a field that both changed is a clash at its place, and everything else is merged", () => {
  const { mine, told } = both((s) => { s.readings[1].values[0] = "0.41"; }, (s) => { s.readings[1].values[0] = "0.43"; s.mains = "60 Hz"; s.readings.splice(0, 1); });
  assert.deepEqual(told.clashes.map(({ path, base, theirs }) => [path.join("/"), base, theirs]), [["readings/0/values/0", "0.4", "0.43"]]);
  assert.equal(mine.readings[0].values[0], "0.41", "here stands what was typed here");
  assert.equal(mine.mains, "60 Hz");
  assert.equal(agreed(mine, told.clashes).readings[0].values[0], "0.43");
  assert.equal(mine.readings[0].values[0], "0.41", "agreeing changes nothing here");
});

test("a clash is found again after a reload, moves with its row, and ends when both say the same or the row goes", () => {
  const { mine, told } = both((s) => { s.readings[1].values[0] = "0.41"; s.readings[2].conditions[0][1] = "a"; s.values[0][1] = "1k"; s.mains = "60"; s.readings[3].points[1].values[0] = "1"; },
    (s) => { s.readings[1].values[0] = "0.43"; s.readings[2].conditions[0][1] = "b"; s.values[0][1] = "2k"; s.mains = "16.7"; s.readings[3].points[1].values[0] = "2"; });
  const stored = JSON.parse(JSON.stringify(kept(mine, told.clashes)));
  const again = JSON.parse(JSON.stringify(mine));
  const found = located(again, stored);
  assert.deepEqual(placed(again, found).map(({ path }) => path), stored.map(({ path }) => path));
  assert.equal(content(agreed(again, found)), content(agreed(mine, told.clashes)));
  // the fields of the page, by the ids that its rows make
  assert.deepEqual(placed(again, found).map(({ path }) => fieldOf(path)).sort(), ["mains", "readings/1/values/0", "readings/2/at", "readings/3/points/1/0", "values/R1"]);
  again.readings.splice(0, 1);
  assert.ok(placed(again, found).some(({ path }) => fieldOf(path) === "readings/0/values/0"));
  again.readings.splice(0, 1);
  again.mains = "16.7";
  assert.deepEqual(placed(again, found).map(({ path }) => fieldOf(path)).sort(), ["readings/0/at", "readings/1/points/1/0", "values/R1"]);
  const later = { ...found.find(({ key, holder }) => key === 1 && holder[0] === "R1"), theirs: "3k" };
  assert.deepEqual(combined(again, found, [later]).filter(({ holder }) => holder === later.holder).map(({ theirs }) => theirs), ["3k"]);
});

test("the same change on both sides is none", () => {
  const change = (s) => { s.readings[1].values[0] = "9"; s.readings.push(reading("noise", "out", "1")); s.observations = ["noise"]; };
  const { mine, told } = both(change, change);
  assert.equal(content(mine), content(changed(change)));
  assert.deepEqual(told, { changes: [], clashes: [], stays: [], keeps: false });
});

test("a row that one side removed and the other changed stays, and is told", () => {
  const removes = (s) => { s.readings.splice(2, 1); };
  const types = (s) => { s.readings[2].values[0] = "28"; };
  for (const { mine, told } of [both(removes, types), both(types, removes)]) {
    assert.equal(mine.readings[2].values[0], "28");
    assert.deepEqual(told.stays.map(({ row }) => row.quantity), ["gain"]);
    assert.deepEqual(told.clashes, []);
  }
});

test("rows keep their place, and their identity, when others come before them", () => {
  const mine = sheet();
  const [gain, list] = [mine.readings[2], mine.readings];
  merge(sheet(), mine, changed((s) => s.readings.unshift(reading("noise", "in", "2"))));
  assert.equal(mine.readings.indexOf(gain), 3);
  assert.equal(mine.readings, list, "what holds the list still has it");
  assert.equal(mine.readings[0].quantity, "noise");
});

test("a row that was just begun is only on the page where it was, and stays when another saves; to undo it takes it away", () => {
  const begun = () => changed((s) => { s.checks.push({ part: "", found: "good", how: "" }); s.repaired.push({ part: "", how: "replaced", readings: [] }); s.readings[3].points.push({ at: "", values: [""] }); });
  const mine = begun();
  const told = merge(begun(), mine, changed((s) => { s.mains = "60 Hz"; }), true);
  assert.deepEqual([mine.checks.length, mine.repaired.length, mine.readings[3].points.length, mine.mains], [1, 1, 3, "60 Hz"]);
  assert.deepEqual([told.stays, told.changes.length], [[], 1]);
  merge(begun(), mine, sheet());
  assert.deepEqual([mine.checks.length, mine.repaired.length, mine.readings[3].points.length], [0, 0, 2]);
});

test("blanks at the end of what is being typed are no change", () => {
  const { mine, told } = both((s) => { s.case = "hum  "; }, (s) => { s.mains = "60"; });
  assert.deepEqual([mine.case, told.clashes], ["hum  ", []]);
  const again = merge(changed((s) => { s.case = "hum and "; }), mine, changed((s) => { s.case = "hum and"; }));
  assert.equal(again.clashes.length, 0);
});

test("the second channel comes on one side while the other types", () => {
  const two = (s) => { s.channels = ["left", "right"]; s.suspect = "left"; for (const e of s.readings) { e.values = [e.values[0], ""]; for (const p of e.points) p.values = [p.values[0], ""]; } s.readings[0].values[1] = "1.55"; };
  const types = (s) => { s.readings[0].values[0] = "1.9"; s.readings.push(reading("noise", "out", "7")); };
  for (const { mine, told } of [both(two, types), both(types, two)]) {
    assert.deepEqual(mine.channels, ["left", "right"]);
    assert.deepEqual(mine.readings[0].values, ["1.9", "1.55"]);
    assert.deepEqual(mine.readings.at(-1).values, ["7", ""]);
    assert.deepEqual(told.clashes, []);
  }
});

test("the second channel goes on one side while the other types into it: it is set aside with what was typed", () => {
  const wide = () => changed((s) => { s.channels = ["left", "right"]; s.suspect = "left"; s.readings.length = 1; s.readings[0].values = ["1.6", "1.5"]; });
  const mine = wide();
  mine.readings[0].values[1] = "1.52";
  const theirs = wide();
  theirs.channels = [];
  theirs.suspect = "";
  theirs.readings[0].values = ["1.6"];
  theirs.aside = JSON.stringify({ channels: ["left", "right"], suspect: "left", readings: [{ quantity: "dc voltage", conditions: [["at", "c1"]], source: "value", value: "1.5", points: [], mark: '0 ["dc voltage","value",[["at","c1"]]]' }] });
  merge(wide(), mine, theirs);
  assert.deepEqual([mine.channels, mine.readings[0].values], [[], ["1.6"]]);
  assert.equal(JSON.parse(mine.aside).readings[0].value, "1.52");
});

test("rows are matched by what they are of, whatever was read there", () => {
  const [a, b, c] = [reading("gain", "x", "1"), reading("gain", "y", "2"), reading("gain", "z", "3")];
  assert.deepEqual(aligned([a, b, c], [reading("gain", "y", "9"), c]), [[1, 0], [2, 1]]);
  assert.deepEqual(aligned([a], [reading("noise", "q", "")]), [[0, 0]]);
  assert.deepEqual(aligned([], [a]), []);
});

/** Numbers that come out the same every time (the multiplier of Park and Miller, 1988). */
function* numbers(seed) {
  for (let x = seed; ; x = (x * 48271) % 2147483647) yield x;
}

test("a table of parts is merged by their names, and what was guessed pair by pair", () => {
  const table = () => ({ parts: ["R1", "R2", "C1"].map((name, was) => ({ was, name, value: "1" })), guessed: [["R1", "kind"], ["R1", "value"], ["C1", "kind"]] });
  const [mine, theirs] = [table(), table()];
  mine.parts.splice(1, 1);
  mine.guessed.shift();
  theirs.parts[2].value = "2";
  theirs.guessed.pop();
  merge(table(), mine, theirs);
  assert.deepEqual(mine.parts.map(({ name, value }) => `${name} ${value}`), ["R1 1", "C1 2"]);
  assert.deepEqual(mine.guessed, [["R1", "value"]]);
});

test("of 300 pairs of random changes nothing typed is lost", () => {
  const next = numbers(7);
  const pick = (n) => next.next().value % n;
  let count = 0;
  const edit = (s, who) => {
    const typed = [];
    for (let k = pick(4); k >= 0; k -= 1) {
      const word = `${who}${count += 1}`;
      const what = pick(5);
      if (what === 0) s.readings.splice(pick(s.readings.length + 1), 0, reading("noise", `n${word}`, word));
      else if (what === 1 && s.readings.length > 1) { s.readings.splice(pick(s.readings.length), 1); continue; }
      else if (what === 2) s.values.push([word, word]);
      else if (what === 3) s.observations.push(word);
      else if (s.readings.length) s.readings[pick(s.readings.length)].note += ` ${word}`;
      else continue;
      typed.push(word);
    }
    return typed.filter((word) => JSON.stringify(s).includes(word)); // a row may go again with what was typed in it
  };
  for (let k = 0; k < 300; k += 1) {
    const [mine, theirs] = [sheet(), sheet()];
    const typed = [...edit(mine, "m"), ...edit(theirs, "t")];
    const told = merge(sheet(), mine, theirs);
    const all = JSON.stringify(mine) + told.clashes.map((clash) => clash.theirs).join();
    for (const word of typed) assert.ok(all.includes(word), `${word} in ${all}`);
    // what both agree on is what the other side comes to as well
    const [again, here] = [structuredClone(theirs), agreed(mine, told.clashes)];
    assert.ok(same(again, theirs) && here);
  }
});
