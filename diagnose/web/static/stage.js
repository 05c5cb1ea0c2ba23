// A stage of one's own: its parts as a table, the drawing beside, the whole file below; saved as it is typed.
import { Arranger } from "./arrange.js";
import { clickable, make, mark, own, redraw as redrawn, tell } from "./common.js";
import { Drafts } from "./drafts.js";
import { Grid } from "./grid.js";
import { Keeper } from "./keeper.js";
import { blank, confirm, exact, said as settled } from "./parts.js";
import { slug } from "./rows.js";
import { ask, wait } from "./server.js";
import { Undoing } from "./undoing.js";

const PATIENCE = 30;
const QUICK = 600;
const REST = 1500;
const PLACE = { path: `/stage/${own}/data`, draft: `stage:${own}`, mark: exact };
const HEAD = [["input", "input node", "in"], ["output", "output node", "out"], ["return", "input's return node", "0"],
  ["source impedance", "source impedance", "1 kohm"], ["load", "load", "47 kohm"], ["mains", "mains", "50 Hz"],
  ["signal", "usual drive", "input level: 50 mV"], ["stage", "name on sheets", "my-stage"]];
const ABOUT = [["about", "what it is", ""], ["source", "where the circuit stands", "service manual, sheet 3"]];

const [form, status, banner, title, refused] = ["form", "status", "banner", "f-head-title", "refused"].map((id) => document.getElementById(id));
const drawing = make("div", { class: "drawing", tabindex: "0", role: "region", "aria-label": "Drawing of the stage; choose a part to go to its row" });
const wide = make("button", { type: "button", class: "larger", "aria-pressed": "false", onclick: larger }, "Larger drawing");
const drawn = make("p", { class: "dim", role: "status" });
const hint = make("p", { class: "dim hint" });
const chain = make("ol", { id: "chain" });
const healthy = make("div", { id: "healthy" });
const notes = make("div", { id: "notes" });
const file = make("textarea", { id: "file", class: "file", spellcheck: "false", wrap: "off", rows: "26", autocomplete: "off", oninput: whole });
const arranger = new Arranger(drawing, `/stage/${own}/drawing`, { show: (svg) => { wanted += 1; show(svg); }, again: paint });
let [wanted, took, waiting] = [0, 0, 0];
let state, keeper, grid, choices, asked, others, undoing;
let last = { problems: [], cautions: [] };

async function open() {
  const [told, drafts] = await Promise.all([ask("GET", PLACE.path), Drafts.open(PLACE.draft)]);
  ({ now: state, choices, said: asked, others } = told);
  last = told;
  const found = await drafts.found();
  const same = (one) => exact(one.sheet) === exact(told.sheet);
  for (const one of found.filter(same)) drafts.forget(one.place); // it came through
  const [draft] = found.filter((one) => !same(one));
  keeper = new Keeper(state, told.revision, { saved, said, clash }, drafts, PLACE);
  if (draft) {
    state = draft.sheet;
    keeper.resume(draft); // a later revision elsewhere is told by the server
    if (draft.place !== drafts.place) drafts.forget(draft.place);
  } else {
    keeper.forget();
    said("saved");
  }
  file.value = state.table ? told.text : state.base;
  undoing = new Undoing(state.table || {}, null, stepped);
  document.body.append(datalists());
  draw();
  saved(told);
}

const datalists = () => make("div", { hidden: true },
  make("datalist", { id: "kinds" }, Object.keys(choices.kinds).map((word) => make("option", { value: word }))),
  Object.entries(choices.kinds).filter(([, told]) => told.models.length).map(([word, told]) =>
    make("datalist", { id: `models-${word}` }, told.models.map((model) => make("option", { value: model })))));

