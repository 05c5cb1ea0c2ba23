// What a run at the bench wants said and lit, as data. Nothing here knows of a page, so that it can be tried without one.

const KEYS = { " ": 0, Enter: 0, PageDown: 0, s: "skip", r: "again", q: "stop" };
const SAID = {
  card: { go: "Done", skip: "Skip", again: "Repeat last", stop: "Stop" },
  meter: { take: "Take it", skip: "Skip", again: "Back", stop: "Stop" },
  calibration: { go: "Go on", stop: "Stop" },
};

/** The word that a key says to the question that is open; the first three say what goes on. Empty for none. */
export function wordOf(key, run) {
  const meant = KEYS[key.length === 1 ? key.toLowerCase() : key];
  const word = meant === 0 ? run.words[0] : meant;
  return meant !== undefined && run.words.includes(word) ? word : "";
}

/** The buttons of the question that is open: words with what stands on them, the one that goes on first. */
export function buttonsOf(run) {
  return run.words.map((word) => [word, said(run, word)]);
}

function said(run, word) {
  if (word === run.words[0] && run.phase === "listed") return "I have read this: begin";
  if (word === "go" && run.phase === "step" && run.steps[run.step].takes.length) return run.failed ? "Take it again" : "Take it now";
  if (word === "take" && run.phase === "asked") return "Done";
  return SAID[run.kind][word];
}

/** Which nodes of the drawing are lit, each with the lead that goes there; none while no point waits. */
export const litOf = (run) => (run?.kind === "meter" && ["point", "asked"].includes(run.phase) ? run.points[run.point].lit : []);

/** Where it stands, in a line. */
export function standing(run) {
  const of = (k, list, word) => `${word} ${k + 1} of ${list.length}`;
  if (run.phase === "preparing") return "Getting ready";
  if (run.phase === "listed") return run.kind === "card" ? "What is to be done" : "Where the leads go";
  if (run.phase === "ended") return run.error ? "It has ended early" : "It has ended";
  if (run.kind === "calibration") return "Once for this card";
  return run.kind === "card" ? of(run.step, run.steps, "Step") : of(run.point, run.points, "Point");
}

/** What to do now: in the words of the step, of the question in its middle, or of the point. */
export function doing(run) {
  if (run.phase === "asked" || run.kind === "calibration") return run.asked;
  if (run.kind === "meter") return run.points[run.point].where;
  return run.phase === "taking" ? `Playing and recording: ${run.steps[run.step].takes.join("; ")}` : run.steps[run.step].text;
}

/** What is left to others, by the reason: the readings of each in one line. */
export function leftOver(left) {
  const whys = new Map();
  for (const { reading, channel, why } of left)
    whys.set(why, [...(whys.get(why) || []), channel ? `${reading}, ${channel}` : reading]);
  return [...whys].map(([why, readings]) => `${readings.join("; ")}: ${why}`);
}

/** Whether a run goes on telling: until it has ended, and what good units read is known. */
export const going = (run) => Boolean(run) && (run.phase !== "ended" || Boolean(run.good));

/** What stands in the way of a key being a word: it is typed somewhere, or means something there itself. */
export function taken(key, { typing, pressing, ours }) {
  if (typing) return true;
  return pressing && !(ours && key.length === 1 && key !== " ");
}
