// The blank sheet: its expected values are simulated first.
import { ask } from "./server.js";

const paper = document.getElementById("paper");
const said = document.getElementById("said");
const button = document.getElementById("print");

button.addEventListener("click", () => print());
try {
  paper.innerHTML = await ask("GET", paper.dataset.body);
  said.textContent = "For the clip-board; prints on A4 and Letter.";
  button.disabled = false;
} catch (error) {
  said.textContent = error.message;
}
