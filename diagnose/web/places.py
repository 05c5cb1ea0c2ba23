"""Where on the page a field of a sheet is, and in words which one it is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TypeVar

from diagnose.sheet.sections import SECTIONS
from diagnose.web.sheet import Entry, Typed

_R = TypeVar("_R")
_TOPS = {"mains": "mains", "stage": "stage", "case": "name of the case", "suspect": "channel"}


def slug(field: str) -> str:
    """The id of a field on the page, as ``rows.js`` makes it."""
    return "f-" + re.sub(r"[^A-Za-z0-9]+", "-", field)


def place(sheet: Typed, field: str) -> str:
    """Which field it is, as people would say it: ``dc voltage c1``, ``value of R3``.

    Returns
    -------
    str
        Empty for the sheet as a whole.
    """
    head, *rest = field.split("/")
    match head:
        case "readings" if rest:
            return _reading(sheet.readings, rest, sheet.channels)
        case "repaired" if len(rest) > 2:
            made = _at(sheet.repaired, rest[0])
            if made is None:
                return "repair"
            return f"{_reading(made.readings, rest[2:], ())} after the repair of {made.part}"
        case "limits" if rest:
            limit = _at(sheet.limits, rest[0])
            return "limit of " + (limit.quantity if limit and limit.quantity else "a standard")
        case "values" if rest:
            return f"value of {rest[0]}"
        case _ if head in SECTIONS:
            return SECTIONS[head].one
    return _TOPS.get(head, head)


def _reading(entries: Sequence[Entry], rest: Sequence[str], channels: Sequence[str]) -> str:
    entry = _at(entries, rest[0])
    if entry is None:
        return "reading"
    words = [entry.quantity, *(text for _, text in entry.conditions)]
    if len(rest) > 2 and rest[1] == "points":
        point = _at(entry.points, rest[2])
        words.append(f"at {point.at}" if point and point.at else "point")
    if len(rest) > 2 and channels and rest[-1].isdigit():
        words.append(channels[int(rest[-1])] if int(rest[-1]) < len(channels) else "")
    return " ".join(word for word in words if word)


def _at(rows: Sequence[_R], place: str) -> _R | None:
    return rows[int(place)] if place.isdigit() and int(place) < len(rows) else None
