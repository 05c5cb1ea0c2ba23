import { follow } from "./answer_curves.js";
import { name } from "./common.js";
import { rank } from "./rank.js";
import { ask } from "./server.js";

document.getElementById("print").addEventListener("click", () => print());
if (await rank()) {
  const answer = document.getElementById("answer");
  answer.innerHTML = await ask("GET", `/sheet/${name}/report/body`);
  const box = answer.querySelector(".charts");
  if (box) follow(box, 0, { width: box.dataset.width, height: box.dataset.height });
}