function draw() {
  if (state.table && !state.table.parts.length) state.table.parts.push(blank("parts")); // to begin with
  const unfolded = new Set([...form.querySelectorAll("details[open]")].map((d) => d.id));
  if (state.table && undoing.sheet !== state.table) undoing.of(state.table); // the file was typed, and read anew
  grid = new Grid(state, choices, asked, { typed, shaped, gone() {} });
  title.value = state.table?.head.title ?? (title.value || last.title || "");
  title.disabled = !state.table;
  form.replaceChildren(
    make("div", {}, notes, healthy, state.table ? tables() : last.unit ? unit() : unreadable(), whole_()),
    make("div", { class: "side" }, make("section", { "aria-labelledby": "h-drawing" }, make("h2", { id: "h-drawing" }, "Drawing"), wide, drawn, drawing, arranger.told, arranger.tools, arranger.how, hint)));
  for (const details of form.querySelectorAll("details")) if (unfolded.has(details.id)) details.open = true;
  form.removeAttribute("aria-busy");
  note();
  problems();
}

const tables = () => make("div", {},
  make("section", { "aria-labelledby": "h-parts" }, make("h2", { id: "h-parts" }, "Parts"),
    make("p", { class: "dim" }, "Ground is node 0. Enter goes down a column."), grid.list("parts")),
  make("section", { "aria-labelledby": "h-rails" }, make("h2", { id: "h-rails" }, "Rails"), grid.list("rails")),
  make("section", { "aria-labelledby": "h-ends", "data-row": "head" }, make("h2", { id: "h-ends" }, "Input, output and load"),
    make("div", { class: "fields" }, HEAD.map((one) => field(...one))), make("div", { class: "fields wide" }, ABOUT.map((one) => field(...one))), grid.marks("stage")),
  make("section", { "aria-labelledby": "h-points" }, make("h2", { id: "h-points" }, "Test points"),
    make("p", { class: "dim" }, "Where a probe reaches; without any, every node."), grid.list("points")));

const unreadable = () => make("section", { "aria-labelledby": "h-parts" }, make("h2", { id: "h-parts" }, "Parts"),
  make("p", { class: "problem" }, "The file cannot be read as a table as it stands. Set it right in the whole file below; the table then comes back."));

/** A unit: its chain as a list, and a stage to make it longer by; the rest stands in the file. */
const unit = () => make("section", { "aria-labelledby": "h-chain" }, make("h2", { id: "h-chain" }, "Stages of the unit"), chain, make("div", { class: "line" },
  make("label", { for: "further-stage" }, "one more at the end"),
  make("select", { id: "further-stage" }, (others || []).map(([word, label]) => make("option", { value: word }, label))),
  make("button", { type: "button", onclick: (event) => does(event.target, "Adding…", longer) }, "Add to the chain")));

function links() {
  const parts = (n) => `${n} part${n === 1 ? "" : "s"}`;
  chain.replaceChildren(...(last.unit || []).map((one) => make("li", {}, make("b", {}, one.name), ` ${one.title || one.stage} `,
    one.problem ? make("span", { class: "problem" }, one.problem) : make("span", { class: "dim" }, `${one.stage}, ${parts(one.parts)}`))));
  if (!chain.children.length) chain.append(make("li", { class: "dim" }, "None yet."));
}

async function longer() {
  const told = await ask("POST", `/stage/${own}/chain`, { stage: document.getElementById("further-stage").value, revision: keeper.revision });
  keeper.revision = told.revision;
  state.base = file.value = told.text;
  saved(told);
}

const field = (word, label, example) => make("div", { class: "field" },
  make("label", { for: slug(`head/${word}`) }, label),
  make("input", { id: slug(`head/${word}`), "data-field": `head/${word}`, ".value": state.table.head[word], placeholder: example, autocomplete: "off",
    spellcheck: "false", maxlength: "2000", oninput: (event) => head(word, event.target.value) }));

function head(word, text) {
  state.table.head[word] = text;
  if (settled(state.table, "stage", word)) form.querySelector(`[data-guess="stage/${CSS.escape(word)}"]`)?.remove();
  typed(`head/${word}`);
}

const whole_ = () => make("details", { id: "d-file", open: !state.table },
  make("summary", {}, last.unit ? "The whole file of the unit" : "The whole file, with what the table has no columns for"),
  make("p", { class: "dim", id: "file-says" }, last.unit ? "Supplies and the rails that they feed, values and positions of single parts, the order of the chain: typed here." : "Supplies behind rails, trimmers that are set, stray mains, devices of your own: typed here. A change in the table keeps these lines and all comments."),
  make("label", { for: "file", class: "hidden" }, "The whole stage file"), file);

