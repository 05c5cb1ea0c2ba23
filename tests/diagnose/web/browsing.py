"""Words of the tests in a browser."""

from __future__ import annotations

import time
from typing import Any

SECONDS = 60.0


def until(page: Any, expression: str, given: object = None) -> None:
    """Wait for an expression to hold; asked from outside, since the page's policy forbids eval."""
    end = time.monotonic() + SECONDS
    while not page.evaluate(expression, given):
        assert time.monotonic() < end, expression
        page.wait_for_timeout(40)


def saved(page: Any) -> None:
    """Wait until what was typed is with the server."""
    until(page, "document.getElementById('status').textContent === 'saved'")


def name_of(page: Any) -> str:
    """The sheet that a page is of."""
    return str(page.evaluate("document.body.dataset.sheet"))
