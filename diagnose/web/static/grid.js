// The rows of a stage: parts, rails, test points. They change the table in place and say so.
import { cells as blockOf } from "./block.js";
import { make } from "./common.js";
import { about, blank, confirm, guessed, pins, reference, remove, renamed, reorder, said, value } from "./parts.js";
import { slug } from "./rows.js";
import { down } from "./walk.js";

const HEADS = {
  parts: [["name", "part"], ["kind", "kind"], ["value", "value"], ["nodes", "nodes"], ["role", "role"],
    ["model", "device"], ["more", "further", "below"]],
  rails: [["name", "node"], ["volts", "volts"], ["more", "further"]],
  points: [["name", "node"], ["text", "what is there"]],
};
const ONE = { parts: "part", rails: "rail", points: "test point" };
const EXAMPLE = { parts: { name: "R1", kind: "carbon-film", role: "what it is for", more: "tolerance: 1 %" },
  rails: { name: "vcc", volts: "24 V", more: "ripple: {100 Hz: 2 mV}" }, points: { name: "c1", text: "Q1 collector" } };

export class Grid {
  /** `typed(field)` is told of each change, `shaped(field)` of one that needs the rows drawn again. */
  constructor(state, choices, asked, { typed, shaped, gone }) {
    Object.assign(this, { state, choices, asked, typed, shaped, gone });
  }

  get table() { return this.state.table; }

  /** A list of rows with its heads and a button for one more. */
  list(section) {
    return make("div", { class: `grid of-${section}`, "data-section": section, onkeydown: (event) => this.key(event, section),
      onpaste: (event) => this.pasted(event, section) },
      make("div", { class: "heads", "aria-hidden": "true" }, HEADS[section].filter(([,, below]) => !below).map(([, label]) => make("span", {}, label)), make("span", {})),
      this.table[section].map((_, k) => this.row(section, k)),
      make("div", { class: "line" }, make("button", { type: "button", id: `add-${section}`, onclick: () => this.add(section) }, `+ ${ONE[section]}`)));
  }

  row(section, k) {
    const row = this.table[section][k];
    const cells = HEADS[section].map(([word, label]) => this.cell(section, k, row, word, label));
    const what = row.name || `row ${k + 1}`;
    const classes = ["cells", this.plain(section, row) && "plain", row.more && "more"].filter(Boolean).join(" ");
    return make("div", { class: classes, role: "group", "aria-label": `${ONE[section]} ${what}`, "data-row": `${section}/${k}`, "data-part": section === "parts" ? row.name : null },
      cells, section === "parts" ? this.further(row, what) : null, section === "parts" ? this.grip(k, what) : null, make("button", { type: "button", class: "quiet remove", "aria-label": `remove ${what}`, title: `remove ${what}`,
        onclick: () => { this.gone(`${row.name || what} removed`, remove(this.table, section, k)); this.shaped(`add-${section}`); this.typed(section); } }, "×"),
      section === "parts" ? this.marks(row.name) : null);
  }

  /** Opens the field of what has no column. It opens by this alone: a row that grew by itself would move others under the pointer. */
  further(row, what) {
    return make("button", { type: "button", class: "quiet further", "aria-label": `further data of ${what}`, title: "tolerance, rating, position …", "aria-expanded": String(Boolean(row.more)),
      onclick: (event) => {
        const here = event.target.closest(".cells");
        const open = here.classList.toggle("more");
        event.target.setAttribute("aria-expanded", String(open));
        if (open) here.querySelector(".c-more input").focus();
      } }, "…");
  }

