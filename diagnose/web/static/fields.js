// The fields of a sheet: readings, limits, checks, remarks. They change the sheet in place and say so.
import { select } from "./choices.js";
import { make } from "./common.js";
import { TAKEN, filled, state, stated, taken } from "./further.js";
import { photo } from "./photo.js";
import { about, again, example, figures, given, long, missing, needed, slug, unit, usual } from "./rows.js";

const PAUSE = 900; // ms, as long as lists of browsers themselves wait for the next letter of a word

export class Fields {
  /** `typed` is told of each change, `shaped` of one that needs the form drawn again. */
  constructor(sheet, choices, typed, shaped) {
    Object.assign(this, { sheet, choices, typed, shaped });
  }

  get channels() { return this.sheet.channels.length ? this.sheet.channels : [""]; }

  input(field, value, store, more = {}) {
    return make("input", {
      id: slug(field), "data-field": field, ".value": value, autocomplete: "off", spellcheck: "false",
      oninput: (event) => { store(event.target.value); this.typed(field); }, ...more,
    });
  }

  select(field, value, options, store, more = {}) {
    const known = options.some(([word]) => word === value);
    const all = known ? options : [[value, value || "choose…"], ...options];
    return select({
      id: slug(field), "data-field": field, ...more,
      onchange: (event) => { store(event.target.value); this.typed(field); },
    }, all, value);
  }

  /**
   * The quantity of a row. Letters that are typed choose it one after another, so the row is drawn again only when they
   * pause, and from the conditions that it had before the first of them.
   */
  quantity(row, entry) {
    const options = Object.keys(this.choices.quantities).map((word) => [word, word]);
    const had = entry.conditions;
    let typing = false;
    let timer = 0;
    const redraw = (field) => {
      clearTimeout(timer);
      timer = 0;
      this.shaped(field);
    };
    const list = this.select(`${row}/quantity`, entry.quantity, options, (word) => {
      entry.quantity = word;
      entry.conditions = needed(this.choices, { ...entry, conditions: had }, word);
      clearTimeout(timer);
      if (typing) timer = setTimeout(() => redraw(`${row}/quantity`), PAUSE);
      else redraw(`${row}/quantity`);
    }, { "aria-label": "quantity", onkeydown: (event) => { typing = event.key.length === 1; }, onpointerdown: () => { typing = false; },
      onblur: (event) => { if (timer) redraw(event.relatedTarget?.dataset?.field || `${row}/quantity`); } });
    return make("div", { class: "quantity" }, list);
  }

  conditions(row, entry) {
    const made = entry.conditions.filter(([key]) => !(key in TAKEN && row.includes("readings"))).map((pair) => {
      const [key, value] = pair;
      const store = (text) => { pair[1] = text; };
      const field = `${row}/${key}`;
      let control;
      if ((key === "at" || key === "from") && this.choices.nodes)
        control = this.select(field, value, this.choices.nodes.map(([node]) => [node, node]),
          (text) => { store(text); this.shaped(field); });
      else if (key === "rail" && this.choices.rails)
        control = this.select(field, value, this.choices.rails.map((rail) => [rail, rail]), store);
      else if (key === "weighting")
        control = this.select(field, value, [["none", "none"], ["A", "A"]], store);
      else
        control = this.input(field, value, store,
          { placeholder: example(key), class: long(key) ? "long" : null });
      const says = key === "at" ? this.choices.nodes?.find(([node]) => node === value)?.[1] : "";
      return [make("label", { for: slug(field) }, key, control), says ? make("span", { class: "says" }, says) : null];
    });
    const left = missing(this.choices, entry).filter((key) => !(key in TAKEN && row.includes("readings")));
    if (left.length)
      made.push(make("select", {
        class: "more", "aria-label": "one more condition", title: "one more condition",
        onchange: (event) => {
          entry.conditions.push([event.target.value, usual(this.choices, event.target.value)]);
          this.shaped(`${row}/${event.target.value}`);
          this.typed(row);
        },
      }, make("option", { value: "" }, "+"), left.map((key) => make("option", { value: key }, key))));
    const told = about(this.choices, entry);
    const inner = entry.conditions.some(([key, value]) => ["at", "from", "rail"].includes(key) && value);
    const mark = (inner ? told.inner : told.mark) || "";
    if (mark) made.push(make("span", { class: "caution", title: inner ? told["inner caution"] : told.caution }, `⚠ ${mark}`));
    const note = this.note(entry);
    if (note) made.push(make("span", { class: "says" }, note));
    return make("div", { class: "conditions" }, made.flat());
  }

  /** What a note says besides what its row says of itself: a blank sheet's note begins with the row's own mark. */
  note(entry) {
    const node = entry.conditions.find(([key]) => key === "at")?.[1];
    const said = this.choices.nodes?.find(([name]) => name === node)?.[1];
    const told = about(this.choices, entry);
    const note = entry.note || "";
    const mark = [told.inner, told.mark].find((word) => word && note.startsWith(word)) || "";
    const own = note.slice(mark.length).replace(/^: /, "");
    return own === said ? "" : own;
  }

