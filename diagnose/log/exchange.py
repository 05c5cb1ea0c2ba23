"""A log as JSON lines or as a table: handed to another shop, or taken over from one.

A line of JSON is one entry. The table has a column a key, with lists as JSON in their cells, so
that it comes back as it was; a spreadsheet shows the rest. Times in service are lines of their own
kind, in JSON only.
"""

from __future__ import annotations

import csv
import io
import json
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NoReturn

from circuits.errors import InputError, Place
from circuits.leftovers import PART
from diagnose.log.entry import KEYS, Entry, plain, read_entry, without_serial
from diagnose.log.service import Service, read_service, service_plain

LINES, TABLE = ".jsonl", ".csv"
FORMATS = (LINES, TABLE)
_LISTS = ("faults", "parts", "seen", "suspects")
_WRITTEN = (*_LISTS, "revision", "struck", "age", "minutes", "followed")
"""Columns whose cells are JSON."""
_MOST_LINE = 2_000_000
"""Signs of one line: an entry of the most readings has a fifth of that."""
_MOST_BYTES = 500_000_000
"""A log of ten thousand jobs has fifty million bytes."""


def export(path: Path, entries: Sequence[Entry], services: Sequence[Service] = (),
           serials: bool = True) -> int:
    """Write a log for another shop, whole or not at all; how many entries it holds.

    Parameters
    ----------
    path : Path
        Ending in one of `FORMATS`; a file that exists is left alone.
    serials : bool
        Serial numbers and the names of cases as well.

    Raises
    ------
    InputError
        For another ending, or a file that cannot be written.
    """
    form = path.suffix.lower()
    if form not in FORMATS:
        raise InputError(f"a log cannot be written as {path.name!r}",
                         expected="a file name that ends in " + " or ".join(FORMATS))
    given = [entry if serials else without_serial(entry) for entry in entries]
    text = _lines(given, services) if form == LINES else _table(given)
    trial = path.with_name(f"{PART}{path.name}")
    try:
        with trial.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.link(trial, path)
    except FileExistsError:
        raise InputError(f"{path} exists already", expected="a new file") from None
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected="a folder that exists, with room") from None
    finally:
        trial.unlink(missing_ok=True)
    return len(given)


def read_log(path: Path) -> Iterator[Entry | Service]:
    """The entries of a file that `export` wrote, here or in another shop.

    Raises
    ------
    InputError
        With the line, for whatever is no entry.
    """
    name = str(path)
    form = path.suffix.lower()
    if form not in FORMATS:
        raise InputError(f"{path.name!r} is no log that was handed on",
                         expected="a file name that ends in " + " or ".join(FORMATS))
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise InputError("this is not a regular file", place=Place(name))
        if status.st_size > _MOST_BYTES:
            raise InputError("this file is longer than 500 MB", place=Place(name))
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield from _read_lines(file, name) if form == LINES else _read_table(file, name)
    except FileNotFoundError:
        raise InputError("there is no such file", place=Place(name)) from None
    except OSError as error:
        raise InputError(f"this file cannot be read: {error.strerror}",
                         place=Place(name)) from None
    except UnicodeDecodeError:
        raise InputError("this file is not UTF-8", place=Place(name),
                         expected="a log as diagnose log export writes it") from None


def _lines(entries: Sequence[Entry], services: Sequence[Service]) -> str:
    each = [*map(plain, entries), *map(service_plain, services)]
    return "".join(json.dumps(one, ensure_ascii=False, allow_nan=False) + "\n" for one in each)


def _table(entries: Sequence[Entry]) -> str:
    paper = io.StringIO()
    sheet = csv.writer(paper, lineterminator="\r\n")  # RFC 4180
    sheet.writerow(KEYS)
    for entry in entries:
        data = plain(entry)
        sheet.writerow([json.dumps(data[key], ensure_ascii=False, allow_nan=False)
                        if key in _WRITTEN else data[key] for key in KEYS])
    return paper.getvalue()


def _read_lines(file: io.TextIOBase | Any, name: str) -> Iterator[Entry | Service]:
    number = 0
    while line := file.readline(_MOST_LINE + 1):
        number += 1
        place = Place(name, number, 1)
        if len(line) > _MOST_LINE:
            raise InputError("this line is no entry of a log: it has no end", place=place)
        if not line.strip():
            continue
        data = _json(line, place)
        try:
            kind = data.get("entry") if isinstance(data, dict) else None
            if kind not in ("case", "service"):
                raise InputError(f"{str(kind)[:60]!r} is no entry of a log",
                                 expected="entry: case, or entry: service")
            yield read_entry(data) if kind == "case" else read_service(data)
        except InputError as error:
            raise error.at(place) from None


def _read_table(file: io.TextIOBase | Any, name: str) -> Iterator[Entry]:
    csv.field_size_limit(_MOST_LINE)
    rows = csv.reader(file, strict=True)
    try:
        heads = next(rows, [])
        if tuple(heads) != KEYS:
            odd = next((head for head in heads if head not in KEYS), "")
            raise InputError(f"the heading {odd[:60]!r} is none of a log" if odd else
                             "the headings of a log are not all here",
                             place=Place(name, 1, 1), expected=", ".join(KEYS))
        for row in rows:
            place = Place(name, rows.line_num, 1)
            if not row:
                continue
            if len(row) != len(KEYS):
                raise InputError(f"{len(row)} cells stand in this row", place=place,
                                 expected=f"{len(KEYS)}, one a heading")
            data = {key: _json(cell, place) if key in _WRITTEN else cell
                    for key, cell in zip(KEYS, row, strict=True)}
            try:
                yield read_entry(data)
            except InputError as error:
                raise error.at(place) from None
    except csv.Error as error:
        raise InputError(f"this row is none of a table: {error}",
                         place=Place(name, rows.line_num, 1)) from None


def _json(text: str, place: Place) -> Any:
    try:
        return json.loads(text, parse_constant=_no_number, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise InputError(f"this is no JSON: {str(error)[:120]}", place=place,
                         expected="a log as diagnose log export writes it") from None


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found
