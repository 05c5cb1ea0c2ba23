import { fit, make, tell } from "./common.js";
import { missing, sending } from "./missing.js";
import { ask } from "./server.js";

const open = document.getElementById("open");
const begin = document.getElementById("new");
const about = document.getElementById("about");
const change = document.getElementById("change");
const refused = document.getElementById("own-refused");
const asked = document.getElementById("missing");

const ends = document.getElementById("ends");
const NETLIST = /\.(cir|net|sp|spice|ckt)$/i;
let last = [];

/** Open what was chosen or dropped: a sheet, or a stage of one's own; `more` says what to do without files that it names. */
async function take(files, more = {}) {
  const told = open.querySelector(".problem");
  last = [...files]; // a form that is emptied takes its own list along
  if (!last.length) return;
  tell(told, "");
  asked.hidden = true;
  open.setAttribute("aria-busy", "true");
  const body = new FormData();
  for (const file of last) body.append("files", file);
  for (const [word, value] of Object.entries(more)) body.append(word, value);
  if (!ends.hidden) for (const word of ["input", "output"]) body.append(word, document.getElementById(`ends-${word}`).value);
  try {
    const made = await ask("POST", sending("/sheets/open", last), body);
    location.href = made.stage ? `/stage/${made.stage}` : `/sheet/${made.sheet}`;
  } catch (error) {
    tell(told, error.message);
    const had = last;
    missing(asked, error.told, {
      more: (files_) => take([...had, ...files_], more),
      instead: (stage_) => take(had, { ...more, stage: stage_ }),
      without: () => take(had, { ...more, without: "1" }),
    });
    open.files.value = "";
    ends.hidden = !last.some((file) => NETLIST.test(file.name));
    told.scrollIntoView({ block: "nearest" });
  } finally {
    open.removeAttribute("aria-busy");
  }
}

open.files.addEventListener("change", () => take(open.files.files));
open.addEventListener("submit", (event) => {
  event.preventDefault();
  take(last);
});
for (const word of ["dragenter", "dragover"])
  document.addEventListener(word, (event) => {
    event.preventDefault();
    open.classList.add("over");
  });
document.addEventListener("dragleave", () => open.classList.remove("over"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  open.classList.remove("over");
  take(event.dataTransfer.files);
});

for (const radio of begin.querySelectorAll("input[name=stage]"))
  radio.addEventListener("change", async () => {
    const answer = await ask("GET", `/stages/${encodeURIComponent(radio.value)}`);
    if (!radio.checked) return;
    about.innerHTML = answer;
    fit(about);
  });

begin.addEventListener("submit", async (event) => {
  event.preventDefault();
  const told = begin.querySelector(".problem");
  const button = begin.querySelector("button");
  button.disabled = true;
  tell(told, "");
  try {
    const made = await ask("POST", "/sheets", new FormData(begin));
    location.href = `/sheet/${made.sheet}`;
  } catch (error) {
    tell(told, error.message);
  } finally {
    button.disabled = false;
  }
});

/** A new stage of one's own, from the one chosen or from nothing. */
async function stage(from, told, button, unit) {
  const body = new FormData();
  if (from) body.append("stage", from);
  if (unit) body.append("unit", "1");
  button.disabled = true;
  tell(told, "");
  try {
    const made = await ask("POST", "/stages/new", body);
    location.href = `/stage/${made.stage}`;
  } catch (error) {
    tell(told, error.message);
  } finally {
    button.disabled = false;
  }
}

change.addEventListener("click", () => {
  const chosen = begin.querySelector("input[name=stage]:checked");
  const told = begin.querySelector(".problem");
  if (chosen) stage(chosen.value, told, change);
  else tell(told, "Choose the stage first.");
});
document.getElementById("blank").addEventListener("click", (event) => stage("", refused, event.target));
document.getElementById("blank-unit").addEventListener("click", (event) => stage("", refused, event.target, true));

/** What an entry of a list is: a sheet, or a stage of one's own. */
const base = (item) => (item.dataset.sheet ? `/sheet/${item.dataset.sheet}` : `/stage/${item.dataset.stage}`);
const problem = (item) => (item.dataset.sheet ? document.getElementById("sheets-refused") : refused);

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-act]");
  if (!button) return;
  const item = button.closest("li");
  const { act } = button.dataset;
  if (act === "title") return rename(item);
  button.disabled = true;
  tell(problem(item), "");
  try {
    const told = await ask("POST", `${base(item)}/${act}`);
    if (act === "delete" && item.dataset.sheet) return deleted(item);
    if (act === "sheet" || (act === "copy" && item.dataset.sheet)) location.href = `/sheet/${told.sheet}`;
    else if (act === "copy") location.href = `/stage/${told.stage}`;
    else location.reload();
  } catch (error) {
    tell(problem(item), error.message);
    button.disabled = false;
  }
});

/** A sheet is deleted: it can be had back where it stood. */
function deleted(item) {
  const words = item.querySelector("a").textContent;
  const before = [...item.childNodes];
  const undo = make("button", { type: "button", onclick: async () => {
    try {
      await ask("POST", `${base(item)}/restore`);
      item.replaceChildren(...before);
      const back = item.querySelector("[data-act=delete]");
      back.disabled = false;
      back.focus();
    } catch (error) {
      tell(problem(item), error.message);
    }
  } }, "Undo");
  item.replaceChildren(make("span", { role: "status" }, `${words} is deleted.`), undo);
  undo.focus();
}

/** A field in place of the title. */
function rename(item) {
  const link = item.querySelector("a");
  const input = make("input", { ".value": link.textContent, "aria-label": "new title", maxlength: "200" });
  let over = false;
  const done = async (keep) => {
    if (over) return;
    over = true;
    input.replaceWith(link);
    const title = input.value.trim();
    if (!keep || !title || title === link.textContent) return;
    try {
      link.textContent = (await ask("POST", `${base(item)}/title`, { title })).title;
    } catch (error) {
      tell(problem(item), error.message);
    }
  };
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter" || event.key === "Escape") done(event.key === "Enter").then(() => link.focus());
  });
  input.addEventListener("blur", () => done(true));
  link.replaceWith(input);
  input.select();
}

// what was just deleted can be had back at once
const gone = new URLSearchParams(location.search).get("deleted");
if (gone && document.querySelector(`#bin [data-stage="${CSS.escape(gone)}"]`)) document.getElementById("bin").open = true;

const find = document.getElementById("find");
/** Only what holds every word that is searched for stays on the list. */
function search() {
  const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
  const items = [...document.querySelectorAll(".sheets > li")];
  for (const item of items) item.hidden = !words.every((word) => item.textContent.toLowerCase().includes(word));
  const left = items.filter((item) => !item.hidden).length;
  document.getElementById("found").textContent = words.length ? `${left} of ${items.length}` : "";
}
if (find) {
  find.addEventListener("input", search);
  search(); // what a browser keeps in the field when one comes back
}
