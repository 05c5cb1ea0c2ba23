// Moves of parts of a drawing as data: how far, which key does what, what is still to be sent. Nothing here knows of a page.
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const FAR = 5;

/** CSS pixels of a grid step at the drawing's natural size, as the server draws it. */
export const STEP = 16;

/** Whole grid steps of a way over the screen; `shown` is the width of the drawing there over its natural one. */
export const steps = (dx, dy, shown) => [dx, dy].map((way) => Math.round(way / (STEP * shown)) || 0);

/** What a key does to the part it is pressed on, or nothing. */
export function byKey({ key, shiftKey, ctrlKey, altKey, metaKey }) {
  if (ctrlKey || altKey || metaKey) return null;
  if (ARROWS[key]) return { by: ARROWS[key].map((way) => way * (shiftKey ? FAR : 1)) };
  if (key === "r" || key === "R") return { turns: shiftKey ? 3 : 1 };
  return key === "m" || key === "M" ? { mirrored: true } : null;
}

const nothing = (part) => ({ part, by: [0, 0], turns: 0, mirrored: false });

/**
 * A move with one more after it, where the two can be one; else nothing. Steps add up; a turn after a mirror is
 * another thing than before it, so that these are sent one by one.
 */
export function joined(before, part, more) {
  const so = before || nothing(part);
  if (so.part !== part || (so.mirrored && (more.turns || more.mirrored))) return null;
  const by = more.by || [0, 0];
  return { part, by: [so.by[0] + by[0], so.by[1] + by[1]], turns: (so.turns + (more.turns || 0)) % 4, mirrored: so.mirrored || Boolean(more.mirrored) };
}

/** Whether a move leaves everything as it is. */
export const idle = (move) => !move || (!move.by[0] && !move.by[1] && !move.turns && !move.mirrored);

/** Which of the other bodies one would lie on, moved by so many steps; a body is `{ part, x, y, width, height }`, in pixels. */
export function under(bodies, part, [right, down]) {
  const mine = bodies.find((one) => one.part === part);
  if (!mine) return null;
  const [x, y] = [mine.x + right * STEP, mine.y + down * STEP];
  const lies = (other) => other.part !== part && x < other.x + other.width && other.x < x + mine.width && y < other.y + other.height && other.y < y + mine.height;
  return bodies.find(lies)?.part ?? null;
}

/** A move in words, for who does not see it. */
export function words({ part, by: [right, down], turns, mirrored }) {
  const ways = [[right, "right", "left"], [down, "down", "up"]].filter(([way]) => way).map(([way, forth, back]) => `${Math.abs(way)} ${way > 0 ? forth : back}`);
  const done = [ways.length && `moved ${ways.join(" and ")}`, turns && "turned", mirrored && "mirrored"].filter(Boolean);
  return `${part} ${done.join(", ")}.`;
}
