"""Tables that are dropped on a sheet: what their headings say, and their rows as readings."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, jsonify, request

from circuits.errors import InputError, Place
from circuits.leftovers import passing_folder
from circuits.quantities import QUANTITIES
from circuits.quantity import parse
from circuits.yamlfile import Text
from diagnose.sheet.csv_sheet import is_table, read_csv_sheet
from diagnose.sheet.sweep_file import ABSOLUTE, Column, columns_of, read_sweep
from diagnose.web.desk import desk
from diagnose.web.filled import Filled, fill
from diagnose.web.opened import from_tree
from diagnose.web.sheet import Entry, Pairs, Point, Typed, from_page, to_page

tables = Blueprint("tables", __name__)
SHORT = 40
"""Rows that are shown point by point; longer ones stay a file beside the sheet."""
_SIDES = ((r"\bl(eft)?\b", r"\br(ight)?\b"), (r"\bch(annel)?\.?\s*1\b", r"\bch(annel)?\.?\s*2\b"),
          (r"\bch(annel)?\.?\s*a\b", r"\bch(annel)?\.?\s*b\b"))
"""How columns of both channels are headed."""
_OF_UNIT = {"deg": "phase", "%": "thd", "ohm": "output impedance", "kohm": "output impedance",
            "Mohm": "input impedance"}
"""What a column is that has only a unit."""
_OF_WORDS = (
    (r"riaa|deviation|error", "riaa deviation"), (r"thd\s*\+\s*n|thdn", "thd+n"),
    (r"\bthd\b|distortion", "thd"), (r"crosstalk|separation", "crosstalk"),
    (r"phase", "phase"), (r"\bin(put)?\b.*(impedance|\bz\b)|\bz\s?in", "input impedance"),
    (r"impedance|\bz\b", "output impedance"), (r"damping", "damping factor"),
    (r"response", "response"), (r"\bgain\b", "gain"),
)
"""What a column is by the words of its heading, the first that fits."""


@dataclass(frozen=True)
class Look:
    """What a table is by its headings.

    Attributes
    ----------
    columns : tuple of str
        Headings of the columns beside the frequency.
    quantities : tuple of str
        What each of them is most likely; empty where the heading does not say.
    said : tuple of str
        What a heading states of its unit, in words; empty for nothing.
    channels : tuple of str
        Names of both channels where both are there, in the order of two columns.
    both : tuple of int
        The places of these in `columns`.
    """

    columns: tuple[str, ...]
    quantities: tuple[str, ...]
    said: tuple[str, ...]
    channels: tuple[str, ...] = ()
    both: tuple[int, ...] = ()


def look(path: Path) -> Look:
    """What the headings of a table say.

    Raises
    ------
    InputError
        For a file that cannot be read.
    """
    columns, x, _ = columns_of(path)
    values = [column for k, column in enumerate(columns) if k != x]
    names = tuple(column.name or f"column {k + 1}" for k, column in enumerate(values))
    for words in _SIDES:
        both = [[k for k, name in enumerate(names) if re.search(word, name, re.IGNORECASE)]
                for word in words]
        if all(len(found) == 1 for found in both) and both[0] != both[1]:
            places = (both[0][0], both[1][0])
            if values[places[0]].unit == values[places[1]].unit:
                return Look(names, _quantities(values), _said(values), ("left", "right"), places)
    return Look(names, _quantities(values), _said(values))


def _quantities(columns: Sequence[Column]) -> tuple[str, ...]:
    return tuple(quantity_of(column) for column in columns)


def quantity_of(column: Column) -> str:
    """What a column is by its heading; a level in volts or dBV is a response."""
    by_word = next((name for word, name in _OF_WORDS
                    if re.search(word, column.name, re.IGNORECASE)), "")
    if column.unit in ABSOLUTE and by_word in ("", "gain", "riaa deviation", "response"):
        return "response"
    return by_word or _OF_UNIT.get(column.unit, "")


def _said(columns: Sequence[Column]) -> tuple[str, ...]:
    return tuple(
        f"in {c.unit} by its heading, so taken relative to the reference" if c.unit in ABSOLUTE
        else f"in {c.unit} by its heading" if c.unit else ""
        for c in columns
    )


@tables.post("/sheet/<name>/table/look")
def looked(name: str) -> Response:
    """What the headings of a table say, before anything is done with it."""
    desk().shelf.load(name)
    with _sent() as (path, _):
        if is_table(path.read_text(encoding="utf-8-sig", errors="replace")):
            return jsonify(whole=True)
        return jsonify(whole=False, **asdict(look(path)))


@tables.post("/sheet/<name>/table")
def put_table(name: str) -> Response:
    """Put a table on the sheet that was sent with it; what comes back is for the page to keep."""
    desk().shelf.load(name)
    asked = _asked()
    with _sent() as (path, given):
        if is_table(path.read_text(encoding="utf-8-sig", errors="replace")):
            whole = from_tree(read_csv_sheet(path))
            return told(fill(asked.sheet, whole.readings, whole.channels, asked.own, asked.over))
        seen = look(path)
        entry = _entry(asked, path, seen, given, name)
        both = seen.channels if len(entry.values) == 2 else ()
        return told(fill(asked.sheet, (entry,), both, asked.own, asked.over))


@tables.post("/sheet/<name>/fill")
def put_readings(name: str) -> Response:
    """Put readings, such as those of a recording, on the sheet that was sent with them."""
    desk().shelf.load(name)
    asked = _asked()
    given = from_page(asked.more.get("given"))
    return told(fill(asked.sheet, given.readings, given.channels, asked.own, asked.over))


def told(made: Filled) -> Response:
    """A filled sheet, and what is to be said of it."""
    page = to_page(made.sheet)
    return jsonify(readings=page["readings"], channels=page["channels"], suspect=page["suspect"],
                   filled=made.filled, added=made.added, kept=made.kept)


@dataclass(frozen=True)
class _Asked:
    """What is to be done: the sheet as it is typed, whose the values are, and what is chosen."""

    sheet: Typed
    own: str
    over: bool
    more: dict[str, Any]


def _asked() -> _Asked:
    text = request.form.get("asked") or request.get_data(as_text=True)
    try:
        sent = json.loads(text)
    except ValueError:
        sent = None
    if not isinstance(sent, dict):
        raise InputError("this is not a sheet", expected="a sheet and what to put on it")
    return _Asked(from_page(sent.get("sheet")), str(sent.get("own") or ""), bool(sent.get("over")),
                  sent)


@contextmanager
def _sent() -> Iterator[tuple[Path, tuple[str, bytes]]]:
    """The table that came, as a file that passes, with its name and body."""
    file = request.files.get("file")
    if file is None or not file.filename:
        raise InputError("no file came", expected="one file")
    body = file.read()
    with passing_folder("table") as folder:
        path = folder / f"table{Path(file.filename).suffix.lower() or '.csv'}"
        path.write_bytes(body)
        yield path, (file.filename, body)


def _entry(
    asked: _Asked, path: Path, seen: Look, given: tuple[str, bytes], name: str
) -> Entry:
    """The columns that were chosen, as points where a curve stands there, else as files."""
    quantity = str(asked.more.get("quantity") or "")
    if quantity not in QUANTITIES:
        raise InputError(f"{quantity!r} is no quantity", expected="a quantity")
    stands = next((row for row in asked.sheet.readings
                   if row.quantity == quantity and row.source != "value"), None)
    conditions = stands.conditions if stands else tuple(
        (str(key), str(word)) for key, word in asked.more.get("conditions", ()))
    number = asked.more.get("column")
    places = seen.both if number is None and seen.both else (int(number or 0),)
    if (stands is None or stands.source == "file") and len(seen.columns) == 1:
        kept = desk().shelf.keep_sweep(name, *given)
        return Entry(quantity, conditions, "file", (kept,))
    sweeps = [_rows(path, quantity, seen, place, conditions) for place in places]
    if stands is not None and stands.source == "points" and max(map(len, sweeps)) <= SHORT:
        frequencies = dict.fromkeys(at for sweep in sweeps for at in sweep)
        points = tuple(Point(at, tuple(sweep.get(at, "") for sweep in sweeps))
                       for at in frequencies)
        return Entry(quantity, conditions, "points", ("",) * len(sweeps), points)
    files = []
    for place, sweep in zip(places, sweeps, strict=True):
        lines = ["frequency;value", *(f"{at};{value}" for at, value in sweep.items())]
        side = f"-{seen.columns[place]}" if len(seen.columns) > 1 else ""
        body = ("\n".join(lines) + "\n").encode()
        files.append(desk().shelf.keep_sweep(name, f"{Path(given[0]).stem}{side}.csv", body))
    return Entry(quantity, conditions, "file", tuple(files))


def _rows(
    path: Path, quantity: str, seen: Look, place: int, conditions: Pairs
) -> dict[str, str]:
    """Frequency and value of one column, units beside both."""
    word = dict(conditions).get("reference", "")
    reference = parse(word, "Hz") if word else 0.0
    column = Text(seen.columns[place], Place("")) if len(seen.columns) > 1 else None
    rows = read_sweep(path, quantity, column, reference=reference).rows
    return {at.value: value.value for at, value in rows}
