import { Bench } from "./bench.js";
import { narrow, widen } from "./channels.js";
import { fieldOf } from "./clash.js";
import { clashes } from "./clashing.js";
import { clickable, make, mark, name, redraw as redrawn, tell } from "./common.js";
import { content } from "./content.js";
import { Drafts } from "./drafts.js";
import { drop } from "./drop.js";
import { Fields } from "./fields.js";
import { byStage, unfold, valuesByStage } from "./folded.js";
import { Keeper, SHEET } from "./keeper.js";
import { rowAt } from "./marks.js";
import { missing, sending } from "./missing.js";
import { hint, probing, shown } from "./probing.js";
import { recordings } from "./recordings.js";
import { blank, curve, slug } from "./rows.js";
import { Silent, ask } from "./server.js";
import { called, told as described } from "./told.js";
import { forgetting, lead, understood } from "./understood.js";
import { Undoing } from "./undoing.js";
import { tabs, walking } from "./walking.js";

const form = document.getElementById("form");
const status = document.getElementById("status");
const banner = document.getElementById("banner");
const title = document.getElementById("f-case");
const drawing = make("div", { class: "drawing", tabindex: "0", role: "region", "aria-label": "Drawing of the stage" });
let sheet, choices, fields, keeper, own, undoing, bench;
let drawn = {};
const LATER = 3000;

async function open() {
  const [told, drafts] = await Promise.all([ask("GET", SHEET.path), Drafts.open(SHEET.draft)]);
  ({ sheet, choices, own } = told);
  keeper = new Keeper(sheet, told.revision, { saved, said, merged, gone }, drafts);
  const kept = content(sheet);
  said("saved");
  for (const draft of await drafts.found()) {
    if (draft.clashes?.length || content(draft.sheet) !== kept) keeper.resume(draft);
    if (draft.place !== drafts.place || !keeper.dirty) drafts.forget(draft.place);
  }
  undoing = new Undoing(sheet, `past:${name}`, stepped);
  fields = new Fields(sheet, choices, typed, shaped);
  title.dataset.field = "case";
  title.addEventListener("input", () => { sheet.case = title.value; typed("case"); });
  drop(form, fields, shaped, typed);
  bench = new Bench({ sheet, drawing, minding: () => choices.stage.heading, came: () => keeper.look(), open: (yes) => form.classList.toggle("benching", yes) });
  walking(form, fields, shaped, typed, (text) => tell(document.getElementById("pasted"), text));
  forgetting(form);
  draw();
  saved(told);
  if (told.newer) newer();
  if (location.hash) lead(location.hash.slice(1));
  addEventListener("hashchange", () => lead(location.hash.slice(1)));
  if (told.lacks.files) lacks(told.lacks);
  const kept_ = recordings(told.recordings);
  if (kept_) form.after(kept_);
  await picture();
  await bench.resume();
}

/** Files that the sheet names are not beside it: they are asked for. */
function lacks(told) {
  const box = make("div", { class: "line" });
  const problem = make("p", { class: "problem", role: "alert", hidden: true });
  banner.after(make("div", { class: "banner" }, make("p", {}, "This sheet names files that are not beside it."), box, problem));
  const put = async (word, list) => {
    const body = new FormData();
    for (const one of list) body.append(word, one);
    try {
      await keeper.save();
      await ask("POST", sending(`/sheet/${name}/beside`, word === "files" ? list : []), body);
      location.reload();
    } catch (error) {
      tell(problem, error.message);
    }
  };
  missing(box, told, { more: (files) => put("files", files), instead: (word) => put("stage", [word]), without: () => box.parentNode.remove() });
}

/** The sheet was deleted elsewhere: it can be had back, with what was typed here. */
function gone() {
  banner.replaceChildren(make("p", {}, "This sheet was deleted elsewhere. What you typed here is still here."),
    make("button", { type: "button", onclick: async () => {
      try {
        await ask("POST", `/sheet/${name}/restore`);
        banner.hidden = true;
        await keeper.look();
      } catch (error) {
        said(`not put back: ${error.message}`, true);
      }
    } }, "Put it back"));
  banner.hidden = false;
}

