"""Sweep files: columns against frequency or level, as analysers and spreadsheets write them.

Leading lines of words are headings; where two of them have the columns of the data, the second is
taken for the units of the first. A unit in a heading, such as ``Frequency (kHz)`` or ``dBr``,
holds for the bare numbers below it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from circuits.errors import InputError
from circuits.quantity import parse
from circuits.yamlfile import Text
from diagnose.sheet.cells import (
    Line,
    decimal_commas,
    lines_of,
    separator_of,
    with_point,
    with_unit,
)

MOST_ROWS = 2000
"""Rows; analysers write some hundred to a thousand."""
UNITS: Mapping[str, str] = {
    **{word: word for word in ("Hz", "kHz", "MHz", "dB", "dBV", "dBu", "%", "deg", "ohm", "kohm",
                               "Mohm", "V", "mV", "uV", "W", "mW", "us", "ms")},
    "dBr": "dB", "dBc": "dB", "dBFS": "dBFS", "°": "deg", "degrees": "deg", "degree": "deg",
    "percent": "%", "Ω": "ohm", "kΩ": "kohm", "MΩ": "Mohm", "ohms": "ohm", "Vrms": "V",
    "volt": "V", "volts": "V", "watt": "W", "watts": "W", "µV": "uV",
}
"""Units as headings have them, and as values do."""
_ANY_CASE = {word.lower(): unit for word, unit in UNITS.items() if len(word) > 2}
"""The same in small letters, less those that capitals tell apart: ``mV`` and ``MV``."""
ABSOLUTE = ("dBV", "dBu", "dBFS", "V", "mV", "uV")
"""Units of a level that is not relative to anything of the sweep."""
_WORDS: Mapping[str, str] = {
    "gain": r"gain|level|magnitude|amplitude|response|db",
    "response": r"response|level|magnitude|amplitude|gain|db",
    "riaa deviation": r"deviation|riaa|error|level|db",
    "phase": r"phase|deg|°",
    "input impedance": r"impedance|ohm|Ω|\bz\b",
    "output impedance": r"impedance|ohm|Ω|\bz\b",
    "damping factor": r"damping|\bdf\b",
    "thd": r"\bthd\b(?!\s*\+)|^distortion",
    "thd+n": r"thd\s*\+\s*n|thdn",
    "crosstalk": r"crosstalk|separation",
}
"""What a heading of a quantity's column holds."""


@dataclass(frozen=True)
class Sweep:
    """One column against another.

    Attributes
    ----------
    axis : str
        ``frequency``, ``power``, ``output level`` or ``input level``.
    rows : tuple of (x, value)
        Text with places, units added from the headings; rows without a value are left out.
    """

    axis: str
    rows: tuple[tuple[Text, Text], ...]


@dataclass(frozen=True)
class Column:
    """A column by its heading and the unit in that, both empty where there is none."""

    name: str
    unit: str


def inside(node: Text, folder: Path) -> Path:
    """The path of a file that a case names, which must lie in the case's own folder.

    Raises
    ------
    InputError
        For an absolute path, a path that leads outside, or a link that does.
    """
    word = node.value.strip()
    outside = InputError(
        f"{word!r} leads out of the folder of this file",
        place=node.place,
        expected="a file beside it or below",
    )
    if word.startswith(("/", "\\")) or ".." in re.split(r"[/\\]", word) or ":" in word:
        raise outside
    path = folder / word
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            raise outside
    except (OSError, ValueError, RuntimeError):
        raise outside from None
    return path


