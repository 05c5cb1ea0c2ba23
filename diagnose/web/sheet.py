"""A bench sheet as it is typed: every field as text, right or wrong, to and from a case file.

A `Typed` sheet holds what stands in the fields of the page and nothing that was computed from it.
Whether it is right is for `diagnose.sheet.case` to say; here nothing is understood, so that nothing
that was typed is lost.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, TypeVar

from circuits.errors import InputError
from diagnose.sheet.sections import SECTIONS

Pairs = tuple[tuple[str, str], ...]
Rows = tuple[Mapping[str, str], ...]

KNOWN = (
    "case", "stage", "values", "mains", "readings", "limits", *SECTIONS, "observations",
    "channels", "suspect", "repaired",
)
"""Sections that the page has fields for; others are kept as they stand."""
FIGURES = ("min", "max", "value", "within")
_MOST_TEXT = 2000
"""Signs of one field."""
_MOST_ROWS = 500
"""Members of one list."""
_MOST_EXTRA = 200_000
"""Signs of the sections without fields of their own, which are kept as text."""
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ufeff]")
_R = TypeVar("_R")


@dataclass(frozen=True)
class Point:
    """One frequency of a curve, and what was read there on every channel."""

    at: str = ""
    values: tuple[str, ...] = ("",)


@dataclass(frozen=True)
class Entry:
    """One entry of the readings.

    Attributes
    ----------
    conditions : pairs
        Name and text of each.
    source : {"value", "points", "file"}
        Whether it is one value, a curve that is typed, or one from files.
    values : tuple of str
        One a channel: values, or names of files.
    expected : str
        What a good unit reads, of every channel.
    photo : str
        Name of a file beside the sheet.
    """

    quantity: str = ""
    conditions: Pairs = ()
    source: str = "value"
    values: tuple[str, ...] = ("",)
    points: tuple[Point, ...] = ()
    uncertainty: str = ""
    note: str = ""
    expected: str = ""
    photo: str = ""


@dataclass(frozen=True)
class Limit:
    """One published figure; `figures` are of `FIGURES`.

    One without a quantity has a single condition, the ``standard`` that it stands for.
    """

    quantity: str = ""
    conditions: Pairs = ()
    figures: Pairs = ()


@dataclass(frozen=True)
class Repair:
    """What was done to a part, and what was read after."""

    part: str = ""
    how: str = ""
    readings: tuple[Entry, ...] = ()


@dataclass(frozen=True)
class Typed:
    """One sheet as it is typed.

    Attributes
    ----------
    values : pairs
        Part and value.
    channels : tuple of str
        Names of both channels, or empty for a unit of one.
    rows : mapping of str to rows
        Of every section of `SECTIONS` by its word, each row the texts of its columns by theirs.
    head : str
        Lines before the first section.
    extra : str
        Whole sections that the page has no fields for.
    aside : str
        What was read of a second channel before the sheet went back to one, as JSON in plain
        signs on one line: the page puts it back when there are two again.
    """

    stage: str
    case: str = ""
    mains: str = ""
    values: Pairs = ()
    channels: tuple[str, ...] = ()
    suspect: str = ""
    readings: tuple[Entry, ...] = ()
    limits: tuple[Limit, ...] = ()
    observations: tuple[str, ...] = ()
    repaired: tuple[Repair, ...] = ()
    rows: Mapping[str, Rows] = field(default_factory=dict)
    head: str = field(default="", repr=False)
    extra: str = field(default="", repr=False)
    aside: str = field(default="", repr=False)

    @property
    def width(self) -> int:
        """How many values a reading has."""
        return len(self.channels) or 1


def to_page(sheet: Typed) -> dict[str, Any]:
    """The sheet as plain data for the page."""
    data = asdict(sheet)
    rows = data.pop("rows")
    return data | {name: rows.get(name, ()) for name in SECTIONS}


def from_page(data: object) -> Typed:
    """The sheet that a page sent.

    Raises
    ------
    InputError
        For anything that is not of the form of `to_page`.
    """
    top = _object(data)
    channels = _texts(top.get("channels"))
    wide = len(channels) or 1
    if len(channels) not in (0, 2):
        raise InputError("this sheet has neither one channel nor two", expected="two channels")
    return Typed(
        stage=_text(top.get("stage")),
        case=_text(top.get("case")),
        mains=_text(top.get("mains")),
        values=_pairs(top.get("values")),
        channels=channels,
        suspect=_text(top.get("suspect")),
        readings=_rows(top.get("readings"), lambda row: _entry(row, wide)),
        limits=_rows(top.get("limits"), lambda row: Limit(
            _text(row.get("quantity")), _pairs(row.get("conditions")), _pairs(row.get("figures")),
        )),
        observations=_texts(top.get("observations")),
        repaired=_rows(top.get("repaired"), lambda row: Repair(
            _text(row.get("part")), _text(row.get("how")),
            _rows(row.get("readings"), lambda entry: _entry(entry, 1)),
        )),
        rows={name: _texts_of(top.get(name), section.words) for name, section in SECTIONS.items()},
        head=_block(top.get("head")),
        extra=_block(top.get("extra")),
        aside=set_aside(_block(top.get("aside"))),
    )


def set_aside(text: str) -> str:
    """What was set aside, on one line that a comment can hold; empty where that cannot be read."""
    try:
        told = json.loads(text) if text and len(text) <= _MOST_EXTRA else None
    except (ValueError, RecursionError):
        return ""
    return json.dumps(told, separators=(",", ":")) if isinstance(told, dict) else ""


def _texts_of(data: object, words: Sequence[str]) -> Rows:
    return _rows(data, lambda row: {word: _text(row.get(word)) for word in words})


def _entry(row: Mapping[str, object], wide: int) -> Entry:
    source = _text(row.get("source")) or "value"
    if source not in ("value", "points", "file"):
        raise InputError(f"{source!r} is no source of a reading", expected="value, points or file")
    return Entry(
        quantity=_text(row.get("quantity")),
        conditions=_pairs(row.get("conditions")),
        source=source,
        values=_fitted(_texts(row.get("values")), wide),
        points=_rows(row.get("points"), lambda point: Point(
            _text(point.get("at")), _fitted(_texts(point.get("values")), wide)
        )),
        uncertainty=_text(row.get("uncertainty")),
        note=_text(row.get("note")),
        expected=_text(row.get("expected")),
        photo=_text(row.get("photo")),
    )


def _fitted(values: tuple[str, ...], wide: int) -> tuple[str, ...]:
    return (*values, *("",) * wide)[:wide]


def _object(data: object) -> Mapping[str, object]:
    if not isinstance(data, dict):
        raise InputError("this is not a sheet", expected="an object")
    return data


def _list(data: object) -> Sequence[object]:
    if data is None:
        return ()
    if not isinstance(data, (list, tuple)) or len(data) > _MOST_ROWS:
        raise InputError("this is not a list of a sheet", expected=f"up to {_MOST_ROWS} members")
    return data


def _rows(data: object, make: Callable[[Mapping[str, object]], _R]) -> tuple[_R, ...]:
    return tuple(make(_object(item)) for item in _list(data))


def _text(data: object) -> str:
    if data is None:
        return ""
    if not isinstance(data, str) or len(data) > _MOST_TEXT:
        raise InputError("this is not a text of a sheet", expected=f"up to {_MOST_TEXT} signs")
    plain = _CONTROL.sub(" ", data).encode("utf-8", "replace").decode("utf-8")
    return " ".join(plain.split())


def _block(data: object) -> str:
    if data is None:
        return ""
    if not isinstance(data, str) or len(data) > _MOST_EXTRA:
        raise InputError("this is not a part of a sheet", expected="text")
    return data


def _texts(data: object) -> tuple[str, ...]:
    return tuple(_text(item) for item in _list(data))


def _pairs(data: object) -> Pairs:
    pairs = []
    for item in _list(data):
        pair = _list(item)
        if len(pair) != 2:
            raise InputError("this is no pair", expected="a name and a text")
        pairs.append((_text(pair[0]), _text(pair[1])))
    return tuple(dict(pairs).items())
