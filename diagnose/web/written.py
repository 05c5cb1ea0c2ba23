"""A sheet as it is typed to the text of a case file, and which field stands where in it.

The text is the one that the command line reads. `Written.field` leads from a place in a message of
the loader back to the field of the page.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from circuits.conditions import CONDITIONS
from circuits.yamlfile import quoted
from diagnose.sheet.sections import SECTIONS, Section
from diagnose.web.sheet import Entry, Limit, Pairs, Rows, Typed

_LISTS = (*(c.word for c in CONDITIONS.values() if c.pair), "frequencies")
_NOTHING = '""'
_HEAD = "# A bench sheet; rank it with: diagnose rank FILE"
ASIDE = "# set aside by the page: "
"""How the line begins that keeps what was read of a second channel while the sheet has one: a
comment, so that nothing else takes it for readings."""


@dataclass(frozen=True)
class Span:
    """A field's place: line, first column and the column after the last, counted from 1."""

    line: int
    start: int
    stop: int
    field: str


@dataclass(frozen=True)
class Written:
    """The text of a sheet with the places of its fields."""

    text: str
    spans: tuple[Span, ...]

    def field(self, line: int, column: int) -> str:
        """The narrowest field at a place, or the last that begins before it in the line."""
        here = [s for s in self.spans if s.line == line]
        around = [s for s in here if s.start <= column < s.stop]
        if around:
            return min(around, key=lambda s: s.stop - s.start).field
        before = [s for s in here if s.start <= column]
        return max(before, key=lambda s: s.start).field if before else ""


