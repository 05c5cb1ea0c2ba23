"""A page held against axe-core, which checks what those who see little or use no mouse need."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest


def violations(page: Any) -> list[tuple[str, str, str]]:
    """What axe-core finds wrong with a page as it stands, in the light theme and in the dark one.

    Returns
    -------
    list of (theme, rule, first element)
        Of every weight that axe knows, the slightest among them.
    """
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    script = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    page.evaluate(f"() => {{ {script} }}")  # by the debugger, which no policy binds
    found = []
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        told = page.evaluate("async () => (await axe.run()).violations")
        found += [(theme, one["id"], one["nodes"][0]["html"]) for one in told]
    return found
