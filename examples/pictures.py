"""Takes the README's pictures of the page: the invented example, opened in a browser.

Run it from the project's folder, in an environment with the tools of development and with
chromium installed: ``.venv/bin/python examples/pictures.py``. It writes
``examples/pictures/page-*.png``.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
CASE = ROOT / "examples" / "hall-record-hum.yaml"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
SIZE = {"width": 1280, "height": 860}
PATIENCE = 120_000


@contextmanager
def served() -> Iterator[str]:
    """The address of a server with an empty folder of sheets."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "AMP_DIAGNOSE_SHEETS": folder, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "diagnose", "serve", "--port", "0", "--no-browser"]
        with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE,
                              text=True) as server:
            assert server.stderr is not None
            found = re.search(r"http://127\.0\.0\.1:\d+/\S*", server.stderr.readline())
            assert found
            try:
                yield found[0]
            finally:
                server.terminate()


def sheet(page: Page, address: str) -> None:
    """Open the example's sheet."""
    page.goto(address)
    page.set_input_files("#files", CASE)
    page.wait_for_url("**/sheet/*")
    page.wait_for_selector("#form:not([aria-busy]) svg")


def suspects(page: Page) -> None:
    """Go on to its answer."""
    page.get_by_role("link", name="Suspects", exact=True).click()
    page.wait_for_selector("#curves[data-suspect] svg")


def main() -> None:
    """Write both pictures."""
    folder = ROOT / "examples" / "pictures"
    folder.mkdir(exist_ok=True)
    chromium = shutil.which("chromium")
    assert chromium, "chromium is not installed"
    with served() as address, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=FLAGS)
        page = browser.new_page(viewport=SIZE)
        page.set_default_timeout(PATIENCE)
        sheet(page, address)
        page.screenshot(path=folder / "page-sheet.png")
        suspects(page)
        page.screenshot(path=folder / "page-suspects.png")
        browser.close()


if __name__ == "__main__":
    main()
