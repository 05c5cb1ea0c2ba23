// What a file gives, in words and choices. Nothing here knows of a page, so that it can be tried without one.

/** A sentence of what became of the readings of a file. */
export function told({ filled, added, kept }) {
  const many = (count, words) => `${count} reading${count === 1 ? "" : "s"} ${words}`;
  const parts = [filled && many(filled, "filled in"), added && many(added, "added"), kept.length && many(kept.length, "left as typed")].filter(Boolean);
  return parts.length ? `${parts.join(", ")}.` : "nothing in it that belongs on this sheet.";
}

/** The quantity of the one curve on the sheet that waits for its values; empty for none or several. */
export function waiting(sheet) {
  const empty = sheet.readings.filter((entry) => entry.source === "points" && !entry.points.some((point) => point.values.some(Boolean)));
  return empty.length === 1 ? empty[0].quantity : "";
}

/**
 * What of a table can be put on the sheet: each column by its place, or both channels first where they are there.
 * A heading that states dBV or volts is believed; one that says only dB may be the curve that waits on the sheet.
 */
export function columns(look, sheet) {
  const usual = sheet.readings.some((entry) => entry.quantity === "riaa deviation") ? "riaa deviation" : "response";
  const guess = (k) => look.quantities[k] || waiting(sheet) || usual;
  const choices = look.columns.map((label, k) => ({ value: String(k), label, quantity: guess(k), said: look.said[k] }));
  if (look.channels.length) {
    const [first] = look.both;
    choices.unshift({ value: "", label: "both channels", quantity: guess(first), said: look.said[first] });
  }
  return { choices, quantity: choices[0]?.quantity || "", said: choices[0]?.said || "" };
}
