// What stands beside a reading besides its value, as data. Nothing here knows of a page, so that it can be tried without one.

/** Conditions that say how a reading was taken, with an example of each. */
export const TAKEN = { state: "load open; lifted C6.positive", meter: "20 kohm/V", range: "10 V", probe: "times ten" };

/** Which of them a reading of that quantity can have. */
export function taken(told, quantity) {
  const has = (key) => told.optional?.includes(key) || (key === "range" && (quantity === "resistance" || told.optional?.includes("meter")));
  return Object.keys(TAKEN).filter(has);
}

/** The text of a condition; empty where it is not stated. */
export const stated = (entry, key) => entry.conditions.find(([word]) => word === key)?.[1] || "";

/** State a condition; an emptied one is none. */
export function state(entry, key, text) {
  const found = entry.conditions.find(([word]) => word === key);
  if (found && text) found[1] = text;
  else if (found) entry.conditions.splice(entry.conditions.indexOf(found), 1);
  else if (text) entry.conditions.push([key, text]);
}

/** Whether a row has anything to show there but a note, which its line says already. */
export const filled = (entry) => Boolean(entry.uncertainty || entry.photo || Object.keys(TAKEN).some((key) => stated(entry, key)));
