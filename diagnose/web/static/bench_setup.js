// What is asked before readings are taken at the bench: which device, and what of the sheet.
import { select } from "./choices.js";
import { make, name, tell } from "./common.js";
import { ask } from "./server.js";

const RATES = [["48000", "48 kHz"], ["44100", "44.1 kHz"], ["96000", "96 kHz"], ["192000", "192 kHz"]];

/** What was chosen last in this browser; nothing where it keeps nothing. */
function remembered(kind) {
  try {
    return JSON.parse(localStorage.getItem(`bench:${kind}`)) || {};
  } catch {
    return {};
  }
}

function remember(kind, chosen) {
  try {
    localStorage.setItem(`bench:${kind}`, JSON.stringify(chosen));
  } catch { /* it is asked again the next time */ }
}

/** Devices by name: their numbers are others once one is plugged in. */
const named = (fields) => Object.fromEntries([...fields.querySelectorAll("select[data-devices]")].map((one) => [one.name, one.selectedOptions[0]?.dataset.name || ""]));

/** A field with its words. */
const field = (id, words, input) => make("p", { class: "field" }, make("label", { for: id }, words), input);

/** The form of a kind; `begin(sent)` is called with what is to be sent, `close()` when it is given up. */
export function setup(kind, sheet, begin, close) {
  const told = make("p", { class: "dim", role: "status" }, "looking for devices…");
  const problem = make("p", { class: "problem pre", role: "alert", hidden: true });
  const fields = make("div", { class: "fields wide" });
  const go = make("button", { type: "submit", class: "go", id: "bench-begin" }, kind === "card" ? "List the steps" : "Call the meter");
  const what = ["empty", "next"].map((word, k) => make("label", {},
    make("input", { type: "radio", name: "what", value: word, ".checked": k === 0 }),
    word === "next" ? " what the answer proposes to read next (the sheet is ranked for that)"
      : kind === "card" ? " the empty rows of this sheet, or of a blank one" : " the empty rows of this sheet"));
  const sent = (more) => {
    const chosen = Object.fromEntries([...fields.querySelectorAll("input, select")].map((one) => [one.name, one.value]));
    remember(kind, { ...chosen, ...named(fields) });
    return { kind, ...chosen, ...(chosen.rate ? { rate: Number(chosen.rate) } : {}), ...more };
  };
  const start = async (more) => {
    tell(problem, "");
    try {
      await begin(sent(more));
    } catch (error) {
      tell(problem, error.message);
    }
  };
  const both = make("input", { type: "checkbox", id: "bench-both" });
  const once = kind !== "card" ? null : make("div", { class: "line bench-once", hidden: true },
    make("button", { type: "button", id: "bench-calibrate", onclick: () => start({ kind: "calibration", both: both.checked }) }, "Calibrate the card…"),
    make("label", {}, both, " both sides, for units of two channels"));
  const form = make("form", {
    class: "bench-setup", onsubmit: (event) => {
      event.preventDefault();
      start({ next: form.elements.what.value === "next" });
    },
  }, told, problem, fields, make("div", { class: "bench-what" }, what),
  make("div", { class: "line" }, go, make("button", { type: "button", id: "bench-close", onclick: close }, "Close")), once);
  look(kind, sheet, fields, told).then(() => { if (once) once.hidden = false; }).catch((error) => {
    tell(told, "");
    tell(problem, error.message);
    // with the extra missing, or no device at all, there is nothing to begin
    go.hidden = kind === "card" || /pip install/.test(error.message);
    for (const part of [fields, form.querySelector(".bench-what")]) part.hidden = go.hidden;
  });
  return form;
}

async function look(kind, sheet, fields, told) {
  const before = remembered(kind);
  if (kind === "meter") {
    const list = make("datalist", { id: "bench-found" });
    fields.append(field("bench-address", "address of the meter", make("input", { id: "bench-address", name: "address", list: "bench-found",
      ".value": before.address || "", placeholder: "192.168.1.7:5025", autocomplete: "off", spellcheck: "false", maxlength: "200" })), list);
    if (sheet.channels.length) fields.append(field("bench-channel", "channel", select({ id: "bench-channel", name: "channel" },
      sheet.channels.map((word) => [word, word]), sheet.suspect || sheet.channels[0])));
  }
  const found = await ask("POST", `/sheet/${name}/bench/devices`, { kind });
  if (kind === "meter") {
    fields.querySelector("datalist").append(...found.addresses.map((word) => make("option", { value: word })));
    const [only] = found.addresses;
    const address = fields.querySelector("#bench-address");
    if (only && !address.value) address.value = only;
    tell(told, found.addresses.length ? `These show themselves: ${found.addresses.join(", ")}`
      : "Any multimeter that speaks SCPI: host:port, or an address of VISA such as ASRL/dev/ttyUSB0::INSTR. None shows itself.");
    return;
  }
  if (!found.devices.length) throw new Error("This machine has no sound card that plays or records.");
  const devices = (word, way, usual) => make("select", { id: `bench-${word}`, name: word, "data-devices": true },
    make("option", { value: "" }, usual),
    found.devices.filter((one) => one[way]).map((one) => make("option", {
      value: String(one.index), "data-name": one.name, ".selected": one.name === before[word],
    }, one.name + (one.calibrated ? `, calibrated ${one.calibrated}` : ""))));
  fields.append(
    field("bench-device", "plays", devices("device", "outputs", "what this machine plays by")),
    field("bench-input", "records", devices("input", "inputs", "the same, else what this machine records by")),
    field("bench-rate", "samples a second", select({ id: "bench-rate", name: "rate" }, RATES, RATES.some(([rate]) => rate === before.rate) ? before.rate : RATES[0][0])));
  tell(told, found.devices.some((one) => one.calibrated) ? "" : "No card is calibrated yet: its steps can be listed. To take readings it is calibrated once, by a meter and a cable.");
}
