// The page of closed jobs: strike one out, take another shop's over, rank without the log.
import { tell } from "./common.js";
import { ask } from "./server.js";

const refused = document.getElementById("log-refused");
const take = document.getElementById("take");
const out = document.getElementById("out");

async function trying(work) {
  tell(refused, "");
  try {
    await work();
  } catch (error) {
    tell(refused, error.message);
    refused.scrollIntoView({ block: "nearest" });
  }
}

for (const button of document.querySelectorAll('[data-act="strike"]'))
  button.addEventListener("click", () => trying(async () => {
    if (!button.dataset.sure) { // a second click does it: a job that is struck out does not come back
      button.dataset.sure = "1";
      button.textContent = "Really strike out?";
      return;
    }
    await ask("POST", "/log/strike", { job: button.closest("tr").dataset.job });
    location.reload();
  }));

take.addEventListener("submit", (event) => event.preventDefault());
take.file.addEventListener("change", () => trying(async () => {
  if (!take.file.files.length) return;
  const made = await ask("POST", "/log", new FormData(take));
  take.querySelector(".status").textContent = `${made.added} new, ${made.newer} in a later version, ${made.known} known already`;
  if (made.added || made.newer) setTimeout(() => location.reload(), 1500);
}));

out.addEventListener("change", () => trying(() => ask("PUT", "/log/left-out", { out: out.checked })));
