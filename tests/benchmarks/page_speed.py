"""Times the page in a browser. Needs chromium.

First paint: from the address to the first content, and to the sheet with its fields. Goals: 0.3 s
for any sheet, 1 s for one of a unit of several stages. Beside it stands the processor time of the
server and of the page's own thread, which tell on a busy machine what the wall does not.

The study: from a move of the slider to the frame that shows it. Goal: 100 ms for 95 of 100 moves,
on a two-transistor preamplifier.

Beside a ranking: what a blank sheet and a study take while a sheet is ranked, and without.
"""

from __future__ import annotations

import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu"]
GOAL_MS = 100.0
SHEET_MS, UNIT_MS = 300.0, 1000.0
OPENINGS = 9
MOVES = 200
PATIENCE = 240_000
LONG = ROOT / "examples" / "hall-loudspeaker-crossover.yaml"
"""A sheet that is ranked for minutes."""
WATCH = """
new MutationObserver((_, watch) => {
  if (!document.querySelector(SELECTOR)) return;
  watch.disconnect();
  requestAnimationFrame(() => setTimeout(() => { window.shownAt = performance.now(); }));
}).observe(document, { childList: true, subtree: true, attributes: true });
"""
"""Notes when what the selector names is there and has been painted."""
SHOWN = "#form:not([aria-busy]), #new, #rows tr, #h-stage"
PAINTED = """(() => {
  const first = performance.getEntriesByName("first-contentful-paint")[0]?.startTime;
  return first && window.shownAt && [first, Math.max(first, window.shownAt)];
})()"""
MOVE = """async (moves) => {
  const size = document.getElementById("size"), form = document.getElementById("study");
  const taken = [];
  for (let k = 0; k < moves; k++) {
    const place = String((k * 37) % 101), began = performance.now();
    size.value = place;
    size.dispatchEvent(new Event("input", { bubbles: true }));
    await new Promise((done) => {
      const look = () => form.dataset.shown?.endsWith(":" + place)
        ? requestAnimationFrame(() => done()) : setTimeout(look, 1);
      look();
    });
    taken.push(performance.now() - began);
  }
  return taken.sort((a, b) => a - b);
}"""
BLANK = """async (stage) => {
  const body = new FormData(), began = performance.now();
  body.append("stage", stage);
  const made = await (await fetch("/sheets", { method: "POST", body })).json();
  return [made.sheet, performance.now() - began];
}"""


@dataclass
class Serving:
    """A server, by what the terminal says of it."""

    entrance: str
    process: int

    @property
    def address(self) -> str:
        return self.entrance.partition("/?")[0].rstrip("/")

    def seconds(self) -> float:
        """Processor time that it has taken, without what it has started."""
        words = Path(f"/proc/{self.process}/stat").read_text().rpartition(")")[2].split()
        return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def served() -> Iterator[Serving]:
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "AMP_DIAGNOSE_SHEETS": f"{folder}/sheets",
                       "AMP_DIAGNOSE_CACHE": f"{folder}/cache", "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser"]
        with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, cwd=folder,
                              text=True) as server:
            assert server.stderr is not None
            found = re.search(r"http://127\.0\.0\.1:\d+\S*", server.stderr.readline())
            assert found
            try:
                yield Serving(found[0], server.pid)
            finally:
                server.terminate()