  /** Takes the row to another place: dragged, or by the arrows up and down. */
  grip(k, what) {
    const rows = () => [...document.querySelectorAll(".of-parts > .cells")];
    const over = (event) => rows().findIndex((row) => {
      const { top, bottom } = row.getBoundingClientRect();
      return event.clientY >= top && event.clientY < bottom;
    });
    const clear = () => rows().forEach((row) => row.classList.remove("lands-above", "lands-below"));
    let to = -1;
    const button = make("button", {
      type: "button", class: "quiet grip", id: slug(`parts/${k}/grip`), title: "drag to another row, or arrows up and down", "aria-label": this.moves(k, what),
      onpointerdown: (event) => { to = k; button.setPointerCapture(event.pointerId); },
      onpointermove: (event) => {
        if (to < 0) return;
        const at = over(event);
        clear();
        to = at < 0 ? k : at;
        if (to !== k) rows()[to].classList.add(to < k ? "lands-above" : "lands-below");
      },
      onpointerup: () => { clear(); this.carry(k, to); to = -1; },
      onpointercancel: () => { clear(); to = -1; },
      onkeydown: (event) => {
        const way = { ArrowUp: -1, ArrowDown: 1 }[event.key];
        if (!way) return;
        event.preventDefault();
        this.carry(k, k + way);
      },
    }, "⠿");
    return button;
  }

  moves(k, what) { return `move ${what}, row ${k + 1} of ${this.table.parts.length}`; }

  carry(from, to) {
    if (to < 0 || !reorder(this.table, "parts", from, to)) return;
    this.shaped(`parts/${Math.min(to, this.table.parts.length - 1)}/grip`);
    this.typed("parts");
  }

  /** Whether a part is of a kind that has no devices: then its role has the room. */
  plain(section, row) {
    return section === "parts" && !row.model && this.choices.kinds[row.kind]?.models.length === 0;
  }

  cell(section, k, row, word, label) {
    const field = `${section}/${k}/${word}`;
    const known = section === "parts" && word === "model" ? `models-${row.kind}` : word === "kind" ? "kinds" : null;
    const input = make("input", {
      id: slug(field), "data-field": field, ".value": row[word], autocomplete: "off", spellcheck: word === "role" || word === "text" ? null : "false",
      list: known, maxlength: "2000", title: section === "parts" && word === "nodes" ? pins(this.choices, row.kind) : null, placeholder: this.example(section, row, word),
      oninput: (event) => this.store(section, k, row, word, event.target.value),
    });
    return make("label", { class: `cell c-${word}` }, make("span", { class: "cap" }, label), input);
  }

  example(section, row, word) {
    if (section === "parts" && word === "nodes") return pins(this.choices, row.kind) || "b1, 0";
    if (section === "parts" && word === "model") return this.choices.kinds[row.kind]?.usual || null;
    if (section === "parts" && word === "value") return this.choices.kinds[row.kind]?.unit === "ohm" ? "4k7" : this.choices.kinds[row.kind]?.unit === "F" ? "10 uF" : null;
    if (section === "parts" && word === "more") return EXAMPLE.parts.more;
    return row.was === -1 ? EXAMPLE[section][word] || null : null;
  }

  store(section, k, row, word, text) {
    const before = row.name;
    row[word] = text;
    const here = document.querySelector(`[data-row="${section}/${k}"]`);
    if (section === "parts" && word === "name") renamed(this.table, before, text);
    if (section === "parts" && word === "kind") {
      if (!row.name && this.choices.kinds[text]) {
        row.name = reference(this.choices, this.table, text);
        document.getElementById(slug(`parts/${k}/name`)).value = row.name;
      }
      document.getElementById(slug(`parts/${k}/model`)).setAttribute("list", `models-${text}`);
      for (const other of ["nodes", "model", "value"])
        document.getElementById(slug(`parts/${k}/${other}`)).placeholder = this.example(section, row, other) || "";
      here.classList.toggle("plain", this.plain(section, row));
      document.getElementById(slug(`parts/${k}/nodes`)).title = pins(this.choices, text);
    }
    this.call(section, k, row, here);
    if (section === "parts" ? said(this.table, row.name, word) : section === "rails" && said(this.table, "stage", "rails"))
      here.querySelector(".marks")?.replaceWith(this.marks(row.name));
    this.typed(`${section}/${k}/${word}`);
  }

