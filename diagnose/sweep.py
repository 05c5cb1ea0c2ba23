"""Sweep files: two columns, frequency and value, as analysers and spreadsheets write them."""

from __future__ import annotations

import re
from pathlib import Path

from circuits.errors import InputError
from circuits.quantity import parse
from circuits.textfile import LINE_END, contents, place_in
from circuits.yamlfile import Text

MOST_ROWS = 2000
_UNIT = re.compile(r"[\[(]\s*([^\])]+?)\s*[\])]|[\s_](k?Hz|dB|%)$", re.IGNORECASE)


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


def read_sweep(path: Path) -> list[tuple[Text, Text]]:
    """The rows of a sweep as text with places: (frequency, value).

    Columns are divided by tabs, semicolons or commas, whichever the file uses in that order of
    preference; with the first two a comma is a decimal comma. A first line of words is a header,
    and a unit in it, such as ``Frequency (kHz)``, holds for the bare numbers below it. Lines that
    are empty or begin with # are passed over.

    Raises
    ------
    InputError
        For a file that cannot be read, a row that is not two columns, or too many rows.
    """
    name = str(path)
    content = contents(path)
    lines = LINE_END.split(content)
    separator = next((mark for mark in "\t;" if mark in content), ",")
    rows: list[tuple[Text, Text]] = []
    units = ("", "")
    kept = [(count, line) for count, line in enumerate(lines, start=1) if _counts(line)]
    # a comma is a decimal comma where it divides no columns and no number has a point
    decimal = separator != "," and not any(re.search(r"[0-9]\.[0-9]", line) for _, line in kept)
    for count, line in kept:
        cells = line.split(separator)
        if len(cells) != 2:
            raise InputError(
                f"this row has {len(cells)} columns",
                place=place_in(name, line, count, 1),
                expected="two: frequency and value; with decimal commas, a semicolon between",
            )
        left, right = (cell.strip().strip('"') for cell in cells)
        if count == kept[0][0] and not re.match(r"[+-]?[0-9.]", left):
            units = (_header_unit(left), _header_unit(right))
            continue
        if decimal:
            left, right = left.replace(",", "."), right.replace(",", ".")
        if len(rows) == MOST_ROWS:
            raise InputError(
                f"this sweep has more than {MOST_ROWS} rows",
                place=place_in(name, line, count, 1),
                expected="fewer points",
            )
        at = len(cells[0]) + 2
        rows.append(
            (
                Text(_with_unit(left, units[0]), place_in(name, line, count, 1)),
                Text(_with_unit(right, units[1]), place_in(name, line, count, at)),
            )
        )
    return rows


def _counts(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _header_unit(cell: str) -> str:
    found = _UNIT.search(cell)
    return (found[1] or found[2] or "") if found else ""


def _with_unit(cell: str, unit: str) -> str:
    """A bare number with the unit of its column."""
    if not unit:
        return cell
    try:
        parse(cell, "")
    except InputError:
        return cell
    return f"{cell} {unit}"