class _Paper:
    """Lines being written."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.spans: list[Span] = []
        self.open = ""

    def add(self, piece: str, field: str = "") -> None:
        if field:
            start = len(self.open) + 1
            self.spans.append(Span(len(self.lines) + 1, start, start + len(piece), field))
        self.open += piece

    def end(self, field: str = "") -> None:
        if field:
            self.spans.append(Span(len(self.lines) + 1, 1, len(self.open) + 1, field))
        self.lines.append(self.open)
        self.open = ""

    def line(self, text: str, field: str = "") -> None:
        self.add(text, field)
        self.end()

    def braces(self, pairs: Iterable[tuple[str, str, str]]) -> None:
        """``{key: value, …}`` of (key, written value, field)."""
        self.add("{")
        for k, (key, value, field) in enumerate(pairs):
            self.add(", " if k else "")
            self.add(f"{quoted(key) or _NOTHING}: {value}", field)
        self.add("}")


def written(sheet: Typed, without: Collection[str] = ()) -> Written:
    """The case file of a sheet.

    Parameters
    ----------
    without : collection of str
        Fields of rows that are left out, such as ``readings/3`` or ``values/C3``.

    Returns
    -------
    Written
        A field is named by its way through the sheet: ``readings/3/values/0``.
    """
    paper = _Paper()
    for text in (sheet.head or _HEAD).splitlines():
        paper.line(text)
    if sheet.aside:
        paper.line(ASIDE + sheet.aside)
    if sheet.case:
        paper.line(f"case: {quoted(sheet.case)}", "case")
    paper.line(f"stage: {quoted(sheet.stage)}", "stage")
    if "mains" not in without:
        paper.line(f"mains: {quoted(sheet.mains)}".rstrip(), "mains")
    paper.add("values: ")
    given = [(part, value) for part, value in sheet.values
             if part and value and f"values/{part}" not in without]
    paper.braces((part, quoted(value), f"values/{part}") for part, value in given)
    paper.end("values")
    _readings(paper, sheet, without)
    _limits(paper, sheet, without)
    for section in SECTIONS.values():
        _rows(paper, section, sheet.rows.get(section.name, ()), without)
    noted = [(k, word) for k, word in enumerate(sheet.observations)
             if word and f"observations/{k}" not in without]
    paper.add("observations: [")
    for place, (k, word) in enumerate(noted):
        paper.add(", " if place else "")
        paper.add(quoted(word), f"observations/{k}")
    paper.add("]")
    paper.end("observations")
    _repaired(paper, sheet, without)
    for text in sheet.extra.splitlines():
        paper.line(text, "extra")
    return Written("\n".join(paper.lines) + "\n", tuple(paper.spans))


def _listed(paper: _Paper, name: str) -> None:
    paper.line(f"{name}:", name)


def _readings(paper: _Paper, sheet: Typed, without: Collection[str]) -> None:
    if not sheet.channels:
        _listed(paper, "readings")
        for k, entry in enumerate(sheet.readings):
            _entry(paper, entry, f"readings/{k}", 0, "  ", without)
        return
    if sheet.suspect:
        paper.line(f"suspect: {quoted(sheet.suspect)}", "suspect")
    _listed(paper, "channels")
    for side, name in enumerate(sheet.channels):
        paper.line(f"  {quoted(name)}:", f"channels/{side}")
        paper.line("    readings:")
        for k, entry in enumerate(sheet.readings):
            _entry(paper, entry, f"readings/{k}", side, "      ", without)


def _entry(
    paper: _Paper, entry: Entry, row: str, side: int, indent: str, without: Collection[str]
) -> None:
    if row in without or not entry.quantity:
        return
    if entry.source != "points":
        _one(paper, entry, row, side, indent, ())
        return
    for points in _apart(entry, side):
        _one(paper, entry, row, side, indent, points)


def _apart(entry: Entry, side: int) -> list[list[tuple[str, str, str]]]:
    """Points as (frequency, value, place in the row), in as many lists as one stands twice.

    A mapping cannot hold a key twice, and while a frequency is being typed it may well be another's
    beginning; what stands twice then is for the loader to say.
    """
    lists: list[dict[str, tuple[str, str, str]]] = [{}]
    for p, point in enumerate(entry.points):
        if not point.at and not any(point.values):
            continue
        fitting = next((made for made in lists if point.at not in made), None)
        if fitting is None:
            fitting = {}
            lists.append(fitting)
        fitting[point.at] = (point.at, point.values[side], f"points/{p}/{side}")
    return [list(made.values()) for made in lists]


def _one(
    paper: _Paper,
    entry: Entry,
    row: str,
    side: int,
    indent: str,
    points: Iterable[tuple[str, str, str]],
) -> None:
    paper.add(f"{indent}- {{")
    paper.add(f"quantity: {quoted(entry.quantity)}", f"{row}/quantity")
    for key, value in entry.conditions:
        paper.add(f", {quoted(key)}: {_condition(key, value)}", f"{row}/{key}")
    match entry.source:
        case "points":
            paper.add(", points: ")
            paper.braces((at, quoted(value), f"{row}/{place}") for at, value, place in points)
        case "file":
            paper.add(f", file: {quoted(entry.values[side])}", f"{row}/values/{side}")
        case _:
            paper.add(f", value: {quoted(entry.values[side])}", f"{row}/values/{side}")
    if entry.uncertainty:
        paper.add(f", uncertainty: {quoted(entry.uncertainty)}", f"{row}/uncertainty")
    if entry.expected:
        paper.add(f", expected: {quoted(entry.expected)}", f"{row}/expected")
    if entry.photo:
        paper.add(f", photo: {quoted(entry.photo)}", f"{row}/photo")
    paper.add("}")
    if entry.note:
        paper.add(f"  # {entry.note}")
    paper.end(row)


def _repaired(paper: _Paper, sheet: Typed, without: Collection[str]) -> None:
    kept = [(k, made) for k, made in enumerate(sheet.repaired)
            if f"repaired/{k}" not in without and (made.part or made.readings)]
    if not kept:
        return
    _listed(paper, "repaired")
    for k, made in kept:
        row = f"repaired/{k}"
        paper.line(f"  - part: {quoted(made.part)}", f"{row}/part")
        if made.how:
            paper.line(f"    how: {quoted(made.how)}", f"{row}/how")
        paper.line("    readings:", row)
        for r, entry in enumerate(made.readings):
            _entry(paper, entry, f"{row}/readings/{r}", 0, "      ", without)


def _rows(
    paper: _Paper, section: Section[Any], rows: Rows, without: Collection[str]
) -> None:
    _listed(paper, section.name)
    for k, typed in enumerate(rows):
        row = f"{section.name}/{k}"
        if row in without or not section.filled(typed):
            continue
        paper.add("  - ")
        paper.braces((word, quoted(typed.get(word, "")), f"{row}/{word}") for word in section.words)
        paper.end(row)


def _limits(paper: _Paper, sheet: Typed, without: Collection[str]) -> None:
    _listed(paper, "limits")
    for k, limit in enumerate(sheet.limits):
        if f"limits/{k}" in without or not (limit.quantity or limit.conditions):
            continue
        paper.add("  - ")
        paper.braces(_limit(limit, f"limits/{k}"))
        paper.end(f"limits/{k}")


def _limit(limit: Limit, row: str) -> Iterable[tuple[str, str, str]]:
    if not limit.quantity:
        yield from _pairs(limit.conditions, row)
        return
    yield "quantity", quoted(limit.quantity), f"{row}/quantity"
    yield from _pairs(limit.conditions, row)
    given = [(key, value) for key, value in limit.figures if value]
    # a limit whose figure is still to come is one with an empty figure
    for key, value in given or [("max", "")]:
        yield key, quoted(value), f"{row}/{key}"


def _pairs(pairs: Pairs, row: str) -> Iterable[tuple[str, str, str]]:
    for key, value in pairs:
        yield key, _condition(key, value), f"{row}/{key}"


def _condition(key: str, value: str) -> str:
    """A condition; those of several members are a list, whose members a comma divides."""
    if key not in _LISTS or not value:
        return quoted(value)
    members = re.split(r"\s*(?:,|;|\bto\b|–|\band\b|\.\.)\s*", value.strip("[] "))
    return "[" + ", ".join(quoted(word) or '""' for word in members) + "]"
