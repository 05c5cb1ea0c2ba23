"""Traces as files: tables of times and voltages, however head, units and commas are written."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from circuits.errors import InputError, Place
from circuits.quantity import render
from circuits.textfile import contents
from circuits.yamlfile import Text
from diagnose.sheet.cells import BLANKS, Line, decimal_commas, lines_in, separator_of
from diagnose.traces.head import SECONDS, VOLTS, Head, Heading, read_head
from diagnose.traces.trace import Floats, Trace

SUFFIXES = (".csv", ".txt", ".tsv")
"""Ends of the names of such files."""
MOST_BYTES = 40_000_000
"""Bytes of a file: four channels of half a million points."""
LEAST_POINTS = 40
"""Points of a trace; from fewer no edge and no line can be read."""
MOST_CHANNELS = 4
"""Channels that a scope has."""
_TAIL = 40
"""Lines from the end of a file that tell what its rows look like."""
_OVER = 1e30
"""What a scope writes for a point that is off the screen is beyond: SCPI has 9.9e37."""
_ROUNDED = 1e-3
"""Of the step: how far times may stray from even steps that were rounded in writing."""


@dataclass(frozen=True)
class Table:
    """The numbers of a file with their head.

    Attributes
    ----------
    head : Head
    numbers : (n, c) array
        As they are written.
    first : Line
        The first row of numbers.
    places : tuple of int
        The columns that they stand in.
    """

    name: str
    head: Head
    numbers: Floats
    lines: Sequence[Line]
    separator: str
    places: tuple[int, ...]

    def place(self, row: int, column: int = 0) -> Place:
        """Where a number stands."""
        return self.lines[row].cells(self.separator)[self.places[column]].place

    @property
    def is_sweep(self) -> bool:
        """Whether its first column is frequencies."""
        return self.head.columns[0].is_frequency


def read_table(path: Path) -> Table:
    """The numbers of a file, with what stands above them.

    Raises
    ------
    InputError
        For a file that cannot be read, or a row that is not like the others.
    """
    text = contents(path, most=MOST_BYTES)
    lines = lines_in(text, str(path))
    if not lines:
        raise InputError("this file is empty", place=Place(str(path)),
                         expected="a trace as a table")
    separator = separator_of(lines[-_TAIL:])
    commas = decimal_commas(lines[-_TAIL:], separator)
    places = _places(lines, separator, commas)
    begin = next(k for k, line in enumerate(lines) if _fits(line, separator, commas, places))
    rows = lines[begin:]
    numbers = _numbers(rows, separator, commas, places)
    beside: list[tuple[Text, ...]] = []
    if places[0] > 0:
        beside = [line.cells(separator)[: places[0]] for line in rows[:_TAIL]]
    above = [*_remarks(text, str(path)), *lines[:begin]]
    return Table(str(path), read_head(above, beside, separator, places), numbers, rows,
                 separator, places)


def _remarks(text: str, name: str) -> list[Line]:
    """Lines of the head that begin with #, which tables else pass over."""
    rows = text[:20_000].splitlines()
    return [Line(number, row, name) for number, row in enumerate(rows, start=1)
            if row.lstrip(' "').startswith("#")]


def _value(word: str, commas: bool) -> float | None:
    plain = word.strip().strip('"').strip()
    try:
        return float(plain.replace(",", ".") if commas else plain)
    except ValueError:
        return None


def _cells(line: Line, separator: str) -> list[str]:
    return line.text.split() if separator == BLANKS else line.text.split(separator)


def _places(lines: Sequence[Line], separator: str, commas: bool) -> tuple[int, ...]:
    """The columns that hold numbers in most of the last rows."""
    counted: Counter[tuple[int, ...]] = Counter()
    for line in lines[-_TAIL:]:
        cells = _cells(line, separator)
        counted[tuple(k for k, cell in enumerate(cells) if _value(cell, commas) is not None)] += 1
    places, _ = counted.most_common(1)[0]
    if not places:
        place = lines[-1].cells(separator)[0].place
        raise InputError("there are no numbers in this file", place=place,
                         expected="a row a point: time and one to four channels")
    return places


def _fits(line: Line, separator: str, commas: bool, places: Sequence[int]) -> bool:
    cells = _cells(line, separator)
    return len(cells) > places[-1] and all(
        _value(cells[p], commas) is not None for p in places)


def _numbers(
    rows: Sequence[Line], separator: str, commas: bool, places: Sequence[int]
) -> Floats:
    made = np.empty((len(rows), len(places)))
    for k, line in enumerate(rows):
        cells = _cells(line, separator)
        for c, p in enumerate(places):
            value = _value(cells[p], commas) if p < len(cells) else None
            if value is None:
                raise _no_number(line, separator, places, p)
            made[k, c] = value
    odd = np.argwhere(~(np.abs(made) < _OVER))
    if odd.size:
        row, column = odd[0].tolist()
        cell = rows[row].cells(separator)[places[column]]
        raise InputError(f"{cell.value} is off the screen", place=cell.place,
                         expected="a trace that lies on the screen as a whole")
    return made


