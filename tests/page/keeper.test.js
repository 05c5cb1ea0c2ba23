// Saving while typing, with a server and a browser's store that the test holds in its hand.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

const store = new Map();
const timers = new Map();
const held = new Set();
let answer;
let sent;
let session;

globalThis.document = { body: { dataset: { sheet: "one" } }, addEventListener() {} };
globalThis.addEventListener = () => {};
globalThis.setInterval = () => 0;
globalThis.localStorage = new Proxy({
  getItem: (key) => store.get(key) ?? null,
  setItem: (key, text) => store.set(key, text),
  removeItem: (key) => store.delete(key),
}, { ownKeys: () => [...store.keys()], getOwnPropertyDescriptor: () => ({ enumerable: true, configurable: true }) });
globalThis.sessionStorage = { getItem: () => session, setItem: (_, text) => { session = text; } };
// locks as the Web Locks API has them: one that is held is not given; nobody waits here longer than a moment
Object.defineProperty(globalThis, "navigator", { configurable: true, value: { locks: {
  async request(name, { ifAvailable }, call) {
    if (held.has(name)) {
      if (ifAvailable) return call(null);
      throw new DOMException("waited long enough", "TimeoutError");
    }
    const until = call({ name });
    if (!(until instanceof Promise)) return until;
    held.add(name);
    return until;
  },
} } });
globalThis.setTimeout = (call, ms) => {
  const id = Symbol();
  timers.set(id, { call, ms });
  return id;
};
globalThis.clearTimeout = (id) => timers.delete(id);
globalThis.fetch = async (path, options) => {
  const body = options.body && JSON.parse(options.body);
  sent.push([options.method, path, body]);
  return answer(options.method, body, path);
};
const json = (told, status = 200) => new Response(JSON.stringify(told), {
  status, headers: { "Content-Type": "application/json" },
});

const { Keeper } = await import("../../diagnose/web/static/keeper.js");
const { Drafts } = await import("../../diagnose/web/static/drafts.js");

const reading = (value) => ({ quantity: "gain", conditions: [], values: [value], points: [] });
const sheetOf = (...values) => ({ case: "hum", channels: [], values: [], readings: values.map(reading) });

async function keep(sheet, revision = 1, place = undefined, key = "sheet:one") {
  const told = { said: [], saved: 0, clashes: 0, merged: [] };
  const drafts = await Drafts.open(key);
  const keeper = new Keeper(sheet, revision, {
    saved: () => { told.saved += 1; }, said: (text) => told.said.push(text), clash: () => { told.clashes += 1; }, merged: (what) => told.merged.push(what),
  }, drafts, place);
  return { keeper, told, drafts };
}
const draft = () => JSON.parse([...store.values()][0] ?? "null");

beforeEach(() => {
  store.clear();
  held.clear();
  session = undefined;
  sent = [];
  timers.clear();
});

test("what is typed is kept in the browser at once, and there no longer once the server has it", async () => {
  const { keeper, told } = await keep({ case: "hum" });
  answer = () => json({ revision: 2 });
  keeper.touch();
  assert.equal(draft().sheet.case, "hum");
  await keeper.save();
  assert.deepEqual(sent, [["PUT", "/sheet/one/data", { sheet: { case: "hum" }, revision: 1 }]]);
  assert.equal(keeper.revision, 2);
  assert.equal(store.size, 0);
  assert.deepEqual([told.saved, told.said.at(-1)], [1, "saved"]);
});