def read_sweep(
    path: Path, quantity: str = "", column: Text | None = None, by_level: bool = False,
    reference: float = 0.0,
) -> Sweep:
    """One column of a sweep.

    Parameters
    ----------
    quantity : str
        What is looked for where there are more than two columns.
    column : Text, optional
        The heading of the column that is meant, or a part of it that no other has.
    by_level : bool
        Whether the sweep is against level at one frequency.
    reference : float
        Hz: a response in dBV, dBu or volts is made relative to its value there.

    Raises
    ------
    InputError
        For a file that cannot be read, a row without both columns, a column that cannot be told,
        or too many rows.
    """
    lines = lines_of(path)
    separator = separator_of(lines)
    decimal = decimal_commas(lines, separator)
    table = [(line, line.cells(separator)) for line in lines]
    headed = next((k for k, (_, cells) in enumerate(table) if _is_data(cells[0])), len(table))
    heads = [len(cells) for _, cells in table[:headed] if len(cells) > 1]
    wide = heads[-1] if heads else next((len(cells) for _, cells in table), 2)
    columns = _columns([cells for _, cells in table[:headed]], wide)
    x, axis = _axis(columns, by_level, table[headed:], path)
    y = _value_column(columns, x, quantity, column, table, headed)
    if len(table) - headed > MOST_ROWS:
        place = table[headed + MOST_ROWS][1][0].place
        raise InputError(f"this sweep has more than {MOST_ROWS} rows", place=place,
                         expected="fewer points")
    rows = []
    for line, cells in table[headed:]:
        if not max(2, x + 1) <= len(cells) <= wide:
            raise _uneven(line, len(cells), wide)
        if y >= len(cells) or not cells[y].value:
            continue  # nothing was read here
        left, right = (with_point(c) if decimal else c for c in (cells[x], cells[y]))
        rows.append((with_unit(left, columns[x].unit), with_unit(right, columns[y].unit)))
    if columns[y].unit in ABSOLUTE and quantity == "response":
        rows = _relative(rows, columns[y].unit, reference)
    return Sweep(axis, tuple(rows))


def columns_of(path: Path) -> tuple[tuple[Column, ...], int, int]:
    """What the headings of a sweep against frequency say.

    Returns
    -------
    columns : tuple of Column
    frequency : int
        Which of them is the frequency.
    rows : int
        Rows below the headings.

    Raises
    ------
    InputError
        For a file that cannot be read.
    """
    lines = lines_of(path)
    separator = separator_of(lines)
    table = [line.cells(separator) for line in lines]
    headed = next((k for k, cells in enumerate(table) if _is_data(cells[0])), len(table))
    heads = [len(cells) for cells in table[:headed] if len(cells) > 1]
    wide = heads[-1] if heads else next((len(cells) for cells in table), 2)
    columns = _columns(table[:headed], wide)
    return tuple(columns), frequency_of(columns), len(table) - headed


def frequency_of(columns: Sequence[Column]) -> int:
    """Which column is the frequency: the one that says so, else the first."""
    named = [k for k, c in enumerate(columns)
             if c.unit in ("Hz", "kHz", "MHz") or re.match(r"f$|freq", c.name, re.IGNORECASE)]
    return named[0] if named else 0


def _is_data(cell: Text) -> bool:
    return re.match(r"[+-]?[0-9.]", cell.value) is not None


def _uneven(line: Line, count: int, wide: int) -> InputError:
    columns = "column" if count == 1 else "columns"
    wanted = "two: frequency and value; with decimal commas, a semicolon between"
    return InputError(
        f"this row has {count} {columns}", place=line.cells("\x00")[0].place,
        expected=wanted if wide == 2 or count < 2 else f"{wide}, as the other rows have",
    )


def _columns(heads: Sequence[Sequence[Text]], wide: int) -> list[Column]:
    """Names and units of the columns, from the leading lines that have as many of them."""
    fitting = [row for row in heads if len(row) == wide][-2:]
    if len(fitting) == 2 and not all(_unit(c.value) or not c.value for c in fitting[1]):
        fitting = fitting[1:]  # a title, not the names of these units
    names = [" ".join(row[k].value for row in fitting if row[k].value) for k in range(wide)]
    return [Column(name, _unit(name)) for name in names]


def _unit(heading: str) -> str:
    """The unit in a heading, the last word that is one."""
    for word in reversed(re.split(r"[\s_,;:/()\[\]]+", heading)):
        unit = UNITS.get(word) or _ANY_CASE.get(word.lower(), "")
        if unit or word.lower() in ("hz", "db"):
            return unit or {"hz": "Hz", "db": "dB"}[word.lower()]
    return ""