/** The file itself is typed: the table follows with the answer. */
function whole() {
  state.base = file.value;
  state.table = null;
  typed("file");
}

function typed(where = "") {
  undoing.note(where);
  keeper.touch();
  hints(document.activeElement);
  healthy.classList.add("stale");
  count();
}

function shaped(to) {
  draw();
  (document.getElementById(slug(to)) || document.getElementById(to))?.focus();
}

/** A step in the table was undone, or done again. */
function stepped(where) {
  keeper.touch();
  healthy.classList.add("stale");
  shaped(where || "add-parts");
}

function saved(told) {
  const was = Boolean(last.unit);
  last = told;
  links();
  if (was !== Boolean(told.unit) && !state.table && !told.table) redraw();
  if (told.table && !state.table) { // typed as a file, and it can be read as a table again
    state.table = told.table;
    if (!form.querySelector(".grid")) draw();
    else redraw();
  } else if (!state.table && form.querySelector(".grid") && told.table === null) redraw();
  if (state.table && document.activeElement !== file) file.value = told.text;
  problems();
  picture();
}

/** Draw the tables again while somebody types the file. */
function redraw() {
  const [at, to, top] = [file.selectionStart, file.selectionEnd, file.scrollTop];
  const typing = document.activeElement === file;
  draw();
  document.getElementById("d-file").open = true;
  if (!typing) return;
  file.focus({ preventScroll: true });
  file.setSelectionRange(at, to);
  file.scrollTop = top;
}

/** Ask for the drawing: at once, or where that takes its time, when nothing is typed for a moment. */
function picture() {
  clearTimeout(waiting);
  waiting = setTimeout(paint, took > QUICK ? REST : 0);
}

async function paint() {
  wanted += 1;
  const number = wanted;
  const current = () => number === wanted;
  const began = performance.now();
  const slow = setTimeout(() => { if (current()) tell(drawn, "Drawing it anew…"); }, QUICK);
  try {
    const svg = await ask("GET", `/stage/${own}/drawing`);
    if (!current()) return;
    took = performance.now() - began;
    tell(drawn, svg ? "" : drawing.children.length ? "Drawn as it was before the mistake." : "Nothing can be drawn yet.");
    if (svg) show(svg);
  } catch (error) {
    if (current()) tell(drawn, `There is no drawing: ${error.message}`);
  } finally {
    clearTimeout(slow);
  }
}

/** The drawing over the whole width, for who arranges a large one. */
function larger() {
  wide.setAttribute("aria-pressed", String(form.classList.toggle("wide")));
}

/** Put a drawing on the page: its parts lead to their rows, and can be moved. */
function show(svg) {
  redrawn(drawing, svg, () => {
    clickable(drawing, (part) => {
      mark(drawing, part);
      const row = form.querySelector(`.cells[data-part="${CSS.escape(part)}"]`);
      row?.scrollIntoView({ block: "nearest" });
      row?.querySelector(".c-value input")?.focus({ preventScroll: true });
    });
    arranger.shown();
  });
}

form.addEventListener("focusin", (event) => {
  const row = event.target.closest(".grid .cells[data-part]");
  if (row) mark(drawing, row.dataset.part);
  hints(event.target);
});

/** Pins and devices of the part that is being typed stand below the drawing, where they move nothing. */
function hints(at) {
  const row = at?.closest?.(".of-parts .cells");
  if (row) hint.textContent = grid.says(Number(row.dataset.row.split("/")[1]));
}

