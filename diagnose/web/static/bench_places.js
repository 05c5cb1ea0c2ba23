// Where a word stands beside a ring on the drawing: free of the ring, and of what stands there. Nothing here knows of a page.
// Boxes are [left, top, right, bottom].
const FARTHER = [0, 12]; // how much farther than the ring wants a word may stand, in CSS pixels of a drawing

/** The area that two boxes share. */
export const shared = (one, other) => Math.max(0, Math.min(one[2], other[2]) - Math.max(one[0], other[0]))
  * Math.max(0, Math.min(one[3], other[3]) - Math.max(one[1], other[1]));

function around([x, y], free, [wide, high]) {
  const slant = free * Math.SQRT1_2; // a corner touches the circle
  const at = (left, top) => [left, top, left + wide, top + high];
  const [middle, level] = [x - wide / 2, y - high / 2];
  return [
    at(middle, y - free - high), at(middle, y + free), at(x + free, level), at(x - free - wide, level),
    at(x + slant, y - slant - high), at(x + slant, y + slant), at(x - slant - wide, y - slant - high), at(x - slant - wide, y + slant),
  ];
}

/**
 * The box of a word outside the circle of the radius `free` around `at`: of those that cover the least of what is
 * `taken` and lie in the `frame`, the one nearest to where its middle would like to be.
 */
export function beside(at, free, size, near, taken, frame) {
  let best = null;
  for (const more of FARTHER) {
    for (const box of around(at, free + more, size)) {
      const covered = taken.reduce((sum, other) => sum + shared(box, other), size[0] * size[1] - shared(box, frame));
      const cost = Math.round(covered); // what rounds to nothing is nothing
      const way = Math.hypot((box[0] + box[2]) / 2 - near[0], (box[1] + box[3]) / 2 - near[1]);
      if (!best || cost < best.cost || (cost === best.cost && way < best.way)) best = { box, cost, way };
    }
  }
  return best.box;
}
