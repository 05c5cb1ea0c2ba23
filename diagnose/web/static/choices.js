// Lists to choose from, filled when they are looked at: a large unit's sheet has ten thousand choices.
import { make } from "./common.js";

/** ms after which the rest comes even on a page that is never idle. */
const LATEST = 500;
/** ms that are spent on it before the page has its turn again. */
const AT_ONCE = 8;
const queue = [];
const idle = globalThis.requestIdleCallback || ((call) => setTimeout(call, 50));

/**
 * A list that holds what is chosen; the rest comes when it is touched, or when the page has nothing else
 * to do. `options` are pairs of a value and what is shown for it.
 */
export function select(given, options, value) {
  const chosen = options.findIndex(([word]) => word === value);
  const made = make("select", given, option(options[chosen], true));
  const fill = () => {
    for (const word of TOUCHED) made.removeEventListener(word, fill);
    if (made.dataset.full) return;
    made.dataset.full = "yes";
    made.prepend(...options.slice(0, chosen).map((one) => option(one)));
    made.append(...options.slice(chosen + 1).map((one) => option(one)));
  };
  for (const word of TOUCHED) made.addEventListener(word, fill);
  if (!queue.length) idle(work, { timeout: LATEST });
  queue.push([made, fill]);
  return made;
}

const TOUCHED = ["pointerdown", "focus", "keydown"];

const option = ([word, label], selected = false) =>
  make("option", { value: word, ".selected": selected, ".defaultSelected": selected }, label);

function work() {
  const end = performance.now() + AT_ONCE;
  do {
    const [made, fill] = queue.shift();
    if (made.isConnected) fill(); // one that is gone was drawn anew
  } while (queue.length && performance.now() < end);
  if (queue.length) idle(work, { timeout: LATEST });
}
