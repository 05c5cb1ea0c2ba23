import { follow } from "./answer_curves.js";
import { name } from "./common.js";
import { ranked } from "./rank.js";
import { record } from "./record.js";
import { closing } from "./closing.js";
import { ask } from "./server.js";

const answer = document.getElementById("answer");

async function show() {
  const body = await ranked(() => ask("GET", `/sheet/${name}/report/body`));
  if (body === null) return;
  answer.innerHTML = body;
  const box = answer.querySelector(".charts");
  if (box) follow(box, 0, { width: box.dataset.width, height: box.dataset.height });
}

document.getElementById("print").addEventListener("click", () => print());
record(document.getElementById("record"), show);
closing(document.getElementById("close"));
await show();
