"""The templates that page and paper share, for whatever is written without a server."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.cautions import HEADING

if TYPE_CHECKING:
    from jinja2 import Environment

ROOM = Path(__file__).parents[1] / "web"
"""Folder of the page's templates and styles."""


@lru_cache(maxsize=1)
def templates() -> Environment:
    """The templates of the page, which write with the words of the commands."""
    from jinja2 import Environment, FileSystemLoader

    from diagnose.show.embedded import is_tall
    from diagnose.show.filters import FILTERS

    environment = Environment(loader=FileSystemLoader(ROOM / "templates"), autoescape=True,
                       trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(FILTERS, is_tall=is_tall)
    environment.globals["cautions_heading"] = HEADING
    return environment


def style(*names: str) -> str:
    """Style sheets of the page by their names, with that of drawings and charts."""
    from diagnose.show.embedded import STYLES

    sheets = [(ROOM / "static" / f"{name}.css").read_text(encoding="utf-8") for name in names]
    return "".join([sheets[0], STYLES, *sheets[1:]])