  /** What stands beside a reading besides its value: how sure it is, how it was taken, a note, a photo. */
  further(row, entry, name, open) {
    const asked = [["uncertainty", "±", entry.uncertainty, "0.5 dB or 2 %", (text) => { entry.uncertainty = text; }],
      ...taken(about(this.choices, entry), entry.quantity).map((key) => [key, key, stated(entry, key), TAKEN[key], (text) => state(entry, key, text)]),
      ["note", "note", this.note(entry), "what was noticed", (text) => { entry.note = text; }]];
    return make("div", { class: "further-row", hidden: !open }, asked.map(([key, label, value, shown, store]) =>
      make("label", { class: key === "note" || key === "state" ? "wide" : null }, label, this.input(`${row}/${key}`, value, store,
        { placeholder: shown, "aria-label": `${key} of ${name}` }))),
    photo(entry, name, (file) => { entry.photo = file; this.typed(row); this.shaped(`${row}/values/0`); }));
  }

  /** The button that opens it. */
  opener(row, entry, name) {
    const open = filled(entry);
    return [open, make("button", { type: "button", class: "quiet more-of", id: slug(`${row}/more`), "aria-expanded": String(open),
      title: "uncertainty, state, meter, note, photo", "aria-label": `uncertainty, state, meter, note and photo of ${name}`,
      onclick: (event) => {
        const here = event.target.closest("[data-row]").querySelector(".further-row");
        here.hidden = !here.hidden;
        event.target.setAttribute("aria-expanded", String(!here.hidden));
        if (!here.hidden) here.querySelector("input").focus();
      } }, "…")];
  }

  remove(list, k, what, after) {
    return make("button", {
      type: "button", class: "quiet remove", "aria-label": `remove ${what}`, title: `remove ${what}`,
      onclick: () => { list.splice(k, 1); this.shaped(after); this.typed(after); },
    }, "×");
  }

  /** A row of `list`, which stands on the sheet under `place`. */
  reading(k, list = this.sheet.readings, place = "readings", channels = this.channels) {
    const entry = list[k];
    const row = `${place}/${k}`;
    const classes = ["row", channels.length > 1 ? "two" : "", list[k - 1]?.quantity === entry.quantity ? "again" : ""];
    const name = `${entry.quantity} ${entry.conditions.map((pair) => pair[1]).join(" ")}`;
    const shown = unit(this.choices, entry);
    const values = make("div", { class: entry.source === "file" ? "values files" : "values" });
    if (entry.source === "value" || entry.source === "file")
      values.append(...channels.map((channel, side) => entry.source === "file"
        ? make("span", { "data-field": `${row}/values/${side}`, id: slug(`${row}/values/${side}`), tabindex: "-1" },
          `${channel ? channel + ": " : ""}${entry.values[side] || "no file"}`)
        : this.input(`${row}/values/${side}`, entry.values[side], (text) => { entry.values[side] = text; }, {
          "aria-label": `${name} ${channel} in ${shown}`.replace(/ +/g, " "),
          placeholder: channel || "value", class: "value",
        })));
    if (entry.source === "value") values.append(make("span", { class: "unit" }, shown));
    if (entry.source === "value" && list === this.sheet.readings)
      values.append(this.input(`${row}/expected`, entry.expected || "", (text) => { entry.expected = text; }, {
        class: "expected", placeholder: "expected", "aria-label": `expected ${name} in ${shown}`,
        title: "what a good unit reads, by the manual or the schematic",
      }));
    const [open, more] = this.opener(row, entry, name);
    return make("div", { class: classes.join(" "), "data-row": row, role: "group", "aria-label": name },
      this.quantity(row, entry), this.conditions(row, entry), values,
      make("div", { class: "ends-row" }, more, this.remove(list, k, name, place)),
      entry.source === "points" ? this.points(row, entry, channels) : null, this.further(row, entry, name, open));
  }

  points(row, entry, channels) {
    const add = make("button", {
      type: "button", class: "quiet", onclick: () => {
        entry.points.push({ at: "", values: channels.map(() => "") });
        this.shaped(`${row}/points/${entry.points.length - 1}/at`);
      },
    }, "+ point");
    return make("div", { class: "points" }, entry.points.map((point, p) => make("div", { class: "point" },
      this.input(`${row}/points/${p}/at`, point.at, (text) => { point.at = text; },
        { class: "at", "aria-label": `${entry.quantity}, frequency ${p + 1}`, placeholder: "20 Hz" }),
      channels.map((channel, side) => this.input(`${row}/points/${p}/${side}`, point.values[side],
        (text) => { point.values[side] = text; }, {
          class: "value", placeholder: channel || about(this.choices, entry).unit,
          "aria-label": `${entry.quantity} at ${point.at} ${channel} in ${about(this.choices, entry).unit}`,
        })))), add);
  }

