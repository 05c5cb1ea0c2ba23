import assert from "node:assert/strict";
import { test } from "node:test";

import { CLOSER, grown, nearest, place, ranged, steered, swept, within } from "../../diagnose/web/static/axes.js";

const close = (a, b) => assert.ok(Math.abs(a - b) <= 1e-9 * Math.abs(b), `${a} is not ${b}`);

test("equal ways on a logarithmic axis are equal ratios", () => {
  close(place(150, 100, 200, [10, 1000], true), 100);
  close(place(150, 100, 200, [10, 1000], false), 505);
  // upward the screen counts down: the bottom is where the axis begins
  close(place(290, 300, 20, [-3, 11], false), -2.5);
});

test("what a drag sweeps is a range with the lesser end first, whichever way it went", () => {
  const [low, high] = ranged([175, 125], 100, 200, [10, 100000], true);
  close(low, 100);
  close(high, 10000);
});

test("the nearest place is the nearest by ratio where the axis goes by ratio", () => {
  assert.equal(nearest([20, 100, 1000], 40, true), 0); // 2 times 20, 2.5 times less than 100
  assert.equal(nearest([20, 100, 1000], 61, false), 1);
});

test("a zoom leaves the value under the cursor where it was", () => {
  const [low, high] = grown([10, 1000], 100, 0.5, true);
  close(low, Math.sqrt(1000));
  close(high, Math.sqrt(100000));
  close(place(25, 0, 100, [low, high], true), place(37.5, 0, 100, [10, 1000], true));
  assert.deepEqual(grown(grown([0, 8], 2, 0.5, false), 2, 2, false), [0, 8]);
});

test("nothing is zoomed out of beyond what there is", () => {
  assert.deepEqual(within([10, 500], [20, 20000]), [20, 500]);
  assert.deepEqual(within([30, 500], [20, 20000]), [30, 500]);
  assert.equal(within([10, 30000], [20, 20000]), null);
});

test("a flat sweep takes the whole height, a high one what it went over, none more than there is", () => {
  const plot = [40, 500, 20, 220];
  assert.deepEqual(swept([300, 100], [100, 110], plot, 8), { x: [100, 300], y: null, shown: { x: 100, y: 20, width: 200, height: 200 } });
  assert.deepEqual(swept([30, 10], [100, 300], plot, 8), { x: [40, 100], y: [20, 220], shown: { x: 40, y: 20, width: 60, height: 200 } });
});

test("keys move the cursor within its places and zoom; with Ctrl or Alt they are the browser's", () => {
  assert.deepEqual(steered({ key: "ArrowRight" }, -1, 10), { to: 5 });
  assert.deepEqual(steered({ key: "ArrowRight" }, 10, 10), { to: 10 });
  assert.deepEqual(steered({ key: "PageDown" }, 4, 10), { to: 0 });
  assert.deepEqual(steered({ key: "End" }, -1, 10), { to: 10 });
  assert.deepEqual(steered({ key: "+" }, 3, 10), { by: CLOSER });
  assert.deepEqual(steered({ key: "-" }, 3, 10), { by: 1 / CLOSER });
  assert.deepEqual(steered({ key: "Escape" }, 3, 10), { whole: true });
  assert.equal(steered({ key: "+", ctrlKey: true }, 3, 10), null);
  assert.equal(steered({ key: "Tab" }, 3, 10), null);
});