/** Each mistake at its row; what belongs to no row, above. */
function problems() {
  for (const old of form.querySelectorAll(".beside")) old.remove();
  for (const old of form.querySelectorAll("[aria-invalid], [aria-describedby]")) {
    old.removeAttribute("aria-invalid");
    if (old !== file) old.removeAttribute("aria-describedby");
  }
  const rest = [];
  last.problems.forEach((problem, k) => {
    const input = document.getElementById(slug(problem.field || "nothing"));
    const row = input?.closest("[data-row]") || form.querySelector(`[data-row="${CSS.escape(problem.field)}"], [data-section="${CSS.escape(problem.field || "nothing")}"]`);
    if (!row) return void rest.push(problem.place ? `${problem.text} (${problem.place})` : problem.text);
    const finding = problem.kind === "finding";
    const text = make("p", { class: `beside pre ${finding ? "finding" : "problem"}`, id: `problem-${k}` }, `${finding ? "⚠ " : ""}${problem.text}`);
    const box = input?.closest(".field");
    if (box) box.append(text); else row.append(text);
    const marked = input || row.querySelector("input");
    if (!finding) marked?.setAttribute("aria-invalid", "true");
    marked?.setAttribute("aria-describedby", `problem-${k}`);
  });
  const above = make("div", { class: "beside" }, rest.map((text) => make("p", { class: "problem pre" }, text)));
  if (rest.length) form.firstChild.prepend(above);
  if (rest.length && !state.table) document.getElementById("d-file")?.querySelector("#file-says").after(make("p", { class: "problem pre beside" }, rest.join("\n")));
}

/** What an import had to say: values that may be meant otherwise, guesses, what was left out. */
function note() {
  const list = state.table?.guessed || [];
  const questions = asked?.asked || [];
  notes.replaceChildren();
  if (questions.length && state.table) notes.append(make("section", { class: "cautions", "aria-labelledby": "h-asked" },
    make("h2", { id: "h-asked" }, "Read as SPICE does: was it meant so?"),
    make("ul", { class: "asked" }, questions.map((one) => question(...one)))));
  if (list.length || asked) notes.append(make("section", { "aria-labelledby": "h-guessed" },
    make("h2", { id: "h-guessed" }, asked ? `From ${asked.file || "a netlist"}` : "Guessed"),
    make("div", { class: "line" }, make("span", { id: "guesses", role: "status" }), make("button", { type: "button", id: "confirm-all", onclick: () => {
      confirm(state.table);
      shaped("f-head-title");
      typed("guessed");
    } }, "Confirm all")),
    fold("d-guesses", "Guesses with their reasons", list.length ? guesses(list) : null),
    fold("d-left", `Left out of the netlist (${asked?.left?.length})`, asked?.left?.length ? make("ul", {}, asked.left.map(([what, why, line]) =>
      make("li", {}, make("b", {}, what), ` ${why}${line ? ` (line ${line})` : ""}`))) : null),
    fold("d-renamed", "Nodes that are called otherwise here", asked?.renamed?.length ? make("ul", {}, asked.renamed.map(([a, b]) => make("li", {}, `${a} is ${b}`))) : null)));
  count();
}

const fold = (id, words, inside) => (inside ? make("details", { id }, make("summary", {}, words), inside) : null);

const guesses = (list) => make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Table of the guesses" },
  make("table", {}, make("thead", {}, make("tr", {}, ["of", "what", "guess", "because", "question"].map((word) => make("th", { scope: "col" }, word)))),
    make("tbody", {}, list.map(([of, word]) => {
      const told = asked?.guesses?.find(([name, other]) => name === of && other === word) || [of, word, "", "", ""];
      return make("tr", {}, make("th", { scope: "row" }, of === "stage" ? "the stage" : of), told.slice(1).map((text) => make("td", {}, text)));
    }))));

function question(part, written, read, meant, why, line) {
  const settle = async (text) => {
    const row = state.table?.parts.find((one) => one.name === part);
    if (text && row) {
      row.value = text;
      keeper.touch();
    }
    asked.asked = asked.asked.filter(([other]) => other !== part);
    shaped(row ? `parts/${state.table.parts.indexOf(row)}/value` : "f-head-title");
    try {
      await ask("POST", `/stage/${own}/said`, { part });
    } catch (error) {
      tell(refused, error.message); // it is asked again the next time
    }
  };
  return make("li", {}, make("b", {}, part), ` is written ${written}, and read as ${read}: ${why} (line ${line}). `,
    make("button", { type: "button", onclick: () => settle("") }, `${read} is right`),
    meant && state.table?.parts.some((one) => one.name === part) ? make("button", { type: "button", onclick: () => settle(meant) }, `it is ${meant}`) : null);
}

