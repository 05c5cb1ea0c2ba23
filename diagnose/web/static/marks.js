// What a drawing shows of a sheet, as data. Nothing here knows of a page, so that it can be tried without one.

const BARE = /^[<>]?\s*[-+\u2212]?[\d.,]+$/;

/** Whether a row is the direct voltage of a node to ground, in the unit as it is. */
export const isAt = (entry, node) => entry.quantity === "dc voltage" && entry.source === "value"
  && entry.conditions.some(([key, value]) => key === "at" && value === node)
  && !entry.conditions.some(([key, value]) => (key === "from" || key === "state") && value);

/**
 * The direct voltage that was typed for a node, both channels where there are two; empty for none. `understood` says
 * of a field what was made of it: nothing for a mistake, which is no reading.
 */
export function readAt(sheet, node, understood = (_, typed) => typed) {
  const k = sheet.readings.findIndex((one) => isAt(one, node) && one.values.some(Boolean));
  if (k < 0) return "";
  const said = sheet.readings[k].values.map((value, side) => {
    const text = value.trim() && understood(`readings/${k}/values/${side}`, value.trim());
    return text && BARE.test(text) ? `${text} V` : text;
  });
  return said.some(Boolean) ? said.map((text) => text || "–").join(" / ") : "";
}

/** The value of a part as a drawing has it, by what was understood of what was typed. */
export const partText = (typed, understood) => (typed ? (understood || typed).replace(/\s+/g, "").replace(/([kMG])Ω$/, "$1") : "");

/**
 * The row to read a node in: the one that stands there, else a new one behind the last direct voltage.
 * Returns its place in the list.
 */
export function rowAt(sheet, node) {
  const stands = sheet.readings.findIndex((entry) => isAt(entry, node));
  if (stands >= 0) return stands;
  const place = sheet.readings.findLastIndex((entry) => entry.quantity === "dc voltage") + 1;
  const values = (sheet.channels.length ? sheet.channels : [""]).map(() => "");
  sheet.readings.splice(place, 0, { quantity: "dc voltage", conditions: [["at", node]], source: "value", values,
    points: [], uncertainty: "", note: "", expected: "", photo: "" });
  return place;
}
