"""Tables in text files, as spreadsheets and analysers write them: cells with their places.

Columns are divided by tabs, semicolons, commas or, where none of them stands, by blanks. A cell
in quotes may hold any sign, a quote doubled (RFC 4180); a cell is one line. Empty lines and lines
that begin with # are passed over.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from circuits.errors import InputError
from circuits.quantity import parse
from circuits.textfile import LINE_END, contents, place_in
from circuits.yamlfile import Text

SEPARATORS = ("\t", ";", ",")
BLANKS = " "


@dataclass(frozen=True)
class Line:
    """One line of a file that counts, with its number from 1."""

    number: int
    text: str
    file: str

    def cells(self, separator: str) -> tuple[Text, ...]:
        """The cells of the line.

        Parameters
        ----------
        separator : str
            One of `SEPARATORS`, or `BLANKS`.

        Raises
        ------
        InputError
            For a quote that is not closed.
        """
        if separator == BLANKS:
            return tuple(self._cell(m[0], m.start()) for m in re.finditer(r"\S+", self.text))
        texts: list[Text] = []
        start = 0
        while start <= len(self.text):
            word, end = self._next(start, separator)
            texts.append(self._cell(word, start))
            start = end + 1
        return tuple(texts)

    def _next(self, start: int, separator: str) -> tuple[str, int]:
        """A cell and where it ends."""
        opened = re.match(r'\s*"', self.text[start:])
        if opened and separator not in opened[0]:
            inner = start + opened.end()
            closed = re.compile(r'((?:[^"]|"")*)"[^\S\t]*').match(self.text, inner)
            if closed is None or self.text[closed.end() : closed.end() + 1] not in ("", separator):
                raise InputError(
                    "this quote is not closed", expected='" at the end of the cell',
                    place=place_in(self.file, self.text, self.number, inner),
                )
            return closed[1].replace('""', '"'), closed.end()
        end = self.text.find(separator, start)
        end = len(self.text) if end < 0 else end
        return self.text[start:end], end

    def _cell(self, word: str, start: int) -> Text:
        blank = len(word) - len(word.lstrip())
        place = place_in(self.file, self.text, self.number, start + blank + 1)
        return Text(word.strip(), place)


def lines_of(path: Path) -> list[Line]:
    """The lines of a file that count.

    Raises
    ------
    InputError
        For a file that cannot be read.
    """
    return lines_in(contents(path), str(path))


def lines_in(text: str, name: str) -> list[Line]:
    """The lines of a text that count; `name` is the file in messages."""
    rows = enumerate(LINE_END.split(text), start=1)
    return [Line(number, row, name) for number, row in rows
            if row.strip() and not row.lstrip(' "').startswith("#")]


def separator_of(lines: Sequence[Line]) -> str:
    """What divides the columns: the first sign that half of the lines have, else blanks."""
    for mark in SEPARATORS:
        if lines and 2 * sum(mark in line.text for line in lines) >= len(lines):
            return mark
    return BLANKS


def decimal_commas(lines: Sequence[Line], separator: str) -> bool:
    """Whether a comma is a decimal comma: it divides no columns, and no number has a point."""
    points = any(re.search(r"[0-9]\.[0-9]", line.text) for line in lines)
    return separator not in (",", BLANKS) and not points


def with_point(cell: Text) -> Text:
    """The cell with its decimal comma made a point."""
    word = re.sub(r"(?<=[0-9]),(?=[0-9])", ".", cell.value)
    return Text(word, cell.place, cell.quoted)


def is_number(word: str) -> bool:
    """Whether a cell is a bare number."""
    try:
        parse(word, "")
    except InputError:
        return False
    return re.fullmatch(r"[-+0-9.,eE\u2212]+", word) is not None


def with_unit(cell: Text, unit: str) -> Text:
    """A bare number, or a bound on one such as ``< -90``, with a unit."""
    word = cell.value.lstrip("<> ")
    if not unit or not is_number(word):
        return cell
    return Text(f"{cell.value} {unit}", cell.place, cell.quoted)
