"""The words of a netlist: lines joined, comments cut off, every word with its place."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from circuits.errors import InputError, Place
from circuits.textfile import LINE_END, UNPRINTABLE, place_at, place_in

MOST_LINES = 20_000
"""Lines of a netlist with all that it includes; an amplifier drawn to the last part has some 500
(judgement)."""
MOST_SIGNS = 10_000
"""Signs of one line; a model has some thousand (judgement)."""

_WORD = re.compile(r"'[^']*'|\"[^\"]*\"|[=(),]|[^\s=(),'\"{}]+")
_COMMENT = re.compile(r"[;{}'\"]|//|(?<=[\s,])\$")
NOTE = re.compile(r"\s*\*\s*amp: ?(.*)", re.IGNORECASE)
"""A comment of our own, which tells what a netlist has no words for."""


@dataclass(frozen=True, slots=True)
class Source:
    """One text with its name in messages."""

    name: str
    rows: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Word:
    """A word as written, and where; `line` and `column` count from 1."""

    text: str
    source: Source
    line: int
    column: int

    @property
    def low(self) -> str:
        """In lower case, as SPICE compares it."""
        return self.text.lower()

    @property
    def place(self) -> Place:
        """Where it stands."""
        return place_in(self.source.name, self.source.rows[self.line - 1], self.line, self.column)

    def refuse(
        self, message: str, expected: str, choices: Iterable[str] = (), given: str = ""
    ) -> InputError:
        """The error that this word makes."""
        return InputError(
            message, place=self.place, expected=expected, choices=choices, given=given
        )


@dataclass(frozen=True)
class Card:
    """One statement of a netlist: its words, continuation lines joined."""

    words: tuple[Word, ...]

    @property
    def head(self) -> Word:
        """The first word."""
        return self.words[0]

    @cached_property
    def plain(self) -> tuple[Word, ...]:
        """The words without brackets and commas, which SPICE takes for blanks."""
        return tuple(word for word in self.words if word.text not in "(),")

    def text(self) -> str:
        """The statement on one line."""
        return joined(self.words)


def joined(words: Sequence[Word]) -> str:
    """Words as one text; what was written together stays together."""
    made: list[str] = []
    before: Word | None = None
    for word in words:
        near = before is not None and before.line == word.line and (
            before.column + len(before.text) == word.column
        )
        made.append(word.text if near or before is None else f" {word.text}")
        before = word
    return "".join(made)


def source(text: str, name: str) -> Source:
    """A text that can be taken apart.

    Raises
    ------
    InputError
        For control characters, or far too many lines.
    """
    bad = UNPRINTABLE.search(text)
    if bad:
        raise InputError(
            f"this character cannot stand in a netlist: {bad[0]!r}",
            place=place_at(text, bad.start(), name),
            expected="plain text in UTF-8",
        )
    rows = tuple(LINE_END.split(text))
    if len(rows) > MOST_LINES:
        raise InputError(
            f"this netlist has {len(rows)} lines",
            place=Place(name),
            expected=f"one amplifier, with at most {MOST_LINES} lines",
        )
    for number, row in enumerate(rows, 1):
        if len(row) > MOST_SIGNS:
            raise InputError(f"this line has {len(row)} signs", place=Place(name, number, 1),
                             expected=f"lines of at most {MOST_SIGNS}, continued with +")
    return Source(name, rows)


def cards(read: Source, title: bool) -> Iterator[Card]:
    """The statements of a text, comments left out.

    Parameters
    ----------
    title : bool
        Whether the first line is a title, whatever it says, as it is in a netlist and not in a
        file that one includes.

    Raises
    ------
    InputError
        For a continuation line that continues nothing, or a quote or brace that stays open.
    """
    pending: list[Word] = []
    for number, row in enumerate(read.rows, 1):
        if title and number == 1:
            continue
        stripped = row.lstrip()
        if not stripped or stripped[0] in "*#":
            continue
        if stripped[0] == "+":
            start = len(row) - len(stripped) + 1
            if not pending:
                raise Word("+", read, number, start).refuse(
                    "this line continues nothing", "a statement above it"
                )
            pending += _words(read, number, row, start)
            continue
        if pending:
            yield Card(tuple(pending))
        pending = _words(read, number, row, 0)
    if pending:
        yield Card(tuple(pending))


def notes(read: Source) -> list[Word]:
    """Our own comments of a text, without their mark, in the order of the lines."""
    found = []
    for number, row in enumerate(read.rows, 1):
        match = NOTE.fullmatch(row)
        if match:
            found.append(Word(match[1], read, number, match.start(1) + 1))
    return found


def _words(read: Source, number: int, row: str, start: int) -> list[Word]:
    """The words of one line from a column on; braces hold an expression together."""
    end = _ends(row, start)
    found: list[Word] = []
    at = start
    while at < end:
        if row[at] == "{":
            close = _closing(row, at, end)
            if close < 0:
                raise Word("{", read, number, at + 1).refuse("this brace stays open", "a }")
            found.append(Word(row[at : close + 1], read, number, at + 1))
            at = close + 1
            continue
        match = _WORD.match(row, at, end)
        if match:
            found.append(Word(match[0], read, number, at + 1))
            at = match.end()
        elif row[at].isspace():
            at += 1
        else:
            raise Word(row[at], read, number, at + 1).refuse(
                "this quote stays open" if row[at] in "'\"" else f"{row[at]!r} opens nothing",
                "an expression such as {2*R} or '2*R'",
            )
    return found


def _closing(row: str, at: int, end: int) -> int:
    """Where the brace closes that opens at `at`; -1 where it does not."""
    depth = 0
    for k in range(at, end):
        depth += {"{": 1, "}": -1}.get(row[k], 0)
        if not depth:
            return k
    return -1


def _ends(row: str, start: int) -> int:
    """Where the comment of a line begins, or the line ends."""
    inside = ""
    for match in _COMMENT.finditer(row, start):
        sign = match[0]
        if sign in "'\"":
            inside = "" if inside == sign else inside or sign
        elif sign in (";", "//", "$") and not inside:
            return match.start()
    return len(row)