  limit(k) {
    const limit = this.sheet.limits[k];
    const row = `limits/${k}`;
    if (!limit.quantity && limit.conditions[0]?.[0] === "standard") return this.standard(k, limit, row);
    limit.figures = figures(limit.figures);
    return make("div", { class: "row limit", "data-row": row, role: "group", "aria-label": `limit of ${limit.quantity}` },
      this.quantity(row, limit), this.conditions(row, limit),
      make("div", { class: "values" }, limit.figures.map((pair) => make("label", { class: "dim" }, pair[0] + " ",
        this.input(`${row}/${pair[0]}`, pair[1], (text) => { pair[1] = text; }))),
      make("span", { class: "unit" }, about(this.choices, limit).unit)),
      this.remove(this.sheet.limits, k, `limit of ${limit.quantity}`, "limits"));
  }

  /** All the figures of a published standard in one row. */
  standard(k, limit, row) {
    const pair = limit.conditions[0];
    const names = Object.entries(this.choices.standards);
    return make("div", { class: "row standard", "data-row": row, role: "group", "aria-label": "limits of a standard" },
      make("span", {}, "by a standard"),
      make("div", { class: "conditions" }, this.select(`${row}/standard`, pair[1],
        names.map(([word, title]) => [word, `${word}: ${title}`]), (word) => { pair[1] = word; }, { "aria-label": "standard" })),
      make("span"), this.remove(this.sheet.limits, k, "standard", "limits"));
  }

  /** What was done to a part, and what was read after. */
  repair(k) {
    const made = this.sheet.repaired[k];
    const row = `repaired/${k}`;
    const parts = (this.choices.parts || []).map((p) => [p.name, `${p.name} ${p.role}`.trim()]);
    const reread = () => {
      made.readings = again(this.sheet);
      this.shaped(`${row}/readings/0/values/0`);
      this.typed(row);
    };
    return make("div", { "data-row": row, class: "repair" },
      make("div", { class: "line" },
        this.select(`${row}/part`, made.part, parts, (word) => { made.part = word; }, { "aria-label": "part repaired" }),
        make("label", {}, "was ", this.select(`${row}/how`, made.how, this.choices.done.map((w) => [w, w]), (word) => { made.how = word; })),
        this.remove(this.sheet.repaired, k, `repair of ${made.part}`, "repaired")),
      made.readings.length ? null : make("button", { type: "button", onclick: reread }, "Read again what was read before"),
      made.readings.map((_, r) => this.reading(r, made.readings, `${row}/readings`, [""])),
      make("button", { type: "button", class: "quiet", id: `add-${slug(row)}`, onclick: () => {
        made.readings.push({ quantity: "dc voltage", source: "value", values: [""], points: [], uncertainty: "", note: "",
          conditions: [["at", usual(this.choices, "at")]] });
        this.shaped(`${row}/readings/${made.readings.length - 1}/quantity`);
        this.typed(row);
      } }, "+ reading after the repair"));
  }

  /** A row of a section that is a list of plain rows, as the server describes it. */
  listed(section, k) {
    const entry = this.sheet[section.name][k];
    const row = `${section.name}/${k}`;
    const parts = (this.choices.parts || []).map((p) => [p.name, `${p.name} ${p.role}`.trim()]);
    const control = (column) => {
      const field = `${row}/${column.word}`;
      const store = (text) => { entry[column.word] = text; };
      const said = column.label ? {} : { "aria-label": column.word };
      if (column.part) return this.select(field, entry[column.word], parts, store, said);
      if (column.choices.length)
        return this.select(field, entry[column.word], column.choices.map((word) => [word, word]), store, said);
      return this.input(field, entry[column.word], store, { placeholder: column.example, class: "long", ...said });
    };
    const [first, ...rest] = section.columns;
    const name = `${section.one} of ${entry[first.word]}`;
    return make("div", { class: "row listed", "data-row": row, role: "group", "aria-label": name },
      control(first),
      make("div", { class: "conditions" }, rest.map((column) => make("label", {}, column.label, control(column)))),
      make("span"), this.remove(this.sheet[section.name], k, name, section.name));
  }

  values() {
    const typed = new Map(this.sheet.values);
    const store = (name, text) => { this.sheet.values = given(this.sheet.values, name, text); };
    const parts = (this.choices.parts || []).filter((p) => p.value || typed.has(p.name));
    const known = new Set(parts.map((p) => p.name));
    for (const [name] of typed) if (!known.has(name)) parts.push({ name, role: "not a part of this stage", value: "" });
    return make("div", { class: "parts" }, parts.map((p) => {
      const field = `values/${p.name}`;
      return make("div", { class: "part-value" + (typed.has(p.name) ? " changed" : ""), "data-row": field },
        make("label", { for: slug(field) }, p.name),
        this.input(field, typed.get(p.name) || "", (text) => store(p.name, text), { placeholder: p.drawn || p.value }),
        make("small", {}, p.role));
    }));
  }
}
