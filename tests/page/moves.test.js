import assert from "node:assert/strict";
import { test } from "node:test";

import { STEP, byKey, idle, joined, steps, under, words } from "../../diagnose/web/static/moves.js";

test("a way over the screen is whole steps of the grid, at the size that the drawing is shown in", () => {
  assert.deepEqual(steps(33, -40, 1), [2, -2]);
  assert.deepEqual(steps(33, -40, 0.5), [4, -5]);
  assert.deepEqual(steps(7, -7, 1), [0, 0]);
});

test("arrows move, R turns, M mirrors; anything with Ctrl or Alt is the browser's", () => {
  assert.deepEqual(byKey({ key: "ArrowLeft" }), { by: [-1, 0] });
  assert.deepEqual(byKey({ key: "ArrowDown", shiftKey: true }), { by: [0, 5] });
  assert.deepEqual(byKey({ key: "r" }), { turns: 1 });
  assert.deepEqual(byKey({ key: "R", shiftKey: true }), { turns: 3 });
  assert.deepEqual(byKey({ key: "m" }), { mirrored: true });
  assert.equal(byKey({ key: "r", ctrlKey: true }), null);
  assert.equal(byKey({ key: "Enter" }), null);
});

test("moves of one part add up until another part, or a turn after a mirror", () => {
  let move = joined(null, "R1", { by: [1, 0] });
  move = joined(move, "R1", { by: [1, -2] });
  move = joined(move, "R1", { turns: 3 });
  move = joined(move, "R1", { turns: 2 });
  assert.deepEqual(move, { part: "R1", by: [2, -2], turns: 1, mirrored: false });
  assert.equal(joined(move, "R2", { by: [1, 0] }), null);
  move = joined(move, "R1", { mirrored: true });
  assert.equal(joined(move, "R1", { turns: 1 }), null);
  assert.equal(joined(move, "R1", { mirrored: true }), null);
  assert.deepEqual(joined(move, "R1", { by: [0, 1] }).by, [2, -1]);
});

test("there and back again is nothing to send", () => {
  assert.equal(idle(joined(joined(null, "R1", { by: [1, 0] }), "R1", { by: [-1, 0] })), true);
  assert.equal(idle(null), true);
  assert.equal(idle(joined(null, "R1", { turns: 1 })), false);
});

test("a body that would lie on another is told while it is moved", () => {
  const bodies = [{ part: "R1", x: 0, y: 0, width: 10, height: 30 }, { part: "R2", x: 2 * STEP, y: 0, width: 10, height: 30 }];
  assert.equal(under(bodies, "R1", [2, 1]), "R2");
  assert.equal(under(bodies, "R1", [1, 0]), null);
  assert.equal(under(bodies, "R1", [2, 2]), null);
  assert.equal(under(bodies, "R9", [2, 2]), null);
});

test("a move is told in words", () => {
  assert.equal(words({ part: "R1", by: [2, -1], turns: 0, mirrored: false }), "R1 moved 2 right and 1 up.");
  assert.equal(words({ part: "Q1", by: [-3, 0], turns: 1, mirrored: true }), "Q1 moved 3 left, turned, mirrored.");
});