/** The stage of one's own that the sheet is of was changed: it is taken when the user says so. */
function newer() {
  const box = make("div", { class: "banner", role: "status" },
    make("p", {}, "The stage of this sheet was changed since it was taken."),
    make("button", { type: "button", onclick: async () => {
      await keeper.save();
      await ask("POST", `/sheet/${name}/stage`);
      location.reload();
    } }, "Take it as it is now"), make("a", { href: `/stage/${own}` }, "Look at it"));
  banner.after(box);
}

async function picture() {
  let svg;
  try {
    svg = await ask("GET", `/sheet/${name}/drawing`);
  } catch (error) {
    tell(drawing, `There is no drawing: ${error.message}`);
    if (error instanceof Silent) setTimeout(picture, LATER);
    return;
  }
  redrawn(drawing, svg, () => clickable(drawing, (part) => {
    mark(drawing, part);
    const field = document.getElementById(slug(`values/${part}`));
    if (!field) return;
    field.closest("details").open = true;
    field.focus();
  }));
  probing(drawing, choices.nodes, read);
  shown(drawing, sheet, last);
  bench.relight();
}

/** A test point of the drawing: to its row, which is made where there is none. */
function read(node) {
  const before = sheet.readings.length;
  const row = rowAt(sheet, node);
  // with a row more, what was told of the fields below is of others until the next save
  if (sheet.readings.length > before) last = { ...last, problems: [], differing: {}, doubted: [] };
  shaped(`readings/${row}/values/${Math.max(0, sheet.channels.indexOf(sheet.suspect))}`);
  document.activeElement?.scrollIntoView({ block: "center" });
  if (sheet.readings.length > before) typed(`readings/${row}`);
}

function typed(field) {
  const row = document.getElementById(slug(field))?.closest("[data-row]");
  row?.classList.toggle("changed", Boolean(sheet.values.find(([part]) => `values/${part}` === field)));
  const { [field]: _, ...others } = last.differing || {};
  shown(drawing, sheet, { differing: others, problems: last.problems.filter((one) => one.field !== field) });
  undoing.note(field);
  keeper.touch();
}

/** A step was undone, or done again: shown where it was. */
function stepped(field, changes) {
  keeper.touch();
  const last = changes.at(-1);
  const at = last ? fieldOf(last.path) : field;
  draw();
  const found = [at, `${at}/quantity`, `${at}/part`, `${at}/at`, field].map((word) => document.getElementById(slug(word))).find(Boolean)
    || document.getElementById(`add-${field}`);
  found?.focus();
}

/** What was saved elsewhere is in the sheet now: the cursor stays in its field, wherever that went. */
function merged({ changes, stays }) {
  undoing?.follow();
  if (!fields) return;
  if (changes.length) redraw();
  bench.relight();
  show();
  if (stays.length) undoing.say(`${stays.map(({ row }) => called(row)).join(", ")}: removed in one place and changed in another, so it stays.`);
  else if (changes.length) undoing.say(`${bench.going ? "From the bench" : "Taken over from elsewhere"}: ${described(changes, sheet)}.`);
}

function redraw() {
  const at = document.activeElement;
  const [list, k, ...rest] = (at?.dataset?.field || "").split("/");
  const { selectionStart: from, selectionEnd: to } = at || {};
  const row = drawn[list]?.[k];
  draw();
  const there = row ? [list, sheet[list].indexOf(row), ...rest].join("/") : at?.dataset?.field;
  const found = document.getElementById(there ? slug(there) : at?.id);
  if (!found || found === document.activeElement) return;
  found.focus({ preventScroll: true });
  if (typeof from === "number" && found.setSelectionRange) found.setSelectionRange(from, to);
}

const show = () => clashes(form, banner, sheet, keeper.clashes, (clash, here) => {
  keeper.choose(clash, here);
  undoing.note("");
  draw();
});

/** The form has other fields now; the cursor goes on in `field`. */
function shaped(field) {
  draw();
  const found = document.getElementById(slug(field)) || document.getElementById(`add-${field}`);
  unfold(found);
  found?.focus();
}

