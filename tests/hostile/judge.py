"""How reading may end: in an answer, or in one clear message that a terminal can show."""

from __future__ import annotations

from collections.abc import Callable

from circuits.errors import MOST_TOLD, InputError

ANSWER, MESSAGE = "answer", "message"
LONGEST = 1200
"""Signs that one message may have: its place, a line of the file, a caret, what was expected."""


class Defect(AssertionError):
    """An ending that is neither an answer nor one clear message."""


def clear(error: InputError, placed: bool = True) -> None:
    """Hold a message against what is promised of all of them.

    Raises
    ------
    Defect
        For one that is empty, endless, that a terminal cannot show, or that names no place.
    """
    text = error.render()
    if not 0 < len(text) < LONGEST * min(MOST_TOLD, 1 + len(error.also)):
        raise Defect(f"a message of {len(text)} signs: {text[:200]!r}")
    if not all(sign.isprintable() or sign == "\n" for sign in text):
        raise Defect(f"a message that cannot be shown: {text[:300]!r}")
    if placed and error.place is None:
        raise Defect(f"a message without a place: {text[:300]!r}")
    if "Traceback" in text or "Error(" in text:
        raise Defect(f"a message of the program's inside: {text[:300]!r}")


def ending(read: Callable[[], object], placed: bool = True) -> str:
    """`ANSWER` or `MESSAGE`.

    Raises
    ------
    Defect
        Where it is neither; whatever else escapes is one as well.
    """
    try:
        found = read()
    except InputError as error:
        clear(error, placed)
        return MESSAGE
    if found is None:
        raise Defect("neither an answer nor a message")
    return ANSWER
