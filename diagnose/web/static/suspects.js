import { curves } from "./answer_curves.js";
import { clickable, mark, name, reveal, tell } from "./common.js";
import { placed, places } from "./places.js";
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
  placed(drawing, places(page));
  clickable(drawing, pick);
  for (const button of page.querySelectorAll(".name"))
    button.addEventListener("click", () => {
      reveal(drawing, button.closest(".suspect").dataset.part);
      choose(Number(button.dataset.suspect));
    });
  for (const form of page.querySelectorAll(".enter"))
    form.addEventListener("submit", (event) => enter(event, form));
  await choose(0);
}

async function choose(number) {
  chosen = number;
  for (const button of page.querySelectorAll(".name"))
    button.setAttribute("aria-pressed", String(Number(button.dataset.suspect) === number));
  const box = document.getElementById("curves");
  const room = box.clientWidth;
  const columns = room > 1000 ? 2 : 1;
  const wide = Math.floor(room / columns - (columns - 1) * 10);
  try {
    await curves(box, number, { width: wide }, () => number === chosen);
  } catch (error) {
    tell(box, error.message);
  }
  box.dataset.suspect = String(number);
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
  const numbers = places(page).get(part);
  if (numbers) said.textContent += `, in answer ${numbers.join(" and ")}`;
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
