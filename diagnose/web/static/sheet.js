import { clickable, make, mark, name, tell } from "./common.js";
import { content } from "./content.js";
import { drop } from "./drop.js";
import { Fields } from "./fields.js";
import { byStage, unfold, valuesByStage } from "./folded.js";
import { Keeper } from "./keeper.js";
import { rowAt } from "./marks.js";
import { hint, probing, shown } from "./probing.js";
import { blank, curve, slug, widen } from "./rows.js";
import { ask } from "./server.js";
import { forgetting, lead, understood } from "./understood.js";
import { tabs, walking } from "./walking.js";

const form = document.getElementById("form");
const status = document.getElementById("status");
const banner = document.getElementById("banner");
const title = document.getElementById("f-case");
const drawing = make("div", { class: "drawing", tabindex: "0", role: "region", "aria-label": "Drawing of the stage" });
let sheet, choices, fields, keeper, own;

async function open() {
  const told = await ask("GET", `/sheet/${name}/data`);
  ({ sheet, choices, own } = told);
  const draft = Keeper.draft();
  keeper = new Keeper(sheet, told.revision, { saved, said, clash });
  if (draft && content(draft.sheet) !== content(sheet)) {
    sheet = draft.sheet;
    keeper.resume(draft); // a later revision elsewhere is told by the server
  } else {
    keeper.forget();
    said("saved");
  }
  fields = new Fields(sheet, choices, typed, shaped);
  title.value = sheet.case;
  title.dataset.field = "case";
  title.addEventListener("input", () => { sheet.case = title.value; typed("case"); });
  drop(form, fields, shaped, typed);
  walking(form, fields, shaped, typed, (text) => tell(document.getElementById("pasted"), text));
  forgetting(form);
  draw();
  saved(told);
  if (told.newer) newer();
  if (location.hash) lead(location.hash.slice(1));
  addEventListener("hashchange", () => lead(location.hash.slice(1)));
  await picture();
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
  drawing.innerHTML = await ask("GET", `/sheet/${name}/drawing`);
  clickable(drawing, (part) => {
    mark(drawing, part);
    const field = document.getElementById(slug(`values/${part}`));
    if (!field) return;
    field.closest("details").open = true;
    field.focus();
  });
  probing(drawing, choices.nodes, read);
  shown(drawing, sheet, last);
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
  keeper.touch();
}

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
  const unfolded = new Set([...form.querySelectorAll("details[open]")].map((d) => d.id));
  const wide = () => (sheet.channels.length ? sheet.channels : [""]).map(() => "");
  form.replaceChildren(
    ...cautions(),
    make("div", {},
      about(),
      make("section", { "aria-labelledby": "h-readings" },
        make("h2", { id: "h-readings" }, "Readings"), channels(),
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
    make("div", { class: "side" },
      make("section", { "aria-labelledby": "h-stage" }, make("h2", { id: "h-stage" }, choices.stage?.title || sheet.stage), drawing, hint()),
      make("details", { id: "d-values", open: sheet.values.length > 0 }, make("summary", {}, "Part values that differ on this unit's schematic"), valuesByStage(fields.values(), choices))));
  for (const details of form.querySelectorAll("details")) if (unfolded.has(details.id)) details.open = true;
  form.removeAttribute("aria-busy");
  problems(last.problems);
  understood(form, last);
  tabs(form);
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
    widen(sheet, event.target.checked ? names : []);
    shaped("two");
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
  if (!keeper.clashed) tell(banner, rest.join("\n"));
}

function said(text) { status.textContent = text; }

/** Another tab saved first: nothing is thrown away, the user chooses. */
function clash() {
  banner.replaceChildren(
    make("p", {}, "This sheet was changed in another tab or window while it was open here. What you typed here is still here, but not saved."),
    make("button", { type: "button", onclick: async () => {
      const made = await ask("POST", `/sheet/${name}/copy`, { sheet });
      keeper.forget();
      keeper.kept = keeper.typed;
      location.href = `/sheet/${made.sheet}`;
    } }, "Keep mine as a sheet of its own"),
    make("button", { type: "button", onclick: () => window.open(`/sheet/${name}?other`, "_blank", "noopener") }, "Look at the other one in a new tab"),
    make("button", { type: "button", onclick: () => { keeper.forget(); keeper.kept = keeper.typed; location.reload(); } }, "Drop mine and take the other one"));
  banner.hidden = false;
}

await open();
