// Files on the sheet: a table becomes a curve, a recording is read; both fill the rows that stand there.
import { make, name, tell } from "./common.js";
import { needed } from "./rows.js";
import { ask } from "./server.js";
import { columns, told } from "./taken.js";

const CURVES = ["riaa deviation", "response", "gain", "phase", "input impedance", "output impedance", "thd", "thd+n", "crosstalk", "damping factor"];
const SIGNALS = [["", "find out by itself"], ["sine", "sine"], ["difference tone", "difference tone"],
  ["modulation", "modulation"], ["tones", "many tones"], ["square", "square wave"], ["sweep", "sweep"],
  ["silence", "silence"]];
const DRIVEN = [["", "find out by itself"], ["both", "both"], ["left", "left only"], ["right", "right only"]];

const pick = (id, list, chosen = "") => make("select", { id }, list.map(([word, label]) =>
  make("option", { value: word, ".selected": word === chosen }, label)));
const labelled = (id, words, control) => [make("label", { for: id }, words), control];
const pairs = (words) => words.map((word) => [word, word]);

/** Take files that are chosen or dropped anywhere on the form. */
export function drop(form, fields, shaped, typed) {
  const sheet = fields.sheet;
  const box = () => document.getElementById("drop");
  form.addEventListener("change", (event) => {
    if (event.target.id === "file" && event.target.files.length) take(event.target.files[0]);
  });
  for (const word of ["dragenter", "dragover"])
    form.addEventListener(word, (event) => {
      event.preventDefault();
      box()?.classList.add("over");
    });
  form.addEventListener("dragleave", () => box()?.classList.remove("over"));
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    box().classList.remove("over");
    if (event.dataTransfer.files.length) take(event.dataTransfer.files[0]);
  });

  /** Whose the one is of that either side has alone: the sheet's readings, or what the file holds. */
  function whose(channels, one) {
    const read = sheet.readings.some((entry) => [...entry.values, ...entry.points.flatMap((point) => point.values)].some(Boolean));
    if (channels.length === 2 && !sheet.channels.length && read)
      return labelled("own", "both channels are in it; what stands on the sheet is of", pick("own", pairs(channels)));
    if (one && sheet.channels.length) return labelled("own", "channel", pick("own", pairs(sheet.channels), sheet.suspect));
    return [];
  }

  function show(file, line, go) {
    const problem = make("p", { class: "problem pre", role: "alert", hidden: true });
    box().replaceChildren(make("div", { class: "line" }, make("b", {}, file.name), line, go), problem);
    box().querySelector("select, input, button").focus();
    return problem;
  }

  /** One button's work: nothing is asked twice, and what is refused is said. */
  function button(words, work) {
    const go = make("button", { type: "button", class: "go", onclick: async () => {
      go.disabled = true;
      try {
        await work();
      } catch (error) {
        tell(box().querySelector(".problem"), error.message);
      } finally {
        go.disabled = false;
      }
    } }, words);
    return go;
  }

  async function take(file) {
    if (/\.(wav|flac)$/i.test(file.name)) return void recording(file);
    const body = new FormData();
    body.append("file", file);
    try {
      table(file, await ask("POST", `/sheet/${name}/table/look`, body));
    } catch (error) {
      tell(show(file, [], null), error.message);
    }
  }

  function recording(file) {
    show(file, [
      labelled("scale", "RMS volts of a sine at digital full scale, if known", make("input", { id: "scale", placeholder: "2.0 V" })),
      labelled("signal", "it is", pick("signal", SIGNALS)), labelled("driven", "driven", pick("driven", DRIVEN)),
    ].flat(), button("Read it", () => listen(file)));
  }

  function table(file, look) {
    if (look.whole) return void show(file, [make("span", {}, "a table of readings"), ...whose([], true)], button("Put it on the sheet", () => put(file, {})));
    const seen = columns(look, sheet);
    const what = pick("what", pairs(CURVES), seen.quantity);
    const said = make("span", { class: "dim", id: "said" }, seen.said);
    const column = seen.choices.length > 1 ? pick("column", seen.choices.map(({ value, label }) => [value, label])) : null;
    column?.addEventListener("change", () => {
      const chosen = seen.choices.find(({ value }) => value === column.value);
      if (chosen.quantity) what.value = chosen.quantity;
      said.textContent = chosen.said;
    });
    const one = () => !look.channels.length || (column && column.value !== "");
    show(file, [
      ...(column ? labelled("column", "column", column) : []), ...labelled("what", "it is", what), said, ...whose(look.channels, one()),
    ], button("Put it on the sheet", () => put(file, {
      quantity: what.value, column: column && column.value !== "" ? Number(column.value) : null,
      conditions: needed(fields.choices, { conditions: [], source: "file" }, what.value),
    })));
  }

  async function put(file, chosen) {
    const own = document.getElementById("own")?.value || "";
    const send = (over) => {
      const body = new FormData();
      body.append("file", file);
      body.append("asked", JSON.stringify({ sheet, own, over, ...chosen }));
      return ask("POST", `/sheet/${name}/table`, body);
    };
    filled(file, await send(false), [], () => send(true));
  }

  async function listen(file) {
    const go = box().querySelector("button.go");
    go.textContent = "Reading…";
    const body = new FormData();
    body.append("file", file);
    body.append("full_scale", document.getElementById("scale").value);
    body.append("signal", document.getElementById("signal").value);
    body.append("driven", document.getElementById("driven").value);
    try {
      const read = await ask("POST", `/sheet/${name}/recording`, body);
      const given = { stage: "", readings: read.readings, channels: read.channels };
      const send = (over, own) => ask("POST", `/sheet/${name}/fill`, { sheet, given, own, over });
      const choice = whose(read.channels, !read.channels.length);
      if (!choice.length) return filled(file, await send(false, ""), read.notes, () => send(true, ""));
      show(file, choice, button("Put it on the sheet", async () => {
        const own = document.getElementById("own").value;
        filled(file, await send(false, own), read.notes, () => send(true, own));
      }));
    } finally {
      go.textContent = "Read it";
    }
  }

  /** The sheet has what was read; what stands there already and is another value is for the user to say. */
  function filled(file, made, notes, over) {
    const before = new Set(sheet.readings);
    sheet.readings.splice(0, before.size, ...made.readings);
    Object.assign(sheet, { channels: made.channels, suspect: made.suspect });
    shaped("readings");
    typed("readings");
    const kept = made.kept.map(([where, stands, given]) => make("li", {}, `${where}: ${stands} stands there, the file has ${given}.`));
    box().replaceChildren(make("p", { role: "status" }, `${file.name}: ${told(made)}`),
      make("ul", {}, notes.map((text) => make("li", {}, text)), kept),
      make("p", { class: "problem pre", role: "alert", hidden: true }));
    if (kept.length) box().append(button("Take those of the file", async () => filled(file, await over(), [], over)));
  }
}