test("another thing than a sheet is kept at its own place, and two that were changed are for the user to choose of", async () => {
  const place = { path: "/stage/two/data", draft: "stage:two", mark: JSON.stringify };
  const { keeper, told } = await keep({ base: "x" }, 1, place, place.draft);
  answer = () => { throw new TypeError("no connection"); };
  keeper.touch();
  await keeper.save();
  assert.equal(sent[0][1], "/stage/two/data");
  assert.match([...store.keys()][0], /^stage:two#/);
  answer = (method) => method === "PUT" ? json({ error: "later" }, 409) : json({ sheet: { base: "y" }, revision: 7 });
  await keeper.save();
  assert.deepEqual([told.clashes, keeper.clashed, told.saved], [1, true, 0]);
  keeper.touch();
  await keeper.save();
  assert.equal(sent.filter(([method]) => method === "PUT").length, 2, "no attempt after that");
});

test("nothing typed, nothing sent", async () => {
  const { keeper } = await keep({ case: "hum" });
  await keeper.save();
  assert.deepEqual(sent, []);
});

test("a server that does not answer loses nothing, and is asked again", async () => {
  const { keeper, told } = await keep({ case: "hum" });
  answer = () => { throw new TypeError("no connection"); };
  keeper.touch();
  await keeper.save();
  assert.match(told.said.at(-1), /not saved: the server does not answer/);
  assert.equal(store.size, 1);
  answer = () => json({ revision: 2 });
  assert.equal(timers.size, 1);
  const [{ call, ms }] = timers.values();
  assert.ok(ms >= 1000, "not in a hurry: it may be starting");
  await call();
  assert.equal(sent.length, 2);
  assert.equal(store.size, 0);
});

test("a server that is gone is told although nothing was typed, and found again", async () => {
  const { keeper, told } = await keep(sheetOf("1"));
  answer = () => { throw new TypeError("no connection"); };
  await keeper.look();
  assert.match(told.said.at(-1), /the server does not answer/);
  answer = () => json({ revision: 1 });
  await keeper.look();
  assert.equal(told.said.at(-1), "saved");
});

test("what another saved is merged, and the whole saved again", async () => {
  const sheet = sheetOf("1", "2");
  const { keeper, told } = await keep(sheet);
  answer = (method, body) => {
    if (method === "GET") return json({ sheet: sheetOf("1", "2", "of another"), revision: 7 });
    return body.revision === 7 ? json({ revision: 8 }) : json({ error: "later" }, 409);
  };
  sheet.readings[0].values[0] = "1.1";
  keeper.touch();
  await keeper.save();
  await keeper.save();
  assert.deepEqual(sent.at(-1)[2].sheet.readings.map(({ values }) => values[0]), ["1.1", "2", "of another"]);
  assert.deepEqual([keeper.revision, told.said.at(-1), keeper.clashes.length], [8, "saved", 0]);
  assert.equal(sheet.readings.length, 3, "the page has it too");
});

test("a page where nobody types takes over what another saved", async () => {
  const sheet = sheetOf("1");
  const { keeper, told } = await keep(sheet);
  answer = (method, body, path) => json(path.endsWith("revision") ? { revision: 2 } : { sheet: sheetOf("1.5"), revision: 2 });
  await keeper.look();
  assert.deepEqual([sheet.readings[0].values, told.merged.length, keeper.dirty], [["1.5"], 1, false]);
  assert.ok(!sent.some(([method]) => method === "PUT"));
});

test("two pages on which rows were begun do not save in turns for ever", async () => {
  const sheet = { ...sheetOf("1"), checks: [{ part: "", found: "good", how: "" }] };
  const { keeper } = await keep(sheet);
  answer = (method, body, path) => json(path.endsWith("revision") ? { revision: 2 } : { sheet: { ...sheetOf("1", "2"), checks: [] }, revision: 2 });
  await keeper.look();
  assert.deepEqual([sheet.readings.length, sheet.checks.length, keeper.dirty], [2, 1, false]);
  assert.ok(!sent.some(([method]) => method === "PUT"));
});

test("a row that was removed elsewhere and changed here stays, and is saved again", async () => {
  const sheet = sheetOf("1", "2");
  const { keeper, told } = await keep(sheet);
  const server = { sheet: sheetOf("1"), revision: 2 };
  answer = (method, body, path) => {
    if (method === "GET") return json(path.endsWith("revision") ? { revision: server.revision } : server);
    if (body.revision !== server.revision) return json({ error: "later" }, 409);
    Object.assign(server, { sheet: body.sheet, revision: server.revision + 1 });
    return json({ revision: server.revision });
  };
  sheet.readings[1].values[0] = "2.2";
  keeper.touch();
  await keeper.save();
  await keeper.save();
  assert.deepEqual(server.sheet.readings.map(({ values }) => values[0]), ["1", "2.2"]);
  assert.equal(told.merged[0].stays.length, 1);
});

test("one field changed in two places: the server keeps the other's, the draft one's own, until it is chosen", async () => {
  const sheet = sheetOf("1", "2");
  const { keeper, told, drafts } = await keep(sheet);
  const server = { sheet: sheetOf("1.9", "2"), revision: 2 };
  answer = (method, body) => {
    if (method === "GET") return json(server);
    if (body.revision !== server.revision) return json({ error: "later" }, 409);
    Object.assign(server, { sheet: body.sheet, revision: server.revision + 1 });
    return json({ revision: server.revision });
  };
  sheet.readings[0].values[0] = "1.1";
  sheet.readings[1].values[0] = "2.2";
  keeper.touch();
  await keeper.save();
  await keeper.save();
  assert.deepEqual(server.sheet.readings.map(({ values }) => values[0]), ["1.9", "2.2"]);
  assert.deepEqual(sheet.readings.map(({ values }) => values[0]), ["1.1", "2.2"]);
  assert.match(told.said.at(-1), /saved, but for 1 field changed in two places/);
  // the page is loaded again: nobody has chosen yet
  const fresh = structuredClone(server.sheet);
  const next = await keep(fresh, server.revision);
  for (const found of await drafts.found()) next.keeper.resume(found);
  assert.equal(fresh.readings[0].values[0], "1.1");
  await next.keeper.save();
  assert.equal(server.sheet.readings[0].values[0], "1.9");
  assert.equal(next.keeper.clashes[0].theirs, "1.9");
  next.keeper.choose(next.keeper.clashes[0], true);
  await next.keeper.save();
  assert.equal(server.sheet.readings[0].values[0], "1.1");
  assert.equal(next.told.said.at(-1), "saved");
});

test("a later revision that was sent from here, its answer lost, is no clash", async () => {
  const sheet = { case: "hum", channels: [] };
  const { keeper, told } = await keep(sheet);
  answer = () => { throw new TypeError("the answer is lost"); };
  keeper.touch();
  await keeper.save();
  sheet.case = "hum, left";
  answer = (method, body) => {
    if (method === "GET") return json({ sheet: { case: "hum", channels: [] }, revision: 2 });
    return body.revision === 2 ? json({ revision: 3 }) : json({ error: "later" }, 409);
  };
  keeper.touch();
  await keeper.save();
  assert.deepEqual([keeper.clashes.length, keeper.revision], [0, 2]);
  await keeper.save();
  assert.deepEqual([keeper.revision, told.saved, sheet.case], [3, 1, "hum, left"]);
});

test("what is typed while a save is on its way is saved after it", async () => {
  const sheet = { case: "hum", channels: [] };
  const { keeper, told } = await keep(sheet);
  answer = () => {
    if (sent.length === 1) { sheet.case = "hum, left"; keeper.touch(); }
    return json({ revision: sent.length + 1 });
  };
  keeper.touch();
  await keeper.save();
  assert.equal(told.saved, 0, "not all of it is saved");
  assert.equal(draft().sheet.case, "hum, left");
  await keeper.save();
  assert.deepEqual(sent.map(([, , body]) => [body.sheet.case, body.revision]), [["hum", 1], ["hum, left", 2]]);
  assert.equal(told.saved, 1);
});

test("two tabs have a draft each; that of a tab that lives is its own, that of one that was closed is found", async () => {
  const one = await Drafts.open("sheet:one");
  one.put({ sheet: { case: "of the first" } });
  session = undefined; // another tab
  const other = await Drafts.open("sheet:one");
  other.put({ sheet: { case: "of the second" } });
  assert.equal(store.size, 2);
  const cases = async (drafts) => (await drafts.found()).map(({ sheet }) => sheet.case);
  assert.deepEqual(await cases(other), ["of the second"]);
  other.forget();
  assert.equal(store.size, 1, "no tab removes what another keeps");
  held.delete(`draft ${one.tab}`); // the first is closed
  assert.deepEqual(await cases(other), ["of the first"]);
  assert.deepEqual(await cases(await Drafts.open("sheet:two")), []);
});

test("a tab that was duplicated does not write over the draft of the other", async () => {
  const one = await Drafts.open("sheet:one");
  const copy = await Drafts.open("sheet:one"); // with the same name in its store, while the first lives
  assert.notEqual(copy.tab, one.tab);
  held.clear();
  assert.equal((await Drafts.open("sheet:one")).tab, copy.tab, "a tab that is loaded again is the same");
});

test("a draft of before drafts were a tab's is found", async () => {
  store.set("sheet:one", JSON.stringify({ sheet: { case: "old" }, revision: 1 }));
  const drafts = await Drafts.open("sheet:one");
  assert.deepEqual((await drafts.found()).map(({ sheet, place }) => [sheet.case, place]), [["old", "sheet:one"]]);
});
