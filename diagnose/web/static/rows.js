// The rows of a sheet as data: which conditions a reading needs, what a new row holds, what becomes of
// the values when channels come and go. Nothing here knows of a page, so that it can be tried without one.
const USUAL = { frequency: "1 kHz", reference: "1 kHz", order: "2", thd: "1 %", tones: "19 kHz, 20 kHz" };
const LISTED = { between: "c1, 0", band: "20 Hz, 20 kHz", tones: "19 kHz, 20 kHz" };
const CURVES = ["response", "riaa deviation", "phase", "gain"];
const FREQUENCIES = ["20 Hz", "50 Hz", "100 Hz", "500 Hz", "2 kHz", "5 kHz", "10 kHz", "20 kHz"];
const FIGURES = ["min", "max", "value", "within"];

/** The id of a field, from the place of what it holds. */
export const slug = (field) => "f-" + field.replace(/[^A-Za-z0-9]+/g, "-");

/** What the server says of a row's quantity. */
export function about(choices, entry) {
  return choices.quantities[entry.quantity] || { required: [], optional: [], unit: "" };
}

/** The unit that a value of the row is typed in: hum is in dB where a level is said, else in volts. */
export function unit(choices, entry) {
  const told = about(choices, entry);
  const levels = entry.conditions.some(([key]) => choices.levels.includes(key));
  return levels && told["unit beside a level"] || told.unit;
}

/** Whether a row holds a list over frequency, which then is no condition of it. */
const listed = (entry) => Boolean(entry.source) && entry.source !== "value";

/** The value that a condition begins with. */
export function usual(choices, key) {
  if (key === "at") return choices.nodes?.[0]?.[0] || "";
  if (key === "rail") return choices.rails?.[0] || "";
  return USUAL[key] || "";
}

/** What an empty field of a condition shows as an example. */
export const example = (key) => LISTED[key] || USUAL[key] || "";

/** Whether a condition is a list, which needs a longer field. */
export const long = (key) => key in LISTED;

/** The conditions that the quantity `word` needs, with what was there already. */
export function needed(choices, entry, word) {
  const had = Object.fromEntries(entry.conditions);
  const says = choices.quantities[word];
  return says.required.filter((key) => !(listed(entry) && key === "frequency"))
    .map((key) => [key, had[key] ?? usual(choices, key)])
    .concat(says.optional.filter((key) => had[key]).map((key) => [key, had[key]]));
}

/** The conditions that a row may have and has not. */
export function missing(choices, entry) {
  const have = entry.conditions.map(([key]) => key);
  const says = about(choices, entry);
  return [...says.required, ...says.optional]
    .filter((key) => !have.includes(key) && !(listed(entry) && key === "frequency"));
}

/** One more reading, like the one before it, with a value a channel. */
export function blank(choices, readings, values) {
  const before = readings.at(-1);
  const same = before && before.source === "value";
  return { quantity: same ? before.quantity : "dc voltage", source: "value", values, points: [], uncertainty: "", note: "", expected: "",
    conditions: same ? before.conditions.map((pair) => [...pair]) : [["at", usual(choices, "at")]] };
}

/** One more curve: of what the sheet has one of already, else the response. */
export function curve(choices, readings, values) {
  const quantity = CURVES.find((word) => readings.some((entry) => entry.quantity === word)) || "response";
  return { quantity, source: "points", values, uncertainty: "", note: "",
    conditions: needed(choices, { conditions: [], source: "points" }, quantity),
    points: FREQUENCIES.map((at) => ({ at, values: [...values] })) };
}

/** The figures of a limit that are asked for, empty where none is given, in the order they are shown. */
export function figures(stated) {
  const all = [...stated];
  const has = (key) => stated.some(([other]) => other === key);
  for (const key of has("within") ? ["value", "within"] : ["min", "max"]) if (!has(key)) all.push([key, ""]);
  return all.sort((a, b) => FIGURES.indexOf(a[0]) - FIGURES.indexOf(b[0]));
}

/** Which of the channels is under suspicion; the first where none is named. */
export const side = (sheet) => Math.max(0, sheet.channels.indexOf(sheet.suspect));

/** The readings of the channel under suspicion that have a value, empty, to be taken again after a repair. */
export function again(sheet) {
  const k = side(sheet);
  const read = (entry) => entry.source === "points" ? entry.points.some((point) => point.values[k])
    : entry.source === "value" && entry.values[k];
  return sheet.readings.filter(read).map((entry) => ({ ...structuredClone(entry), values: [""], note: "", expected: "", photo: "",
    points: entry.points.map((point) => ({ at: point.at, values: [""] })) }));
}

/** The values of parts with one more typed; an emptied one is as drawn again. */
export function given(values, part, text) {
  return [...new Map(values).set(part, text)].filter(([, value]) => value);
}
