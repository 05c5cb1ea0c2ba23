import assert from "node:assert/strict";
import { test } from "node:test";

import { latest } from "../../diagnose/web/static/latest.js";

/** A server that answers when told to. */
function slow() {
  const waiting = [];
  const asked = [];
  const want = latest((number, current) => new Promise((done, fail) => {
    asked.push(number);
    waiting.push({ answer: () => done(), fail, current });
  }));
  return { want, asked, waiting };
}

const settled = () => new Promise((done) => setImmediate(done));

test("while an answer is on its way nothing else is asked for", async () => {
  const { want, asked, waiting } = slow();
  const first = want();
  want();
  want();
  assert.deepEqual(asked, [1]);
  waiting[0].answer();
  await settled();
  assert.deepEqual(asked, [1, 3], "what lay between is never asked for");
  waiting[1].answer();
  await first;
  assert.deepEqual(asked, [1, 3]);
});

test("an answer knows whether something later is wanted", async () => {
  const { want, waiting } = slow();
  const first = want();
  assert.equal(waiting[0].current(), true);
  want();
  assert.equal(waiting[0].current(), false);
  waiting[0].answer();
  await settled();
  assert.equal(waiting[1].current(), true);
  waiting[1].answer();
  await first;
});

test("when all is answered the next is asked for at once", async () => {
  const { want, asked, waiting } = slow();
  const first = want();
  waiting[0].answer();
  await first;
  want();
  assert.deepEqual(asked, [1, 2]);
});

test("a failure does not block what comes after", async () => {
  const { want, asked, waiting } = slow();
  const first = want();
  waiting[0].fail(new Error("the server is gone"));
  await assert.rejects(first, /gone/);
  want();
  assert.deepEqual(asked, [1, 2]);
});
