// How large a drawing is shown, in numbers: nothing here knows of a page, so that it can be tried without one.
const STEP = 1.25;
const LEAST = 0.1;
const MOST = 6;

/** A scale between a tenth and six times the natural size. */
export const within = (scale) => Math.min(MOST, Math.max(LEAST, scale));

/** The next scale, larger by so many steps or smaller by as many. */
export const stepped = (scale, steps) => within(scale * STEP ** steps);

/** The scale at which all of a drawing is seen in a room. */
export const whole = ([wide, high], [roomWide, roomHigh]) => within(Math.min(roomWide / wide, roomHigh / high));

/** How far what was at `at` of a drawing, from its edge, has left a place: the edge is elsewhere, and all has grown. */
export const slipped = (edge, at, grown, place) => edge + at * grown - place;

/** Where to scroll so that the middle of something, measured from the edge of the frame, comes to the frame's. */
export const centred = (scroll, from, to, room) => scroll + (from + to - room) / 2;

/** How far two fingers are apart, and where the middle between them is. */
export const pinch = ([a, b]) => ({ apart: Math.hypot(a[0] - b[0], a[1] - b[1]), x: (a[0] + b[0]) / 2, y: (a[1] + b[1]) / 2 });
