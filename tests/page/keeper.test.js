// The keeper with a server and a browser's store that the test holds in its hand.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

const store = new Map();
const timers = new Map();
let answer;
let sent;

globalThis.document = { body: { dataset: { sheet: "one" } }, addEventListener() {} };
globalThis.addEventListener = () => {};
globalThis.localStorage = {
  getItem: (key) => store.get(key) ?? null,
  setItem: (key, text) => store.set(key, text),
  removeItem: (key) => store.delete(key),
};
globalThis.setTimeout = (call, ms) => {
  const id = Symbol();
  timers.set(id, { call, ms });
  return id;
};
globalThis.clearTimeout = (id) => timers.delete(id);
globalThis.fetch = async (path, options) => {
  const body = options.body && JSON.parse(options.body);
  sent.push([options.method, path, body]);
  return answer(options.method, body);
};
const json = (told, status = 200) => new Response(JSON.stringify(told), {
  status, headers: { "Content-Type": "application/json" },
});

const { Keeper } = await import("../../diagnose/web/static/keeper.js");

function keep(sheet, revision = 1) {
  const told = { said: [], saved: 0, clashes: 0 };
  const keeper = new Keeper(sheet, revision, {
    saved: () => { told.saved += 1; }, said: (text) => told.said.push(text), clash: () => { told.clashes += 1; },
  });
  return { keeper, told };
}

beforeEach(() => {
  store.clear();
  sent = [];
  timers.clear();
});

test("what is typed is kept in the browser at once, and there no longer once the server has it", async () => {
  const { keeper, told } = keep({ case: "hum" });
  answer = () => json({ revision: 2 });
  keeper.touch();
  assert.equal(JSON.parse(store.get("sheet:one")).sheet.case, "hum");
  await keeper.save();
  assert.deepEqual(sent, [["PUT", "/sheet/one/data", { sheet: { case: "hum" }, revision: 1 }]]);
  assert.equal(keeper.revision, 2);
  assert.equal(store.has("sheet:one"), false);
  assert.deepEqual([told.saved, told.said.at(-1)], [1, "saved"]);
});

test("another thing than a sheet is kept at its own place", async () => {
  const place = { path: "/stage/two/data", draft: "stage:two", mark: JSON.stringify };
  const keeper = new Keeper({ base: "x" }, 1, { saved() {}, said() {}, clash() {} }, place);
  answer = () => { throw new TypeError("no connection"); };
  keeper.touch();
  await keeper.save();
  assert.equal(sent[0][1], "/stage/two/data");
  assert.deepEqual(Keeper.draft(place).sheet, { base: "x" });
  assert.equal(Keeper.draft(), null, "the sheet of the same page has none");
});

test("nothing typed, nothing sent", async () => {
  const { keeper } = keep({ case: "hum" });
  await keeper.save();
  assert.deepEqual(sent, []);
});

test("a server that does not answer loses nothing, and is asked again", async () => {
  const { keeper, told } = keep({ case: "hum" });
  answer = () => { throw new TypeError("no connection"); };
  keeper.touch();
  await keeper.save();
  assert.match(told.said.at(-1), /not saved: the server does not answer/);
  assert.ok(store.has("sheet:one"));
  answer = () => json({ revision: 2 });
  assert.equal(timers.size, 1);
  const [{ call, ms }] = timers.values();
  assert.ok(ms >= 1000, "not in a hurry: it may be starting");
  await call();
  assert.equal(sent.length, 2);
  assert.equal(store.has("sheet:one"), false);
});

test("a later revision of somebody else is told and not written over", async () => {
  const { keeper, told } = keep({ case: "hum" });
  answer = (method) => method === "PUT" ? json({ error: "later" }, 409) : json({ sheet: { case: "noise" }, revision: 7 });
  keeper.touch();
  await keeper.save();
  assert.deepEqual([told.clashes, keeper.clashed, told.saved], [1, true, 0]);
  keeper.touch();
  await keeper.save();
  assert.equal(sent.filter(([method]) => method === "PUT").length, 1, "no second attempt");
});

test("a later revision that was sent from here, its answer lost, is no clash", async () => {
  const sheet = { case: "hum" };
  const { keeper, told } = keep(sheet);
  answer = () => { throw new TypeError("the answer is lost"); };
  keeper.touch();
  await keeper.save();
  sheet.case = "hum, left";
  answer = (method, body) => {
    if (method === "GET") return json({ sheet: { case: "hum" }, revision: 2 });
    return body.revision === 2 ? json({ revision: 3 }) : json({ error: "later" }, 409);
  };
  keeper.touch();
  await keeper.save();
  assert.deepEqual([told.clashes, keeper.revision], [0, 2]);
  await keeper.save();
  assert.deepEqual([keeper.revision, told.saved], [3, 1]);
});

test("what is typed while a save is on its way is saved after it", async () => {
  const sheet = { case: "hum" };
  const { keeper, told } = keep(sheet);
  answer = () => {
    if (sent.length === 1) { sheet.case = "hum, left"; keeper.touch(); }
    return json({ revision: sent.length + 1 });
  };
  keeper.touch();
  await keeper.save();
  assert.equal(told.saved, 0, "not all of it is saved");
  assert.equal(JSON.parse(store.get("sheet:one")).sheet.case, "hum, left");
  await keeper.save();
  assert.deepEqual(sent.map(([, , body]) => [body.sheet.case, body.revision]), [["hum", 1], ["hum, left", 2]]);
  assert.equal(told.saved, 1);
});
