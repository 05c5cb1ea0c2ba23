// A curve as a file that needs nothing else: black on white, as it is looked at, with its title.
import { make, name } from "./common.js";
import { ask } from "./server.js";

const ROOM = 26; // CSS pixels above it, for the title
const FINE = 2; // pixels of the PNG for one of the screen

export async function save(svg, title, kind) {
  const { width, height } = svg.viewBox.baseVal;
  const text = await alone(svg, title, width, height + ROOM);
  const whole = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(text)}`;
  const file = `${name}-${title.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "")}`;
  if (kind === "svg") return hand(whole, `${file}.svg`);
  const image = new Image();
  image.src = whole;
  await image.decode();
  const canvas = make("canvas", { width: FINE * width, height: FINE * (height + ROOM) });
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  hand(canvas.toDataURL("image/png"), `${file}.png`);
}

const hand = (address, file) => make("a", { href: address, download: file }).click();

/** The text of the file. A light theme is stated, so that no system makes its colours those of the dark. */
async function alone(svg, title, width, height) {
  const style = await ask("GET", "/drawn.css");
  const copy = svg.cloneNode(true);
  for (const gone of copy.querySelectorAll(".at, .sweep")) gone.remove();
  copy.removeAttribute("aria-hidden");
  copy.setAttribute("y", String(ROOM));
  const said = new XMLSerializer().serializeToString(document.createTextNode(title));
  return `<svg xmlns="http://www.w3.org/2000/svg" data-theme="light" width="${width}" height="${height}"
 viewBox="0 0 ${width} ${height}" font-family="sans-serif" color="#000"><title>${said}</title>
<style>${style.replaceAll("<", "&lt;")}</style><rect width="100%" height="100%" fill="#fff"/>
<text x="8" y="18" font-size="15" font-weight="bold">${said}</text>
${new XMLSerializer().serializeToString(copy)}</svg>\n`;
}
