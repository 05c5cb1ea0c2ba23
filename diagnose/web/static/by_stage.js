// Which stage of a unit each reading is about, and how many were read. Nothing here knows of a page, so that it can be
// tried without one.

/** Where the folds stand: signal tracing first, then the stages in the order of the signal. */
const TRACING = { id: "tracing", name: "Signal tracing", title: "the same signal from stage to stage; where it leaves a good unit's, there the trouble starts" };
const SUPPLIES = { id: "supplies", name: "Supplies", title: "what feeds the stages" };
const WHOLE = { id: "whole", name: "The unit as a whole", title: "from its input to its output" };

const stated = (entry, key) => entry.conditions.find(([word]) => word === key)?.[1] || "";

/** Whether a row traces the signal: how much of it arrives at the output of a stage, or of the unit. */
const traces = (entry, outputs) => entry.quantity === "gain" && !stated(entry, "from")
  && (!stated(entry, "at") || outputs.includes(stated(entry, "at")));

/** The id of the fold that a reading belongs into. */
export function placeOf(entry, chain) {
  if (traces(entry, [...chain.members.map(([, , output]) => output), "out"])) return TRACING.id;
  const where = stated(entry, "at") || stated(entry, "rail") || stated(entry, "between");
  const owner = where.trim().split(/[ .,]/)[0];
  if (chain.members.some(([name]) => name === owner)) return `stage-${owner}`;
  return chain.supplies.includes(owner) ? SUPPLIES.id : WHOLE.id;
}

/** Whether anything was read of a row: one value, or a point of a curve, or a file. */
export const read = (entry) => entry.values.some((text) => text.trim())
  || (entry.source === "points" && entry.points.some((point) => point.values.some((text) => text.trim())));

/** The folds of a sheet's readings, those without a row left out: where each row stands in the list, and how many were read. */
export function folds(readings, chain) {
  const stages = chain.members.map(([name, title]) => ({ id: `stage-${name}`, name, title }));
  const rows = new Map([TRACING, ...stages, SUPPLIES, WHOLE].map((fold) => [fold.id, { ...fold, rows: [] }]));
  readings.forEach((entry, k) => rows.get(placeOf(entry, chain)).rows.push(k));
  return [...rows.values()].filter((fold) => fold.rows.length)
    .map((fold) => ({ ...fold, read: fold.rows.filter((k) => read(readings[k])).length }));
}

/** What a fold says of how far it is. */
export const counted = (fold) => `${fold.read} of ${fold.rows.length} read`;