def _no_number(line: Line, separator: str, places: Sequence[int], wanted: int) -> InputError:
    cells = line.cells(separator)
    if wanted >= len(cells):
        last = cells[-1].place
        return InputError(
            f"this row ends after {len(cells)} of {places[-1] + 1} columns", place=last,
            expected="as many as the other rows have; was the file copied as a whole?")
    cell = cells[wanted]
    what = f"{cell.value!r} is no number" if cell.value else "a number is missing here"
    return InputError(what, place=cell.place,
                      expected="a number, as in the other rows")


def load_trace(table: Table) -> Trace:
    """The trace of a table.

    Raises
    ------
    InputError
        For one without times, with too few points, or with more channels than a scope has.
    """
    columns = list(table.head.columns)
    notes: list[str] = []
    count = len(table.numbers)
    if count < LEAST_POINTS:
        raise InputError(f"this trace has {count} points", place=table.place(0),
                         expected=f"{LEAST_POINTS} or more")
    along = next((k for k, column in enumerate(columns) if column.is_time), None)
    counts = next((k for k, column in enumerate(columns) if column.is_count), None)
    if along is None and counts is None and _rises(table):
        along = 0
        notes.append("the columns have no heads: the first is taken for the time in s")
    if along is not None:
        time = _time(table, along, columns[along], notes)
    else:
        time = _counted(table, counts)
    kept = [k for k in range(len(columns)) if k not in (along, counts)]
    if not 1 <= len(kept) <= MOST_CHANNELS:
        there = "no channel" if not kept else f"{len(kept)} channels"
        raise InputError(f"this trace has {there} beside the time", place=table.place(0),
                         expected=f"one to {MOST_CHANNELS}")
    if table.head.length and table.head.length != count:
        notes.append(f"the head tells of {table.head.length} points, and {count} are there")
    units, values = [], []
    bare = [columns[k].name or f"channel {n}" for n, k in enumerate(kept, start=1)
            if columns[k].unit.lower() not in VOLTS]
    if bare:
        notes.append(f"without a unit in the head, taken for volts: {', '.join(bare)}")
    for k in kept:
        unit, size = VOLTS.get(columns[k].unit.lower(), ("V", 1.0))
        units.append(unit)
        values.append(table.numbers[:, k] * size)
    names = tuple(columns[k].name or f"channel {n}" for n, k in enumerate(kept, start=1))
    if len(set(names)) < len(names):
        names = tuple(f"{name} {n}" for n, name in enumerate(names, start=1))
    return Trace(Path(table.name).name, names, time, np.array(values), tuple(units), tuple(notes))


def _rises(table: Table) -> bool:
    """Whether the first of several columns without heads rises in even steps, as times do."""
    if len(table.head.columns) < 2 or any(c.name for c in table.head.columns):
        return False
    steps = np.diff(table.numbers[:, 0])
    return bool(steps.min() >= 0.0 and steps.max() > 0.0)


def _time(table: Table, along: int, column: Heading, notes: list[str]) -> Floats:
    time: Floats = table.numbers[:, along] * SECONDS.get(column.unit.lower(), 1.0)
    steps = np.diff(time)
    back = np.flatnonzero(steps < 0.0)
    if back.size:
        raise InputError("the time goes back here", place=table.place(int(back[0]) + 1, along),
                         expected="times that rise from row to row")
    count = len(time)
    even = (time[-1] - time[0]) / (count - 1)
    if even <= 0.0:
        raise InputError("the time stands still in this trace", place=table.place(0, along),
                         expected="times that rise from row to row")
    if not steps.all() or table.head.interval:
        # times written with few digits stand still for some rows; the steps between are even
        step = table.head.interval or even
        if not math.isclose(step, even, rel_tol=0.02):
            notes.append(f"the head tells of {render(step, 's')} between points, the times of "
                         f"{render(even, 's')}: the times are used")
            step = even
        if not steps.all():
            notes.append("times stand still for some rows, as few digits were written: the points "
                         "are taken as evenly spaced")
            even_times: Floats = time[0] + step * np.arange(count)
            return even_times
    if np.abs(steps - even).max() > (1.0 - _ROUNDED) * even:
        notes.append("the points are not evenly spaced")
    return time


def _counted(table: Table, counts: int | None) -> Floats:
    step = table.head.interval
    if not step > 0.0:
        place = table.place(0, counts or 0)
        raise InputError("this trace says neither times nor how far its points lie apart",
                         place=place,
                         expected="a column headed Time (s), or a line such as "
                         "Sample Interval, 1e-6, s above the numbers")
    rows: Floats = np.arange(len(table.numbers), dtype=float)
    if counts is not None:
        rows = table.numbers[:, counts] - table.numbers[0, counts]
    return table.head.start + step * rows
