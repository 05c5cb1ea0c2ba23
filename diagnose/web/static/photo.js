// A photo of a reading: made small here, so that it takes little room and says nothing of where it was taken.
import { make, name } from "./common.js";
import { ask } from "./server.js";

const LONGEST = 1600; // px: the digits of a meter that fills a quarter of the picture can still be read
const QUALITY = 0.85;

async function small(file) {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const share = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * share), height: Math.round(picture.height * share) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => { canvas.toBlob(done, "image/jpeg", QUALITY); });
}

/** The name under which the photo is kept beside the sheet. */
async function keep(file) {
  let picture;
  try {
    picture = await small(file);
  } catch {
    throw new Error(`${file.name} is no picture that this browser can show`);
  }
  const body = new FormData();
  body.append("file", picture, `${file.name.replace(/\.[^.]*$/, "")}.jpg`);
  return (await ask("POST", `/sheet/${name}/photo`, body)).photo;
}

/** The photo of a row, or a button to add one; `store` is called with its name, empty for none. */
export function photo(entry, what, store) {
  if (entry.photo) {
    const path = `/sheet/${name}/photo/${encodeURIComponent(entry.photo)}`;
    return make("span", { class: "photo" }, make("a", { href: path, target: "_blank", rel: "noopener" },
      make("img", { src: path, alt: `photo of ${what}` })),
    make("button", { type: "button", class: "quiet", "aria-label": `remove the photo of ${what}`, onclick: () => store("") }, "×"));
  }
  const file = make("input", { type: "file", class: "hidden", accept: "image/*", capture: "environment", "aria-label": `photo of ${what}`,
    onchange: async () => {
      if (!file.files.length) return;
      try {
        store(await keep(file.files[0]));
      } catch (error) {
        here.querySelector(".problem")?.remove();
        here.append(make("span", { class: "problem", role: "alert" }, error.message));
      }
    } });
  const here = make("span", {}, make("label", { class: "button" }, "photo…", file));
  return here;
}
