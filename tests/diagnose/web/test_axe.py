"""No page has anything that axe-core finds wrong, in either theme."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.diagnose.web.accessible import violations
from tests.diagnose.web.browsing import name_of, saved

pytestmark = pytest.mark.slow

DATA = Path(__file__).resolve().parents[2] / "data"
READY = {
    "": "#form:not([aria-busy]) svg.stage-drawing", "/plots": "#plots[data-shown=good]",
    "/suspects": "#curves[data-suspect]",
    "/study": "#rows tr", "/report": "article.report", "/healthy": "main table",
}
"""What is there once a page of a sheet stands."""


def test_the_pages_of_a_sheet(opened: Any) -> None:
    saved(opened)
    base = f"/sheet/{name_of(opened)}"
    for path, ready in READY.items():
        opened.goto(base + path)
        opened.wait_for_selector(ready)
        assert violations(opened) == [], path


def test_a_sheet_with_a_mistake_and_everything_unfolded(opened: Any) -> None:
    opened.locator("#f-readings-0-values-0").fill("3 ohm")
    opened.locator(".problem.beside").wait_for()
    opened.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    assert violations(opened) == []


def test_the_start_page_with_the_drawing_of_a_unit(page: Any) -> None:
    page.goto("/")
    page.get_by_role("radio", name=re.compile("One channel of a receiver")).check()
    page.wait_for_selector("#about .members svg")
    assert violations(page) == []


def test_the_page_of_a_stage_and_of_what_is_not_there(page: Any, seen: Any) -> None:
    page.goto("/")
    page.set_input_files("#files", [DATA / "coupling.yaml"])
    page.wait_for_url("**/stage/*")
    page.wait_for_selector("#form:not([aria-busy]) svg.stage-drawing")
    assert violations(page) == []
    page.goto("/sheet/nothing-of-that-name")
    assert violations(page) == []