  /** A row is called after what it names. */
  call(section, k, row, here) {
    const what = row.name || `row ${k + 1}`;
    if (section === "parts") here.dataset.part = row.name;
    here.setAttribute("aria-label", `${ONE[section]} ${what}`);
    const button = here.querySelector(".remove");
    button.title = `remove ${what}`;
    button.setAttribute("aria-label", button.title);
    here.querySelector(".further")?.setAttribute("aria-label", `further data of ${what}`);
    here.querySelector(".grip")?.setAttribute("aria-label", this.moves(k, what));
  }

  /** What is to be known of a row while it is typed. */
  says(k) {
    const row = this.table?.parts[k];
    if (!row) return "";
    const order = pins(this.choices, row.kind);
    const devices = this.choices.kinds[row.kind]?.models || [];
    const told = [order && `nodes: ${order}`, devices.length ? `devices: ${devices.join(", ")}` : ""].filter(Boolean).join("; ");
    return told && `${row.name} ${row.kind}: ${told}.`;
  }

  /** What was guessed of a part, or of the stage itself, each to be confirmed. */
  marks(of) {
    const words = of ? guessed(this.table, of) : [];
    if (!words.length) return make("div", { class: "marks" });
    return make("div", { class: "marks" }, make("span", { class: "dim" }, "guessed:"), words.map((word) => this.mark(of, word)));
  }

  mark(of, word) {
    const stands = value(this.table, of, word);
    const told = this.asked?.guesses?.find(([name, other]) => name === of && other === word);
    const whose = of === "stage" ? `the ${word}` : `${word} of ${of}`;
    return make("button", {
      type: "button", class: "mark", "data-guess": `${of}/${word}`,
      "aria-label": `confirm ${whose}${stands ? `, ${stands}` : ""}`, title: told ? `${told[4]} Guessed because: ${told[3]}` : `confirm ${whose}`,
      onclick: (event) => {
        const box = event.target.closest(".marks");
        const next = event.target.nextElementSibling || event.target.closest("[data-row], section")?.querySelector("input");
        confirm(this.table, of, word);
        event.target.remove();
        if (!box.querySelector("button")) box.replaceChildren();
        next?.focus();
        this.typed(about(of, word));
      },
    }, `✓ ${word}`);
  }

  add(section) {
    this.table[section].push(blank(section));
    const first = section === "parts" ? "kind" : "name";
    this.shaped(`${section}/${this.table[section].length - 1}/${first}`);
  }

  /**
   * Enter and the arrows up and down go along a column; Enter makes one more row at its end. A field with suggestions
   * has the arrows for these once something was typed in it.
   */
  key(event, section) {
    if (event.target.tagName !== "INPUT") return;
    const by = down(event);
    if (event.target.list && event.key.length === 1) event.target.dataset.open = "";
    if (!by || ("open" in event.target.dataset && event.key !== "Enter")) return;
    event.preventDefault();
    delete event.target.dataset.open;
    const [, k, word] = event.target.dataset.field.split("/");
    const there = document.getElementById(slug(`${section}/${Number(k) + by}/${word}`));
    there?.focus();
    there?.select();
    if (!there && by > 0 && event.key === "Enter") this.add(section);
  }

  /** A block from a spreadsheet goes to the right and down from the field that it is pasted into; rows are made as needed. */
  pasted(event, section) {
    const block = event.target.dataset?.field && blockOf(event.clipboardData.getData("text/plain"));
    if (!block) return;
    event.preventDefault();
    const [, first, word] = event.target.dataset.field.split("/");
    const words = HEADS[section].map(([one]) => one);
    const from = words.indexOf(word);
    block.forEach((texts, r) => {
      const k = Number(first) + r;
      this.table[section][k] ??= blank(section);
      const row = this.table[section][k];
      texts.forEach((text, column) => {
        const to = words[from + column];
        if (!to || !text) return;
        if (section === "parts" && to === "name") renamed(this.table, row.name, text);
        row[to] = text;
        said(this.table, section === "parts" ? row.name : "stage", section === "parts" ? to : "rails");
      });
    });
    this.shaped(event.target.dataset.field);
    this.typed(section);
  }
}
