"""A sheet of text in the making: wrapped lines and plain tables, drawn by rich.

The views in `diagnose.show` write on it; nothing here knows what they say. Colours are written
only where asked for.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80
"""Columns of a text that goes to a file or a pipe, as terminals have by custom."""
STRONG = "bold"
GOOD = "green"
BAD = "red"
DIM = "dim"

Cell = str | tuple[str, str]
"""Text, or (text, style)."""


class Page:
    """Text of a fixed width.

    Parameters
    ----------
    width : int
        Columns.
    colour : bool
        Whether escape codes for weight and colour are written.
    """

    def __init__(self, width: int = WIDTH, colour: bool = False) -> None:
        # imported here: a command with --json needs no tables
        from rich.console import Console

        self._file = io.StringIO()
        self._console: Console = Console(
            file=self._file,
            width=width,
            force_terminal=colour,
            color_system="standard" if colour else None,
            no_color=not colour,
            highlight=False,
            markup=False,
            emoji=False,
            legacy_windows=False,
        )
        self._empty = True

    def line(self, text: str = "", style: str = "", indent: int = 0) -> None:
        """A paragraph, wrapped, every line of it indented."""
        from rich.padding import Padding
        from rich.text import Text

        self._console.print(Padding(Text(text, style=style), (0, 0, 0, indent)))
        self._empty = False

    def heading(self, text: str, style: str = "") -> None:
        """A heading with an empty line above."""
        if not self._empty:
            self._console.print()
        self.line(text, f"{STRONG} {style}".rstrip())

    def bullets(self, items: Iterable[str], indent: int = 2) -> None:
        """A list; continuation lines stand under the text, not under the dash."""
        self.table((), [("–", item) for item in items], indent=indent)

    def table(
        self,
        heads: Sequence[str],
        rows: Sequence[Sequence[Cell]],
        right: Iterable[int] = (),
        whole: Iterable[int] = (),
        indent: int = 2,
        gap: int = 2,
    ) -> None:
        """Columns side by side.

        Parameters
        ----------
        heads : sequence of str
            Empty for a table without heads.
        rows : sequence of rows of cells
        right : iterable of int
            Columns set flush right.
        whole : iterable of int
            Columns never wrapped.
        indent, gap : int
            Blanks before the table and between columns.
        """
        from rich.padding import Padding
        from rich.table import Table
        from rich.text import Text

        count = len(heads) or max((len(row) for row in rows), default=0)
        drawn = Table(box=None, show_header=bool(heads), pad_edge=False, padding=(0, gap, 0, 0),
                      header_style=DIM, show_edge=False)
        flush, firm = set(right), set(whole)
        for k in range(count):
            drawn.add_column(
                heads[k] if heads else "",
                justify="right" if k in flush else "left",
                no_wrap=k in firm,
            )
        for row in rows:
            cells = [cell if isinstance(cell, tuple) else (cell, "") for cell in row]
            drawn.add_row(*(Text(text, style=style) for text, style in cells))
        self._console.print(Padding(drawn, (0, 0, 0, indent)))
        self._empty = False

    def text(self) -> str:
        """Everything so far, without blanks at the ends of lines."""
        lines = self._file.getvalue().splitlines()
        return "\n".join(line.rstrip() for line in lines) + "\n"
