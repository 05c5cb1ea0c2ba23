"""The main walk of the page in Debian's Firefox: a sheet, a reading, the ranking, study, report."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from diagnose.sheet.case import load_case
from tests.diagnose.web.firefox import Firefox, started

pytestmark = pytest.mark.slow

DATA = Path(__file__).resolve().parents[2] / "data"


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    path = next(filter(None, map(shutil.which, ("firefox-esr", "firefox"))), None)
    if path is None:
        pytest.skip("no Firefox: apt-get install firefox-esr")
    pytest.importorskip("websockets", reason="websockets is not installed: pip install websockets")
    with started(path, tmp_path_factory.mktemp("profile")) as browser:
        yield browser


def test_the_main_walk(firefox: Firefox, served: Any) -> None:
    firefox.size(1366, 768)
    firefox.goto(served.entrance)
    firefox.choose("#files", [DATA / "coupling-dry.yaml", DATA / "coupling.yaml"])
    firefox.wait("#form:not([aria-busy])")
    name = firefox.js("document.body.dataset.sheet")
    firefox.wait(".side .drawing svg")
    # a reading is typed, kept as it is typed, and read again from the file
    firefox.replace("#f-readings-0-values-0", "-12.5 dB")
    kept = served.sheets / name / "sheet.yaml"
    firefox.until("document.getElementById('status').textContent === 'saved'")
    firefox.until("document.querySelectorAll('.problem.beside').length === 0")
    assert "-12.5 dB" in kept.read_text(encoding="utf-8")
    assert load_case(kept).readings[0].value == -12.5

    # it is ranked; a suspect is lit on the drawing and its curve drawn
    firefox.click("header nav a[href$='/suspects']")
    firefox.wait("#curves[data-suspect] svg")
    assert firefox.js("document.querySelectorAll('.suspect').length") >= 1
    assert firefox.js("document.querySelectorAll('#drawing .part.lit').length") >= 1
    # the drawing is made larger by its button and by its keys
    wide = "document.querySelector('#drawing svg').getBoundingClientRect().width"
    before = firefox.js(wide)
    firefox.click("#drawing .zoom button[aria-label='Larger drawing']")
    firefox.until(f"{wide} > 1.1 * {before}")
    firefox.type("+")
    firefox.until(f"{wide} > 1.4 * {before}")

    firefox.click("header nav a[href$='/study']")
    firefox.wait("#rows tr")
    firefox.wait("#curve svg")

    firefox.click("header nav a[href$='/report']")
    firefox.wait("article.report")
    assert load_case(kept).name in firefox.js("document.querySelector('article.report').innerText")
    for width in (1366, 360):
        firefox.size(width, 740)
        assert firefox.js("document.documentElement.scrollWidth") <= width
    assert firefox.errors == []
