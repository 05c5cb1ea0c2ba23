import assert from "node:assert/strict";
import test from "node:test";
import { beside, shared } from "../../diagnose/web/static/bench_places.js";

const FRAME = [-500, -500, 500, 500];
const ABOVE = [0, -30];

/** How near a box comes to a point. */
const nearest = ([left, top, right, bottom], [x, y]) => Math.hypot(Math.max(left - x, x - right, 0), Math.max(top - y, y - bottom, 0));

test("two boxes share the area of what lies in both", () => {
  assert.equal(shared([0, 0, 10, 10], [5, 8, 20, 20]), 10);
  assert.equal(shared([0, 0, 10, 10], [10, 0, 20, 10]), 0);
});

test("a word stands where it would like to be, outside the ring", () => {
  assert.deepEqual(beside([0, 0], 16, [30, 20], ABOVE, [], FRAME), [-15, -36, 15, -16]);
});

test("wherever it has to go, it never reaches into the ring", () => {
  for (let turn = 0; turn < 16; turn += 1) {
    const near = [40 * Math.cos((turn * Math.PI) / 8), 40 * Math.sin((turn * Math.PI) / 8)];
    for (const size of [[14, 15], [52, 19], [120, 15]])
      assert.ok(nearest(beside([0, 0], 16, size, near, [], FRAME), [0, 0]) >= 16 - 1e-9);
  }
});

test("what stands there is left free, and so is what lies beyond the drawing", () => {
  const taken = [[-200, -100, 200, -1]];
  const below = beside([0, 0], 16, [30, 20], ABOVE, taken, FRAME);
  assert.equal(shared(below, taken[0]), 0);
  assert.ok(below[1] >= 0);
  const [left, top, right] = beside([0, 0], 16, [30, 20], ABOVE, [], [-500, -5, 18, 500]);
  assert.ok(top >= -5 && left >= -500 && right <= 18);
});

test("where nothing is free, it covers as little as it can", () => {
  const taken = [[-300, -300, 300, 300], [-300, -300, 300, 14]];
  assert.ok(beside([0, 0], 16, [30, 20], ABOVE, taken, FRAME)[1] >= 14);
});