function count() {
  const left = state.table?.guessed.length || 0;
  const told = document.getElementById("guesses");
  if (!told) return;
  told.textContent = left ? `${left} of what stands here was guessed and nobody has confirmed it. Each is marked at its row.` : "Nothing is left that was only guessed.";
  document.getElementById("confirm-all").hidden = !left;
}

function said(text) { status.textContent = text; }

/** Another tab saved first: nothing is thrown away, the user chooses. */
function clash() {
  banner.replaceChildren(
    make("p", {}, "This stage was changed in another tab or window while it was open here. What you typed here is still here, but not saved."),
    make("button", { type: "button", onclick: async () => {
      const made = await ask("POST", `/stage/${own}/copy`, { sheet: state });
      keeper.forget();
      location.href = `/stage/${made.stage}`;
    } }, "Keep mine as a stage of its own"),
    make("button", { type: "button", onclick: () => window.open(`/stage/${own}?other`, "_blank", "noopener") }, "Look at the other one in a new tab"),
    make("button", { type: "button", onclick: () => { keeper.forget(); location.reload(); } }, "Drop mine and take the other one"));
  banner.hidden = false;
}

/** Hand over what is typed, then do something with the stage; what is refused is told below the buttons. */
async function does(button, words, what) {
  const before = button.textContent;
  button.disabled = true;
  button.textContent = words;
  tell(refused, "");
  try {
    for (let k = 0; k < PATIENCE && keeper.kept !== keeper.typed && !keeper.clashed; k += 1) {
      await keeper.save(); // one that is on its way already is waited for
      if (keeper.kept !== keeper.typed) await wait(100);
    }
    await what();
  } catch (error) {
    tell(refused, error.message);
  } finally {
    button.disabled = false;
    button.textContent = before;
  }
}

/** What to mind with the probes: told with the voltages. */
const minded = () => (last.cautions.length ? make("section", { class: "cautions", "aria-labelledby": "h-cautions" },
  make("h3", { id: "h-cautions" }, last.heading), make("ul", {}, last.cautions.map((text) => make("li", {}, text)))) : null);

const on = (id, words, what) => document.getElementById(id).addEventListener("click", (event) => does(event.target, words, what));
on("begin", "Choosing readings…", async () => {
  const { sheet } = await ask("POST", `/stage/${own}/sheet`);
  location.href = `/sheet/${sheet}`;
});
on("ask", "Simulating good units…", async () => {
  const inside = await ask("GET", `/stage/${own}/healthy`);
  const close = make("button", { type: "button", onclick: () => { healthy.replaceChildren(); document.getElementById("ask").focus(); } }, "Close");
  const head_ = make("h2", { id: "h-healthy", tabindex: "-1" }, "What a healthy one reads");
  healthy.classList.remove("stale");
  const box = make("div", {});
  box.innerHTML = inside;
  healthy.replaceChildren(...[head_, make("div", { class: "line" }, close, make("span", { class: "dim was" }, "This was before the last change; ask again.")), minded(), box].filter(Boolean));
  head_.focus();
});
on("copy", "Copying…", async () => {
  const { stage } = await ask("POST", `/stage/${own}/copy`);
  location.href = `/stage/${stage}`;
});
on("delete", "Deleting…", async () => {
  await ask("POST", `/stage/${own}/delete`);
  keeper.forget();
  location.href = `/?deleted=${own}`;
});
document.getElementById("netlist").addEventListener("click", (event) => {
  if (last.usable) return void tell(refused, "");
  event.preventDefault();
  tell(refused, "This stage has mistakes still: a netlist is written once they are set right.");
});
// a file that is dropped here by mistake shall not take the place of the page
for (const word of ["dragover", "drop"]) document.addEventListener(word, (event) => { if (event.dataTransfer?.types.includes("Files")) event.preventDefault(); });
title.addEventListener("input", () => head("title", title.value));

await open();
