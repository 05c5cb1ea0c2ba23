import { fit, tell } from "./common.js";
import { ask } from "./server.js";

const open = document.getElementById("open");
const begin = document.getElementById("new");
const about = document.getElementById("about");

open.files.addEventListener("change", async () => {
  const told = open.querySelector(".problem");
  if (!open.files.files.length) return;
  tell(told, "");
  try {
    const made = await ask("POST", "/sheets/open", new FormData(open));
    location.href = `/sheet/${made.sheet}`;
  } catch (error) {
    tell(told, error.message);
    open.reset();
  }
});

for (const radio of begin.querySelectorAll("input[name=stage]"))
  radio.addEventListener("change", async () => {
    const answer = await ask("GET", `/stages/${encodeURIComponent(radio.value)}`);
    if (!radio.checked) return;
    about.innerHTML = answer;
    fit(about);
  });

begin.addEventListener("submit", async (event) => {
  event.preventDefault();
  const told = begin.querySelector(".problem");
  const button = begin.querySelector("button");
  button.disabled = true;
  tell(told, "");
  try {
    const made = await ask("POST", "/sheets", new FormData(begin));
    location.href = `/sheet/${made.sheet}`;
  } catch (error) {
    tell(told, error.message);
  } finally {
    button.disabled = false;
  }
});
