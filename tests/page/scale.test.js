import assert from "node:assert/strict";
import { test } from "node:test";

import { centred, pinch, slipped, stepped, whole, within } from "../../diagnose/web/static/scale.js";

test("as many steps back as there were is where it was", () => {
  assert.ok(stepped(1, 1) > 1);
  assert.ok(Math.abs(stepped(stepped(0.8, 3), -3) - 0.8) < 1e-12);
});

test("a drawing is never lost, nor larger than can be walked", () => {
  assert.equal(within(1e-9), within(0));
  assert.ok(within(0) > 0);
  assert.equal(stepped(within(1e9), 5), within(1e9));
});

test("the whole of a drawing fits both ways", () => {
  for (const room of [[300, 900], [900, 300]]) {
    const scale = whole([1300, 500], room);
    assert.ok(1300 * scale <= room[0] + 1e-9 && 500 * scale <= room[1] + 1e-9);
    assert.ok(Math.abs(1300 * scale - room[0]) < 1e-9 || Math.abs(500 * scale - room[1]) < 1e-9);
  }
});

test("what is under the pointer is brought back under it", () => {
  // a drawing at 100 of the window is shown twice as large; 30 from its edge was under a pointer at 130
  assert.equal(slipped(100, 30, 2, 130), 30); // it is at 160 now, so the frame scrolls by 30
  assert.equal(slipped(70, 30, 2, 130), 0); // and then it is where it was
});

test("what is sought comes to the middle", () => {
  // 40 wide, 300 from the edge of a frame of 200 that is scrolled by 10: its middle is at 330 of the drawing
  assert.equal(centred(10, 300, 340, 200), 330 - 100);
});

test("two fingers have a distance and a middle", () => {
  assert.deepEqual(pinch([[0, 0], [3, 4]]), { apart: 5, x: 1.5, y: 2 });
});
