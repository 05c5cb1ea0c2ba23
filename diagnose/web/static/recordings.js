// Recordings that are kept with a sheet: they go along where it is saved as one file, and can be taken away.
import { make, name, tell } from "./common.js";
import { ask } from "./server.js";

const MEGA = 1e6;
const size = (bytes) => (bytes < MEGA ? `${Math.ceil(bytes / 1000)} kB` : `${(bytes / MEGA).toFixed(1)} MB`);
const path = (file) => `/sheet/${name}/beside/${encodeURIComponent(file)}`;

/** The list of them, or nothing where there is none. */
export function recordings(list) {
  if (!list.length) return null;
  const problem = make("p", { class: "problem", role: "alert", hidden: true });
  const change = async (method, to, shown, item) => {
    try {
      await ask(method, to);
      item.replaceChildren(...shown(item));
      item.querySelector("button").focus();
      tell(problem, "");
    } catch (error) {
      tell(problem, error.message);
    }
  };
  const kept = (file, bytes) => (item) => [make("span", {}, `${file} `), make("span", { class: "dim" }, `${size(bytes)} `),
    make("button", { type: "button", class: "quiet", "aria-label": `remove ${file}`, onclick: () => change("DELETE", path(file), away(file, bytes), item) }, "Remove")];
  const away = (file, bytes) => (item) => [make("span", { role: "status" }, `${file} removed. `),
    make("button", { type: "button", onclick: () => change("POST", `${path(file)}/restore`, kept(file, bytes), item) }, "Undo")];
  const items = list.map(([file, bytes]) => {
    const item = make("li", {});
    item.append(...kept(file, bytes)(item));
    return item;
  });
  return make("section", { "aria-labelledby": "h-recordings" }, make("h2", { id: "h-recordings" }, "Recordings kept with this sheet"),
    make("ul", { class: "kept" }, items), problem);
}