def _axis(
    columns: Sequence[Column], by_level: bool, rows: Sequence[tuple[Line, Sequence[Text]]],
    path: Path,
) -> tuple[int, str]:
    """Which column is the independent one, and what it is."""
    if not by_level:
        return frequency_of(columns), "frequency"
    for k, found in enumerate(columns):
        name = found.name.lower()
        if found.unit in ("W", "mW") or "power" in name:
            return k, "power"
        if found.unit in ("V", "mV", "dBV", "dBu"):
            return k, "input level" if re.search(r"\bin", name) else "output level"
    first = rows[0][1][0] if rows else Text("", lines_of(path)[0].cells(",")[0].place)
    if re.search(r"[0-9]\s?m?W$", first.value):
        return 0, "power"
    raise InputError(
        "this sweep does not say what it is against", place=first.place,
        expected="a heading with a unit, such as Power (W) or Output (V); or no frequency beside "
        "the file",
    )


def _value_column(
    columns: Sequence[Column], x: int, quantity: str, column: Text | None,
    table: Sequence[tuple[Line, Sequence[Text]]], headed: int,
) -> int:
    others = [k for k in range(len(columns)) if k != x]
    names = [columns[k].name or f"column {k + 1}" for k in others]
    if column is not None:
        word = column.value.strip().lower()
        named = [k for k, name in zip(others, names, strict=True) if name.lower() == word]
        named = named or [k for k, name in zip(others, names, strict=True) if word in name.lower()]
        if len(named) != 1:
            raise InputError(
                f"no single column is named {column.value!r}", place=column.place,
                expected="the heading of a column", choices=names, given=column.value,
            )
        return named[0]
    if quantity == "thd" and len(others) == 1 and re.search(_WORDS["thd+n"], names[0].lower()):
        raise InputError(f"{names[0]!r} is not the thd alone", place=table[headed - 1][1][0].place,
                         expected="quantity: thd+n, or a column of the harmonics alone")
    if len(others) == 1:
        return others[0]
    # a column that bears the quantity's own name is meant, whatever the others hold
    own = re.compile(rf"{re.escape(quantity)}\b(?!\s*\+)", re.IGNORECASE)
    bearing = [k for k in others if quantity and own.match(columns[k].name)]
    if len(bearing) == 1:
        return bearing[0]
    pattern = _WORDS.get(quantity, re.escape(quantity))
    fitting = [k for k in others if re.search(pattern, columns[k].name, re.IGNORECASE)]
    if len(fitting) == 1:
        return fitting[0]
    line, _ = table[max(headed - 1, 0)]
    raise InputError(
        f"this row has {len(columns)} columns, and which one is the {quantity or 'value'} cannot "
        "be told", place=line.cells("\x00")[0].place,
        expected="two: frequency and value; or column: and the heading of one beside the file",
        choices=names, given=quantity,
    )


def _relative(
    rows: Sequence[tuple[Text, Text]], unit: str, reference: float
) -> list[tuple[Text, Text]]:
    """An absolute level as dB relative to the reference, straight between points in log f."""
    plain = unit in ("dBV", "dBu", "dBFS")
    points = []
    for at, written in rows:
        try:
            frequency = parse(at.value, "Hz")
            value = written.value.removesuffix(unit).strip() if plain else written.value
            level = parse(value, "dB") if plain else 20.0 * math.log10(parse(value, "V"))
        except InputError as error:
            raise error.at(written.place) from None
        except ValueError:
            raise InputError("a level of nothing or less has no dB", place=written.place,
                             expected="more than zero") from None
        points.append((math.log(max(frequency, 1e-9)), level))
    ordered = sorted(points)
    want = math.log(max(reference, 1e-9))
    if not ordered or not ordered[0][0] - 1e-9 <= want <= ordered[-1][0] + 1e-9:
        raise InputError(
            f"this sweep in {unit} does not reach the reference frequency",
            place=rows[0][0].place if rows else None,
            expected="a sweep over the reference, or levels in dB relative to it",
        )
    above = next(k for k, (f, _) in enumerate(ordered) if f >= want - 1e-9)
    below = max(above - 1, 0)
    (f1, v1), (f2, v2) = ordered[below], ordered[above]
    middle = v2 if f2 == f1 else v1 + (v2 - v1) * (want - f1) / (f2 - f1)
    return [
        (at, Text(f"{level - middle:.6g} dB", written.place))
        for (at, written), (_, level) in zip(rows, points, strict=True)
    ]
