"""Every error that this project raises on purpose.

::

    AmplifierError
    ├── InputError        what the user wrote cannot be used (exit code 2)
    └── EngineError       the simulator did not answer
        ├── EngineMissing     the ngspice library is not installed
        ├── NoSolution        no operating point or no finished run, whatever was tried
        ├── Oscillates        the unit swings by itself: a symptom, not a distortion
        └── EngineFault       the simulator refused the circuit or cannot be trusted any more

Anything else that escapes is a bug of ours.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_MOST_SIGNS = 480
"""Signs of one sentence of a message: a word that fills a page is shown by its ends."""
MOST_TOLD = 20
"""Mistakes that are told at once; who has more sets these right first."""


class AmplifierError(Exception):
    """Root of the tree."""


@dataclass(frozen=True)
class Place:
    """Where in a file something stands (line and column count from 1)."""

    file: str
    line: int = 0
    column: int = 0
    text: str = ""
    """The line itself, without its newline."""


class InputError(AmplifierError):
    """One clear message about one mistake of the input.

    Parameters
    ----------
    message : str
        What is wrong, in one sentence.
    place : Place, optional
        Where it stands; a loader adds it when a deeper function did not know it.
    expected : str
        What would have been right.
    choices : iterable of str
        The allowed words; the nearest to `given` are listed.
    given : str
        The word that was not one of the choices.
    also : iterable of InputError
        Other mistakes of the same input that do not follow from this one.
    """

    def __init__(
        self,
        message: str,
        *,
        place: Place | None = None,
        expected: str = "",
        choices: Iterable[str] = (),
        given: str = "",
        also: Iterable[InputError] = (),
    ) -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.expected = expected
        self.choices = tuple(choices)
        self.given = given
        self.also = tuple(also)

    def at(self, place: Place) -> InputError:
        """The same error with its place, unless it has one already."""
        if self.place is not None:
            return self
        return InputError(
            self.message,
            place=place,
            expected=self.expected,
            choices=self.choices,
            given=self.given,
            also=self.also,
        )

    @classmethod
    def together(cls, errors: Sequence[InputError]) -> InputError:
        """One error of several that do not follow from each other: the first, and with it the rest.

        Each has its place; what is rendered names `MOST_TOLD` of them.
        """
        first, *rest = (one for error in errors for one in (error, *error.also))
        return cls(first.message, place=first.place, expected=first.expected,
                   choices=first.choices, given=first.given, also=rest)

    def render(self) -> str:
        """The message as people read it: place, line with caret, expectation, nearest words.

        Other mistakes follow, each in the same way after an empty line.
        """
        told = [self._alone(), *(other._alone() for other in self.also[: MOST_TOLD - 1])]
        more = len(self.also) + 1 - len(told)
        if more:
            told.append(f"and {more} more mistakes")
        # what a terminal would obey, or not show, may stand in a word or in the name of a file
        return "".join(sign if sign.isprintable() or sign == "\n" else "?"
                       for sign in "\n\n".join(told))

    def _alone(self) -> str:
        lines: list[str] = []
        where = self.place
        message = _by_its_ends(self.message)
        if where is None:
            lines.append(message)
        elif where.line:
            lines.append(f"{where.file}:{where.line}:{where.column}: {message}")
            if where.text:
                lines.append("    " + where.text)
                lines.append("    " + " " * (where.column - 1) + "^")
        else:
            lines.append(f"{where.file}: {message}")
        if self.expected:
            lines.append(f"expected: {_by_its_ends(self.expected)}")
        if self.choices:
            lines.append(nearest(self.given, self.choices))
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.render()


def _by_its_ends(text: str) -> str:
    """A sentence, or its ends where it would fill a page."""
    if len(text) <= _MOST_SIGNS:
        return text
    return f"{text[: _MOST_SIGNS // 2]} … {text[-_MOST_SIGNS // 3 :]}"


def nearest(given: str, choices: Iterable[str], most: int = 6) -> str:
    """A line that offers the choices nearest to a word, or all when they are few.

    Parameters
    ----------
    given : str
        The word that was not understood.
    choices : iterable of str
        What is allowed.
    most : int
        How many are named at most.
    """
    words = sorted({str(word) for word in choices})
    close = difflib.get_close_matches(given[:_MOST_SIGNS], words, n=3, cutoff=0.5)
    if close:
        return "did you mean: " + ", ".join(close) + "?"
    if len(words) <= most:
        return "one of: " + ", ".join(words)
    return "one of: " + ", ".join(words[:most]) + f", … ({len(words)} in all)"


class EngineError(AmplifierError):
    """The simulator did not answer."""


class EngineMissing(EngineError):
    """The ngspice library is not installed."""


class NoSolution(EngineError):
    """No operating point, or a run that did not finish, whatever was tried."""


class Oscillates(EngineError):
    """The unit swings by itself, so that no reading under drive means anything.

    Attributes
    ----------
    values : tuple of float
        Of the readings asked for, those at rest, and NaN for those under drive; empty where only
        the latter were looked at.
    """

    values: tuple[float, ...] = ()


class EngineFault(EngineError):
    """The simulator refused the circuit, or cannot be trusted any more."""
