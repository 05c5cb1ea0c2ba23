"""How data show themselves at a prompt and in a notebook.

At a prompt everything is a few lines, made here from what the object itself holds. A notebook also
asks for HTML, SVG and tables, and those are drawn in rooms that stand higher in the house than the
data do. So nothing here imports them: whoever can draw a kind of object *offers* a view of it by
name (the package's front door does), and the object asks for it. Where nothing is offered there is
none, and a notebook falls back on the lines.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

MOST_LINES = 3
"""Lines of what an object says of itself at a prompt, where many stand one below the other."""
WIDEST = 96
"""Columns of these lines, which a notebook shows whole."""

_OFFERED: dict[tuple[str, str], str] = {}
"""``module:function`` by the name of a class and the view wanted of it."""


def few_lines(*lines: str) -> str:
    """Lines for a ``repr``: no more than `MOST_LINES`, none wider than `WIDEST`, no empty one."""
    plain = [" ".join(line.split()) for line in lines]
    kept = [line for line in plain if line][:MOST_LINES]
    return "\n".join(x if len(x) <= WIDEST else x[: WIDEST - 2] + " …" for x in kept)


def some(words: tuple[str, ...] | list[str], most: int = 8) -> str:
    """A list of words, cut where it is long."""
    rest = len(words) - most
    return ", ".join(words[:most]) + (f" and {rest} more" if rest > 0 else "")


def counted(number: int, one: str, many: str = "") -> str:
    """``1 reading``, ``3 readings``; empty for none."""
    return f"{number} {one if number == 1 else many or one + 's'}" if number else ""


def offer(kind: str, view: str, where: str) -> None:
    """Say who can show a kind of object.

    Parameters
    ----------
    kind : str
        The name of its class.
    view : {"html", "svg", "frame"}
    where : str
        ``module:function``; imported when a view is first asked for.
    """
    _OFFERED[kind, view] = where


def view(thing: object, wanted: str) -> Any:
    """The view that was offered of an object, or None where there is none.

    Parameters
    ----------
    wanted : str
        As in `offer`.
    """
    for kind in type(thing).__mro__:
        where = _OFFERED.get((kind.__name__, wanted))
        if where is not None:
            module, _, name = where.partition(":")
            return getattr(import_module(module), name)(thing)
    return None


def view_text(thing: object, wanted: str) -> str | None:
    """As `view`, for views that are text."""
    shown = view(thing, wanted)
    return shown if isinstance(shown, str) else None