def main() -> None:
    with served() as serving, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = browser.new_context().new_page()
        page.set_default_timeout(PATIENCE)
        page.add_init_script(WATCH.replace("SELECTOR", repr(SHOWN)))
        page.goto(serving.entrance)
        paints(page, serving)
        beside(page, serving)
        taken = moved(page, serving)
        browser.close()
    middle, high = taken[len(taken) // 2], taken[int(0.95 * len(taken))]
    print(f"{MOVES} moves: half within {middle:.0f} ms, 95 % within {high:.0f} ms, "
          f"all within {taken[-1]:.0f} ms; goal {GOAL_MS:.0f} ms for 95 %")


def paints(page: Page, serving: Serving) -> None:
    """What the pages take to be seen, the first opening apart from those after it."""
    print(f"{'':28}first content  whole        server  page    (ms: the first, then the middle "
          f"of {OPENINGS}; processor)")
    seen("start page", page, serving, "/")
    for stage, goal in (("phono-two-transistor", SHEET_MS), ("output-complementary", SHEET_MS),
                        ("receiver-chain", UNIT_MS)):
        name, _ = page.evaluate(BLANK, stage)
        middle = seen(f"sheet of {stage}", page, serving, f"/sheet/{name}")
        print(f"{'':28}goal {goal:.0f} ms: {'met' if middle <= goal else 'NOT MET'}")


def seen(what: str, page: Page, serving: Serving, path: str) -> float:
    """One line; the time until the whole is there, ms, in the middle of all openings but one."""
    rows = [opening(page, serving, serving.address + path) for _ in range(OPENINGS + 1)]
    first, *others = rows
    middle = [statistics.median(row[k] for row in others) for k in range(4)]
    print(f"{what:28}{first[0]:5.0f} {middle[0]:5.0f}    {first[1]:5.0f} {middle[1]:5.0f}  "
          f"{middle[2]:6.0f}  {middle[3]:6.0f}")
    return middle[1]


def opening(page: Page, serving: Serving, address: str) -> tuple[float, float, float, float]:
    """Milliseconds to the first content and to the whole; of the server's and the page's work."""
    page.goto("about:blank")
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    before, spent = busy(session), serving.seconds()
    page.goto(address)
    while not (told := page.evaluate(PAINTED)):
        page.wait_for_timeout(10)
    page.wait_for_load_state("networkidle")  # the drawing comes later and counts for the server
    row = (*told, 1e3 * (serving.seconds() - spent), busy(session) - before)
    session.detach()
    return row


def busy(session: Any) -> float:
    """Milliseconds that the page's thread has worked."""
    told = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return 1e3 * float(told["TaskDuration"])


def beside(page: Page, serving: Serving) -> None:
    """A blank sheet and the first study, without and beside a ranking of minutes."""
    page.goto(serving.address)
    page.evaluate(BLANK, "filter-low")
    alone = [page.evaluate(BLANK, stage)[1] for stage in ("filter-high", "line-two-transistor")]
    page.set_input_files("#files", LONG)
    page.wait_for_url("**/sheet/*")
    ranked = page.url
    page.goto(ranked + "/suspects")
    page.wait_for_selector("#progress progress")
    other = page.context.new_page()
    other.set_default_timeout(PATIENCE)
    other.goto(serving.address)
    during = [other.evaluate(BLANK, stage) for stage in ("phono-opamp", "tone-control")]
    began = time.perf_counter()
    other.goto(f"{serving.address}/sheet/{during[0][0]}/study")
    other.wait_for_selector("#rows tr")
    study = time.perf_counter() - began
    said = page.locator("#progress").inner_text().replace("\n", " ")
    going = page.locator("#cancel").is_visible()
    print(f"a blank sheet: {max(alone):.0f} ms alone, "
          f"{max(took for _, took in during):.0f} ms beside a ranking; the first study beside it "
          f"{study:.1f} s\n  (the ranking {'goes on' if going else 'HAS ENDED'}: {said})")
    if going:
        page.click("#cancel")
    other.close()


def moved(page: Page, serving: Serving) -> list[float]:
    page.goto(serving.address)
    page.set_input_files("#files", ROOT / "examples" / "hall-record-hum.yaml")
    page.wait_for_url("**/sheet/*")
    page.goto(page.url + "/study?part=C3")
    page.wait_for_selector("#rows tr")
    taken: list[float] = page.evaluate(MOVE, MOVES)
    return taken


if __name__ == "__main__":
    main()
