import { clickable, mark, name, tell } from "./common.js";
import { ranked } from "./rank.js";
import { ask } from "./server.js";

const page = document.getElementById("answer");
let chosen = 0;

async function show() {
  const answer = await ranked(() => ask("GET", `/sheet/${name}/answer`));
  if (answer === null) return;
  page.innerHTML = answer;
  page.dataset.shown = page.querySelector("#answered").dataset.revision;
  const drawing = document.getElementById("drawing");
  clickable(drawing, pick);
  for (const button of page.querySelectorAll(".name"))
    button.addEventListener("click", () => choose(Number(button.dataset.suspect)));
  for (const form of page.querySelectorAll(".enter"))
    form.addEventListener("submit", (event) => enter(event, form));
  await choose(0);
}

async function choose(number) {
  chosen = number;
  for (const button of page.querySelectorAll(".name"))
    button.setAttribute("aria-pressed", String(Number(button.dataset.suspect) === number));
  const curves = document.getElementById("curves");
  const room = curves.clientWidth;
  const columns = room > 1000 ? 2 : 1;
  const wide = Math.floor(room / columns - (columns - 1) * 10);
  try {
    const drawn = await ask("GET", `/sheet/${name}/curves?suspect=${number}&width=${wide}`);
    if (number !== chosen) return;
    curves.innerHTML = drawn;
  } catch (error) {
    tell(curves, error.message);
  }
  curves.dataset.suspect = String(number);
}

/** A part of the drawing: show the suspects that it is in. */
function pick(part) {
  mark(document.getElementById("drawing"), part);
  const said = document.getElementById("picked");
  let first = null;
  for (const item of page.querySelectorAll(".suspect")) {
    const here = item.dataset.part === part || item.dataset.also === part;
    item.classList.toggle("picked", here);
    if (here && !first) first = item;
  }
  const title = document.querySelector(`#drawing [data-part="${CSS.escape(part)}"] title`);
  said.textContent = title ? title.textContent : part;
  if (!first) {
    said.textContent += ". Nothing above 1 % is suspected of it.";
    return;
  }
  first.querySelector("details").open = true;
  first.scrollIntoView({ block: "nearest" });
  choose(Number(first.querySelector(".name").dataset.suspect));
}

async function enter(event, form) {
  event.preventDefault();
  const told = form.querySelector(".problem");
  const input = form.elements.value;
  tell(told, "");
  input.removeAttribute("aria-invalid");
  try {
    const answer = await ask("POST", `/sheet/${name}/reading`, {
      next: Number(form.dataset.next), value: input.value,
      revision: Number(page.dataset.shown),
    });
    if (!answer.problem) return void (await show());
    tell(told, answer.problem);
  } catch (error) {
    tell(told, error.message);
  }
  input.setAttribute("aria-invalid", "true");
  input.focus();
}

await show();
