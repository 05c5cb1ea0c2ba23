import assert from "node:assert/strict";
import test from "node:test";
import { buttonsOf, doing, going, leftOver, litOf, standing, taken, wordOf } from "../../diagnose/web/static/bench_words.js";

const step = (more = {}) => ({ kind: "card", phase: "step", words: ["go", "skip", "again", "stop"], step: 1, failed: false, asked: "",
  steps: [{ text: "turn the volume to 50 %", takes: [] }, { text: "take gain (2 readings)", takes: ["gain at 1 kHz", "gain at 20 Hz"] }],
  points: [], ...more });
const point = (more = {}) => ({ kind: "meter", phase: "point", words: ["take", "skip", "again", "stop"], point: 0, asked: "", steps: [],
  points: [{ label: "dc voltage at c1", where: "red lead on c1; black lead on ground", lit: [["c1", "red"], ["0", "black"]] }], ...more });

test("space, Enter and a pedal's page down say what goes on; letters as in the terminal", () => {
  assert.deepEqual([" ", "Enter", "PageDown", "s", "r", "q", "S"].map((key) => wordOf(key, point())), ["take", "take", "take", "skip", "again", "stop", "skip"]);
  assert.deepEqual([" ", "s", "r", "q"].map((key) => wordOf(key, step())), ["go", "skip", "again", "stop"]);
});

test("a key says nothing that the question does not take, and other keys nothing at all", () => {
  assert.equal(wordOf("r", step({ words: ["go", "skip", "stop"] })), "");
  assert.equal(wordOf(" ", step({ words: [] })), "");
  assert.deepEqual(["a", "Escape", "Tab", "1", "toString"].map((key) => wordOf(key, point())), ["", "", "", "", ""]);
});

test("a key that is typed somewhere, or presses something there, is no word", () => {
  assert.equal(taken(" ", { typing: true, pressing: false, ours: false }), true);
  assert.equal(taken("s", { typing: true, pressing: false, ours: false }), true);
  assert.equal(taken("Enter", { typing: false, pressing: true, ours: true }), true, "the button does it");
  assert.equal(taken(" ", { typing: false, pressing: true, ours: true }), true);
  assert.equal(taken("r", { typing: false, pressing: true, ours: true }), false);
  assert.equal(taken("r", { typing: false, pressing: true, ours: false }), true, "a list elsewhere looks for letters");
  assert.equal(taken(" ", { typing: false, pressing: false, ours: false }), false);
});

test("the button that goes on says what will be done", () => {
  const first = (run) => buttonsOf(run)[0];
  assert.deepEqual(first(step({ step: 0 })), ["go", "Done"]);
  assert.deepEqual(first(step()), ["go", "Take it now"]);
  assert.deepEqual(first(step({ failed: true })), ["go", "Take it again"]);
  assert.deepEqual(first(step({ phase: "asked", words: ["go", "skip", "stop"] })), ["go", "Done"]);
  assert.deepEqual(first(step({ phase: "listed", words: ["go", "stop"] })), ["go", "I have read this: begin"]);
  assert.deepEqual(buttonsOf(point()).map(([, words]) => words), ["Take it", "Skip", "Back", "Stop"]);
  assert.deepEqual(first(point({ phase: "asked", words: ["take", "skip", "stop"] })), ["take", "Done"]);
});

test("what is to be done is the step, the question in its middle, or where the leads go", () => {
  assert.equal(doing(step()), "take gain (2 readings)");
  assert.equal(doing(step({ phase: "asked", asked: "connect 8 Ω across the output" })), "connect 8 Ω across the output");
  assert.equal(doing(step({ phase: "taking" })), "Playing and recording: gain at 1 kHz; gain at 20 Hz");
  assert.equal(doing(point()), "red lead on c1; black lead on ground");
  assert.equal(standing(step()), "Step 2 of 2");
  assert.equal(standing(point()), "Point 1 of 1");
});

test("a calibration asks for what a meter shows, and has no steps of its own", () => {
  const run = { kind: "calibration", phase: "typed", words: ["go", "stop"], asked: "type what the meter shows", steps: [], points: [] };
  assert.deepEqual(buttonsOf(run), [["go", "Go on"], ["stop", "Stop"]]);
  assert.equal(doing(run), "type what the meter shows");
  assert.equal(standing(run), "Once for this card");
  assert.deepEqual(litOf(run), []);
});

test("points are lit while one waits, and no longer", () => {
  assert.deepEqual(litOf(point()), [["c1", "red"], ["0", "black"]]);
  assert.deepEqual(litOf(point({ phase: "asked" })).length, 2);
  for (const run of [null, step(), point({ phase: "listed" }), point({ phase: "ended" })]) assert.deepEqual(litOf(run), []);
});

test("what is left to others stands by its reason, with its channel", () => {
  const left = [{ reading: "dc voltage at c1", channel: "left", why: "takes a voltmeter" }, { reading: "phase at 1 kHz", channel: "", why: "takes a scope" },
    { reading: "dc voltage at e2", channel: "", why: "takes a voltmeter" }];
  assert.deepEqual(leftOver(left), ["dc voltage at c1, left; dc voltage at e2: takes a voltmeter", "phase at 1 kHz: takes a scope"]);
});

test("a run is looked at until it has ended and good units are known", () => {
  assert.deepEqual([null, step(), step({ phase: "ended", good: "" }), step({ phase: "ended", good: "simulated" })].map(going), [false, true, false, true]);
});
