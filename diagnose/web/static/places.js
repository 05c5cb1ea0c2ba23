// The place of each part in the answer, on the drawing: the number of the answer that names it.
const SVG = "http://www.w3.org/2000/svg";
const RADIUS = 8;

/** Parts with the numbers of the answers that name them, in their order. */
export function places(page) {
  const found = new Map();
  page.querySelectorAll("article.group").forEach((group, k) => {
    for (const item of group.querySelectorAll(".suspect"))
      for (const part of [item.dataset.part, item.dataset.also].filter(Boolean)) {
        const numbers = found.get(part) || [];
        if (!numbers.includes(k + 1)) found.set(part, [...numbers, k + 1]);
      }
  });
  return found;
}

/** Put the numbers beside the parts of a drawing, and into what a pointer at them says. */
export function placed(drawing, found) {
  for (const [part, numbers] of found) {
    const group = drawing.querySelector(`.part[data-part="${CSS.escape(part)}"]`);
    const body = group?.querySelector(".body");
    if (!body) continue;
    const title = group.querySelector("title");
    if (title) title.textContent += `, in answer ${numbers.join(" and ")}`;
    const words = numbers.join(",");
    const [x, y] = ["x", "y"].map((side) => Number(body.getAttribute(side)) - RADIUS / 2);
    const badge = document.createElementNS(SVG, "g");
    badge.setAttribute("class", "place");
    badge.setAttribute("aria-hidden", "true");
    const ring = document.createElementNS(SVG, "rect");
    const wide = Math.max(2 * RADIUS, 6 + 7 * words.length);
    for (const [key, value] of Object.entries({ x: x - wide / 2, y: y - RADIUS, width: wide, height: 2 * RADIUS, rx: RADIUS }))
      ring.setAttribute(key, String(value));
    const text = document.createElementNS(SVG, "text");
    text.setAttribute("x", String(x));
    text.setAttribute("y", String(y + 4.5));
    text.textContent = words;
    badge.append(ring, text);
    group.append(badge);
  }
}
