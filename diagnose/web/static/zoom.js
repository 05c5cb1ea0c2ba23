// A drawing is made larger and smaller and moved about in its frame, by buttons, keys, mouse and fingers. What does
// not fit into the frame is scrolled, so that nothing is cut off and the browser's own ways of scrolling hold as well.
import { centred, pinch, slipped, stepped, whole, within } from "./scale.js";

const SLACK = 4;
const HELP = "Ctrl and wheel, two fingers, or on the keyboard + and −; 0 shows all of it, arrows move it";
const frames = new WeakMap();

/** What a frame can do; made when it is first asked for. */
export function zoomOf(frame) {
  if (!frames.has(frame)) frames.set(frame, new Zoom(frame));
  return frames.get(frame);
}

class Zoom {
  constructor(frame) {
    Object.assign(this, { frame, scale: null, drag: null, fingers: null, swallow: false });
    frame.addEventListener("keydown", (event) => this.key(event));
    frame.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    frame.addEventListener("pointerdown", (event) => this.take(event));
    frame.addEventListener("pointermove", (event) => this.pan(event));
    for (const word of ["pointerup", "pointercancel"]) frame.addEventListener(word, () => this.release());
    frame.addEventListener("click", (event) => { // the end of a drag chooses nothing
      if (!this.swallow) return;
      this.swallow = false;
      event.stopPropagation();
    }, true);
    frame.addEventListener("touchstart", (event) => this.touch(event), { passive: true });
    frame.addEventListener("touchmove", (event) => this.pinched(event), { passive: false });
    frame.addEventListener("touchend", () => { this.fingers = null; });
  }

  get svg() { return this.frame.querySelector("svg.stage-drawing"); }

  get natural() {
    const box = this.svg.viewBox.baseVal;
    return [box.width, box.height];
  }

  /** A drawing has come: the tools for it, and the size that the one before had. */
  shown() {
    const svg = this.svg;
    if (!svg) return;
    if (!this.frame.querySelector(":scope > .zoom")) this.frame.prepend(this.tools());
    this.put(this.scale);
  }

  tools() {
    const button = (sign, label, act) => {
      const made = document.createElement("button");
      Object.assign(made, { type: "button", textContent: sign, title: `${label} (${HELP})` });
      made.setAttribute("aria-label", label);
      made.addEventListener("click", act);
      return made;
    };
    const box = document.createElement("div");
    box.className = "zoom";
    box.append(button("−", "Smaller drawing", () => this.step(-1)), button("+", "Larger drawing", () => this.step(1)),
      button("whole", "All of the drawing", () => this.all()));
    return box;
  }

  /** Show it at a scale; null is as wide as the frame, with words that can still be read. */
  put(scale) {
    const { svg } = this;
    this.scale = scale;
    this.frame.classList.toggle("zoomed", scale !== null);
    const [wide] = this.natural;
    svg.style.minWidth = scale === null ? `${Math.round(0.62 * wide)}px` : "0";
    svg.style.maxWidth = scale === null ? "" : "none";
    svg.style.width = scale === null ? "" : `${(wide * scale).toFixed(1)}px`;
  }

  get now() { return this.scale ?? this.svg.getBoundingClientRect().width / this.natural[0]; }

  /** Another scale, at which what is at a place of the window stays there; without one, the middle stays. */
  to(scale, place) {
    if (!this.svg) return;
    const { frame, now } = this;
    const box = frame.getBoundingClientRect();
    const middle = { x: box.left + frame.clientWidth / 2, y: Math.min(box.top + frame.clientHeight / 2, innerHeight / 2) };
    const { x, y } = place || middle;
    const before = this.svg.getBoundingClientRect();
    const at = [x - before.left, y - before.top];
    this.put(within(scale));
    const after = this.svg.getBoundingClientRect();
    const grown = this.scale / now;
    frame.scrollLeft += slipped(after.left, at[0], grown, x);
    frame.scrollTop += slipped(after.top, at[1], grown, y);
  }

  step(steps, place) { if (this.svg) this.to(stepped(this.now, steps), place); }

  all() {
    if (!this.svg) return;
    const tools = this.frame.querySelector(":scope > .zoom");
    this.put(whole(this.natural, [this.frame.clientWidth - 16, 0.85 * innerHeight - tools.offsetHeight]));
    Object.assign(this.frame, { scrollLeft: 0, scrollTop: 0 });
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || !this.svg) return;
    const act = { "+": () => this.step(1), "=": () => this.step(1), "-": () => this.step(-1), 0: () => this.all() }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.metaKey) return; // the page scrolls
    event.preventDefault();
    this.step(-event.deltaY / (event.deltaMode === 0 ? 100 : 3), { x: event.clientX, y: event.clientY });
  }

  take(event) {
    this.swallow = false;
    const { frame } = this;
    if (event.pointerType !== "mouse" || event.button !== 0 || event.target.closest(".zoom")) return;
    if (event.target.closest("svg[data-mark] .part:not([data-still])")) return; // parts that are moved themselves
    if (frame.scrollWidth <= frame.clientWidth && frame.scrollHeight <= frame.clientHeight) return;
    this.drag = { x: event.clientX, y: event.clientY, left: frame.scrollLeft, top: frame.scrollTop, far: false };
  }

  pan(event) {
    const { drag, frame } = this;
    if (!drag) return;
    const [dx, dy] = [event.clientX - drag.x, event.clientY - drag.y];
    if (!drag.far && Math.hypot(dx, dy) < SLACK) return;
    if (!drag.far) {
      drag.far = true;
      frame.setPointerCapture(event.pointerId);
      frame.classList.add("panning");
    }
    Object.assign(frame, { scrollLeft: drag.left - dx, scrollTop: drag.top - dy });
  }

  release() {
    if (this.drag?.far) {
      this.swallow = true;
      setTimeout(() => { this.swallow = false; });
    }
    this.drag = null;
    this.frame.classList.remove("panning");
  }

  touch(event) {
    const two = event.touches.length === 2 && this.svg;
    this.fingers = two ? { ...pinch(places(event)), scale: this.now } : null;
  }

  pinched(event) {
    if (!this.fingers || event.touches.length !== 2) return;
    if (event.cancelable) event.preventDefault();
    const now = pinch(places(event));
    this.to(this.fingers.scale * now.apart / this.fingers.apart, now);
    this.frame.scrollLeft += this.fingers.x - now.x;
    this.frame.scrollTop += this.fingers.y - now.y;
    Object.assign(this.fingers, { x: now.x, y: now.y });
  }

  /** Bring something of the drawing into the middle of the frame. */
  centre(thing) {
    const [inner, outer] = [thing.getBoundingClientRect(), this.frame.getBoundingClientRect()];
    const { frame } = this;
    frame.scrollLeft = centred(frame.scrollLeft, inner.left - outer.left, inner.right - outer.left, frame.clientWidth);
    frame.scrollTop = centred(frame.scrollTop, inner.top - outer.top, inner.bottom - outer.top, frame.clientHeight);
  }
}

const places = (event) => [...event.touches].map((one) => [one.clientX, one.clientY]);
