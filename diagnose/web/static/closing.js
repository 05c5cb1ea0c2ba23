// Closing a job: what it turned out to be goes onto the sheet and into the log.
import { name, tell } from "./common.js";
import { ask } from "./server.js";

/** Send the form; the page is loaded anew once the job is closed, since its sheet is another revision. */
export function closing(form) {
  const problem = form.querySelector(".problem");
  const status = document.getElementById("close-status");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    tell(problem, "");
    status.textContent = "closing…";
    form.setAttribute("aria-busy", "true");
    try {
      await ask("POST", `/sheet/${name}/close`, Object.fromEntries(new FormData(form)));
      location.reload();
    } catch (error) {
      status.textContent = "";
      tell(problem, error.message);
    } finally {
      form.removeAttribute("aria-busy");
    }
  });
}
