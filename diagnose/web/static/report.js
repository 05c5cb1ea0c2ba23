import { name } from "./common.js";
import { rank } from "./rank.js";
import { ask } from "./server.js";

document.getElementById("print").addEventListener("click", () => print());
if (await rank())
  document.getElementById("answer").innerHTML = await ask("GET", `/sheet/${name}/report/body`);