const adds = (list, words, make_, first = "quantity") => make("button", {
  type: "button", id: `add-${list}`, onclick: () => {
    sheet[list].push(make_());
    shaped(`${list}/${sheet[list].length - 1}/${first}`);
    typed(list);
  },
}, words);

function draw() {
  drawn = Object.fromEntries(Object.entries(sheet).filter(([, list]) => Array.isArray(list)).map(([list, rows_]) => [list, [...rows_]]));
  if (title.value !== sheet.case) title.value = sheet.case;
  const unfolded = new Set([...form.querySelectorAll("details[open]")].map((d) => d.id));
  const wide = () => (sheet.channels.length ? sheet.channels : [""]).map(() => "");
  form.replaceChildren(
    ...cautions(),
    make("div", {},
      about(),
      make("section", { "aria-labelledby": "h-readings" },
        make("h2", { id: "h-readings" }, "Readings"), channels(), bench.buttons(),
        make("p", { class: "dim keys" }, "Tab, Enter, ↑ and ↓ go from value to value, ← and → to what stands beside it; a block from a spreadsheet can be pasted."),
        make("p", { id: "pasted", class: "dim", role: "status", hidden: true }),
        make("div", { class: `heads${sheet.channels.length ? " two" : ""}`, "aria-hidden": "true" },
          (sheet.channels.length ? sheet.channels : ["measured"]).map((word) => make("span", {}, word)),
          make("span", { class: "unit" }), make("span", { class: "expected" }, "expected")),
        byStage(sheet, choices, fields),
        make("div", { class: "line" },
          adds("readings", "+ reading", () => blank(choices, sheet.readings, wide())),
          make("button", { type: "button", onclick: () => { sheet.readings.push(curve(choices, sheet.readings, wide())); shaped(`readings/${sheet.readings.length - 1}/points/0/at`); typed("readings"); } }, "+ curve"),
          make("label", { class: "button" }, "+ from a file…", make("input", { type: "file", id: "file", class: "hidden", accept: ".csv,.txt,.tsv,.wav,.flac" }))),
        make("div", { class: "drop", id: "drop" }, make("p", { class: "dim" }, "Drop a sweep (.csv: frequency, value) or a recording (.wav, .flac) here."))),
      make("section", { "aria-labelledby": "h-limits" }, make("h2", { id: "h-limits" }, "Published figures"),
        sheet.limits.map((_, k) => fields.limit(k)), make("div", { class: "line" },
          adds("limits", "+ limit", () => ({ quantity: "gain", conditions: [["frequency", "1 kHz"]], figures: [["min", ""], ["max", ""]] })),
          standard())),
      choices.sections.map(rows),
      make("section", { "aria-labelledby": "h-remarks" }, make("h2", { id: "h-remarks" }, "What was noticed"),
        make("div", { class: "remarks" }, choices.observations.map((word) => make("label", {},
          make("input", { type: "checkbox", ".checked": sheet.observations.includes(word), onchange: (event) => remark(word, event.target.checked) }), word)))),
      make("section", { "aria-labelledby": "h-repaired" }, make("h2", { id: "h-repaired" }, "After a repair"),
        make("p", { class: "dim" }, "What was done, and the same readings taken again: the answer then says whether the fault is gone."),
        sheet.repaired.map((_, k) => fields.repair(k)), make("div", { class: "line" },
          adds("repaired", "+ repair", () => ({ part: "", how: "replaced", readings: [] }), "part")))),
    make("div", { class: "side" }, bench.box,
      make("section", { "aria-labelledby": "h-stage" }, make("h2", { id: "h-stage" }, choices.stage?.title || sheet.stage), drawing, hint()), bench.after,
      make("details", { id: "d-values", open: sheet.values.length > 0 }, make("summary", {}, "Part values that differ on this unit's schematic"), valuesByStage(fields.values(), choices))));
  for (const details of form.querySelectorAll("details")) if (unfolded.has(details.id)) details.open = true;
  form.removeAttribute("aria-busy");
  problems(last.problems);
  understood(form, last);
  tabs(form);
  show();
}

