import assert from "node:assert/strict";
import { test } from "node:test";

import { Refused, Silent, ask } from "../../diagnose/web/static/server.js";

function serve(answer) {
  const asked = [];
  globalThis.fetch = async (path, options) => {
    asked.push([path, options]);
    return answer;
  };
  return asked;
}

const json = (text, status = 200) => new Response(text, {
  status, headers: { "Content-Type": "application/json" },
});

test("data goes as JSON and says so, a form goes as it is, and nothing as nothing", async () => {
  const asked = serve(json("{}"));
  await ask("PUT", "/data", { a: 1 });
  assert.deepEqual(asked[0], ["/data", { method: "PUT", body: '{"a":1}', headers: { "Content-Type": "application/json" } }]);
  const form = new FormData();
  const other = serve(json("{}"));
  await ask("POST", "/form", form);
  assert.equal(other[0][1].body, form);
  assert.equal(other[0][1].headers, undefined, "the browser writes the boundary of a form itself");
  const third = serve(json("{}"));
  await ask("GET", "/data");
  assert.deepEqual(third[0], ["/data", { method: "GET" }]);
});

test("an answer is an object or text, as its type says", async () => {
  serve(json('{"revision": 3}'));
  assert.deepEqual(await ask("GET", "/data"), { revision: 3 });
  serve(new Response("<svg/>", { headers: { "Content-Type": "image/svg+xml" } }));
  assert.equal(await ask("GET", "/drawing"), "<svg/>");
});

test("a refusal is thrown with its number and words", async () => {
  serve(json('{"error": "changed elsewhere", "revision": 4}', 409));
  await assert.rejects(ask("PUT", "/data", {}), (error) =>
    error instanceof Refused && error.status === 409 && error.message === "changed elsewhere" && error.told.revision === 4);
  serve(new Response("no such sheet", { status: 404 }));
  await assert.rejects(ask("GET", "/data"), { status: 404, message: "no such sheet" });
});

test("a server that is not there, or goes in the middle of an answer, is told apart from one that refuses", async () => {
  globalThis.fetch = async () => { throw new TypeError("Failed to fetch"); };
  await assert.rejects(ask("GET", "/data"), Silent);
  serve(new Response(new ReadableStream({ start: (body) => body.error(new TypeError("network error")) })));
  await assert.rejects(ask("GET", "/data"), /the server does not answer/);
});
