// Files on the sheet: a sweep becomes a curve, a recording is read and its figures become readings.
import { make, name, tell } from "./common.js";
import { needed, taken } from "./rows.js";
import { ask } from "./server.js";

const CURVES = ["riaa deviation", "response", "gain", "phase", "input impedance", "output impedance", "thd"];
const SIGNALS = [["", "find out by itself"], ["sine", "sine"], ["difference tone", "difference tone"],
  ["modulation", "modulation"], ["tones", "many tones"], ["square", "square wave"], ["silence", "silence"]];

/** Take files that are chosen or dropped anywhere on the form. */
export function drop(form, fields, shaped, typed) {
  const sheet = fields.sheet;
  form.addEventListener("change", (event) => {
    if (event.target.id === "file" && event.target.files.length) take(event.target.files[0]);
  });
  for (const word of ["dragenter", "dragover"])
    form.addEventListener(word, (event) => {
      event.preventDefault();
      document.getElementById("drop")?.classList.add("over");
    });
  form.addEventListener("dragleave", () => document.getElementById("drop")?.classList.remove("over"));
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    document.getElementById("drop").classList.remove("over");
    if (event.dataTransfer.files.length) take(event.dataTransfer.files[0]);
  });

  function take(file) {
    const recording = /\.(wav|flac)$/i.test(file.name);
    const problem = make("p", { class: "problem pre", role: "alert", hidden: true });
    const sides = sheet.channels.map((word) => [word, word]);
    const pick = (id, list) => make("select", { id }, list.map(([word, label]) => make("option", { value: word }, label)));
    const line = recording
      ? [make("label", { for: "scale" }, "RMS volts of a sine at digital full scale, if known"),
        make("input", { id: "scale", placeholder: "2.0 V" }),
        make("label", { for: "signal" }, "it is"), pick("signal", SIGNALS)]
      : [make("label", { for: "what" }, "it is"), pick("what", CURVES.map((word) => [word, word]))];
    if (!recording && sides.length) line.push(make("label", { for: "side" }, "channel"), pick("side", sides));
    const go = make("button", { type: "button", class: "go", onclick: () => (recording ? listen : sweep)(file, problem, go) },
      recording ? "Read it" : "Put it on the sheet");
    const box = document.getElementById("drop");
    box.replaceChildren(make("div", { class: "line" }, make("b", {}, file.name), line, go), problem);
    box.querySelector("select, input").focus();
  }

  async function sweep(file, problem, button) {
    button.disabled = true;
    const body = new FormData();
    body.append("file", file);
    const quantity = document.getElementById("what").value;
    const side = Math.max(0, sheet.channels.indexOf(document.getElementById("side")?.value));
    try {
      const told = await ask("POST", `/sheet/${name}/sweep`, body);
      const values = fields.channels.map((_, k) => (k === side ? told.file : ""));
      sheet.readings.push({ quantity, source: "file", values, points: [], uncertainty: "", note: "",
        conditions: needed(fields.choices, { conditions: [], source: "file" }, quantity) });
      shaped(`readings/${sheet.readings.length - 1}/quantity`);
      typed("readings");
    } catch (error) {
      tell(problem, error.message);
    } finally {
      button.disabled = false;
    }
  }

  async function listen(file, problem, button) {
    button.disabled = true;
    button.textContent = "Reading…";
    const body = new FormData();
    body.append("file", file);
    body.append("full_scale", document.getElementById("scale").value);
    body.append("signal", document.getElementById("signal").value);
    try {
      const told = await ask("POST", `/sheet/${name}/recording`, body);
      const added = taken(told, sheet);
      sheet.readings.push(...added);
      if (told.channels.length && !sheet.channels.length)
        told.notes.push(`The sheet has one channel, so only ${told.channels[0]} was taken; tick "two channels" and read it again for both.`);
      shaped(`readings/${sheet.readings.length - 1}/quantity`);
      typed("readings");
      document.getElementById("drop").replaceChildren(make("p", { role: "status" },
        `${file.name}: ${added.length} readings added.`), make("ul", {}, told.notes.map((text) => make("li", {}, text))));
    } catch (error) {
      tell(problem, error.message);
    } finally {
      button.disabled = false;
      button.textContent = "Read it";
    }
  }
}
