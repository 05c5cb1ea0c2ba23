"""What to mind, as text: above whatever is to be done."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.cautions import HEADING
from diagnose.show.text_page import BAD, Page


def cautions_text(page: Page, cautions: Sequence[str]) -> None:
    """A heading and a list; nothing where there is nothing to mind."""
    if cautions:
        page.heading(HEADING, BAD)
        page.bullets(cautions)


def mind_text(page: Page, caution: str, indent: int) -> None:
    """What to mind with one reading, before how it is taken."""
    if caution:
        page.line(f"Mind: {caution}", BAD, indent=indent)
