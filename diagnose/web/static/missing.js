// A sheet that names files which did not come along: they are asked for, or what may be taken in their place.
import { make } from "./common.js";

/** The address to send files to: it says where recordings may be among them, which are long. */
export const sending = (path, files) => ([...files].some((file) => /\.(zip|wav|flac)$/i.test(file.name)) ? `${path}?large` : path);

/**
 * Ask for what is missing; `told` is what the server said of it. `more(files)` is called with files that are added,
 * `instead(word)` with a stage that is taken in place of the missing one, `without()` where the rest is not to be had.
 */
export function missing(box, told, { more, instead, without }) {
  box.hidden = !told?.files;
  if (box.hidden) return;
  const names = [told.stage, ...told.files].filter(Boolean);
  const add = make("input", { type: "file", id: "missing-files", multiple: true, onchange: (event) => more(event.target.files) });
  const parts = [make("label", { for: "missing-files" }, `Add ${names.join(", ")}:`), add];
  if (told.stage) {
    const choice = make("select", { id: "missing-stage" }, make("option", { value: "" }, "choose a stage…"),
      told.stages.map(([word, title]) => make("option", { value: word }, title)));
    const take = make("button", { type: "button", onclick: () => { if (choice.value) instead(choice.value); else choice.focus(); } }, "Take this stage");
    parts.push(make("label", { for: "missing-stage" }, "or take in its place"), choice, take);
  } else parts.push(make("button", { type: "button", onclick: without }, "Open it without"));
  box.replaceChildren(...parts);
  add.focus();
}