/** A section that is a list of plain rows; a new row begins with the usual choices. */
const rows = (section) => make("section", { "aria-labelledby": `h-${section.name}` },
  make("h2", { id: `h-${section.name}` }, section.title),
  (sheet[section.name] ??= []).map((_, k) => fields.listed(section, k)), make("div", { class: "line" },
    adds(section.name, section.add,
      () => Object.fromEntries(section.columns.map((column) => [column.word, column.choices[0] || ""])),
      section.columns[0].word)));

const standard = () => make("button", {
  type: "button", onclick: () => {
    sheet.limits.push({ quantity: "", conditions: [["standard", Object.keys(choices.standards)[0]]], figures: [] });
    shaped(`limits/${sheet.limits.length - 1}/standard`);
    typed("limits");
  },
}, "+ standard");

function about() {
  const stage = choices.stage;
  return make("section", { "aria-label": "Stage" },
    make("p", { class: "dim" }, stage?.about || ""),
    make("div", { class: "line" },
      make("label", { for: slug("mains") }, "mains"), fields.input("mains", sheet.mains, (text) => { sheet.mains = text; }, { placeholder: choices.mains || "50 Hz" }),
      stage?.signal?.length ? make("span", { class: "dim" }, "usual drive: " + stage.signal.map((pair) => pair.join(" ")).join(", ")) : null,
      own ? make("a", { class: "button", href: `/stage/${own}` }, "Change the stage") : null,
      make("a", { class: "button", href: `/sheet/${name}/healthy` }, "What a healthy one reads"),
      make("a", { class: "button", href: `/sheet/${name}/paper` }, "On paper"),
      make("a", { class: "button", href: `/sheet/${name}/case.yaml`, download: "" }, "Save the case file")));
}

function channels() {
  const two = sheet.channels.length === 2;
  const names = choices.stage?.instances?.length === 2 ? choices.stage.instances : ["left", "right"];
  const toggle = make("label", {}, make("input", { type: "checkbox", id: "two", ".checked": two, onchange: (event) => {
    if (event.target.checked) widen(sheet, names); else narrow(sheet);
    draw();
    document.getElementById("two").focus();
    typed("channels");
  } }), " two channels");
  if (!two) return make("div", { class: "line" }, toggle);
  return make("div", { class: "line" }, toggle,
    make("label", { for: slug("suspect") }, "under suspicion"),
    fields.select("suspect", sheet.suspect, sheet.channels.map((word) => [word, word]), (word) => { sheet.suspect = word; }));
}

function remark(word, on) {
  sheet.observations = sheet.observations.filter((other) => other !== word).concat(on ? [word] : []);
  typed("observations");
}

/** What to mind, above everything that is to be done; a list of one section, or of none. */
function cautions() {
  const list = choices.stage?.cautions || [];
  return list.length ? [make("section", { class: "cautions", "aria-labelledby": "h-cautions" },
    make("h2", { id: "h-cautions" }, choices.stage.heading), make("ul", {}, list.map((text) => make("li", {}, text))))] : [];
}

let last = { problems: [], differing: {}, doubted: [] };
function saved(told) {
  last = told;
  problems(last.problems);
  understood(form, last);
  shown(drawing, sheet, last);
  for (const field of form.querySelectorAll("input.value")) field.title = told.understood[field.dataset.field] || "";
}

/** Each mistake beside its field. */
function problems(list) {
  for (const old of form.querySelectorAll(".problem.beside")) old.remove();
  for (const field of document.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
  }
  const rest = [];
  list.forEach((problem, k) => {
    const field = document.getElementById(slug(problem.field));
    const row = field?.closest("[data-row]") || form.querySelector(`[data-row="${CSS.escape(problem.field)}"]`);
    if (!field && !row) return void rest.push(problem.text);
    const text = make("p", { class: "problem beside pre", id: `problem-${k}` }, problem.text);
    if (row) row.append(text); else field.after(text);
    const marked = field || row.querySelector("input,select");
    marked?.setAttribute("aria-invalid", "true");
    marked?.setAttribute("aria-describedby", `problem-${k}`);
    const details = row?.closest("details");
    if (details) details.open = true;
  });
  tell(banner, rest.join("\n"));
}

function said(text, bad = false) {
  status.textContent = text;
  status.classList.toggle("problem", bad);
}

await open();
