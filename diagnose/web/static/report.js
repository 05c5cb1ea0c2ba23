import { name } from "./common.js";
import { ranked } from "./rank.js";
import { ask } from "./server.js";

document.getElementById("print").addEventListener("click", () => print());
document.getElementById("answer").innerHTML = await ranked(() => ask("GET", `/sheet/${name}/report/body`)) ?? "";
