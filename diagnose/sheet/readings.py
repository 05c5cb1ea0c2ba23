"""The readings of a bench sheet: single values, curves typed point by point, and sweep files."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from circuits import yamlfile
from circuits.conditions import frequency
from circuits.errors import InputError
from circuits.quantities import LEVELS, QUANTITIES
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import Mapping, Node, Text
from diagnose.sheet import entry as sheet
from diagnose.sheet.digits import half_step, with_digits
from diagnose.sheet.entry import Measured
from diagnose.sheet.sweep_file import inside, read_sweep

PER_DECADE = 8
"""Points of a sweep file that are weighed, a decade: 24 of 20 Hz to 20 kHz, a little wider apart
than thirds of an octave. A healthy curve does not bend faster."""

_Row = tuple[str, Text, Text]
"""What a row is against (``frequency``, or the word of a level), where, and the value."""


@dataclass(frozen=True)
class Taken:
    """What was read.

    Attributes
    ----------
    dense : tuple of Measured
        The further rows of dense sweeps.
    """

    weighed: tuple[Measured, ...] = ()
    dense: tuple[Measured, ...] = ()


def thinned(
    measured: Sequence[Measured], at: Sequence[float]
) -> tuple[list[Measured], list[Measured]]:
    """Of a dense curve the rows nearest to `PER_DECADE` places a decade, and the others.

    Parameters
    ----------
    at : sequence of float
        Their frequencies or levels.

    Returns
    -------
    kept, others : list of Measured
        In their order.
    """
    places: dict[int, list[int]] = {}
    for k, x in enumerate(at):
        places.setdefault(round(PER_DECADE * math.log10(x)), []).append(k)
    if len(measured) <= 1.5 * len(places):
        return list(measured), []
    kept = {
        min(members, key=lambda k: abs(PER_DECADE * math.log10(at[k]) - place))
        for place, members in places.items()
    }
    return ([m for k, m in enumerate(measured) if k in kept],
            [m for k, m in enumerate(measured) if k not in kept])


def read_readings(node: Node | None, stage: Stage, folder: Path) -> Taken:
    """The readings of a case file; an entry without a value is passed over.

    Parameters
    ----------
    folder : Path
        Where files are looked for.

    Raises
    ------
    InputError
        With the place.
    """
    if node is None:
        return Taken()
    places: dict[str, Measured] = {}
    dense: set[str] = set()
    for item in yamlfile.items(node, "readings"):
        measured, further = _entry(item, stage, folder)
        dense.update(m.reading.key() for m in further)
        for one in measured:
            first = places.setdefault(one.reading.key(), one)
            if first is not one:
                raise InputError(
                    f"{one.reading.label()} was read twice; first in "
                    f"{Path(first.place.file).name}, line {first.place.line}",
                    place=one.place,
                    expected="each reading once",
                )
    return Taken(
        tuple(m for key, m in places.items() if key not in dense),
        tuple(m for key, m in places.items() if key in dense),
    )


def _entry(node: Node, stage: Stage, folder: Path) -> tuple[list[Measured], list[Measured]]:
    """The readings of one entry, and which of them are the further rows of a dense sweep."""
    entry, name = sheet.quantity_of(node, "a reading")
    keys = ("quantity", *sheet.entry_keys(name), "value", "uncertainty", "expected", "photo")
    if name == sheet.RESISTANCE or "meter" in keys:
        keys = (*keys, "range")
    along = "frequency" in QUANTITIES[name].required
    levels = any(key in keys for key in LEVELS)
    listing = ("points", "file", "column") if along or levels else ()
    entry = yamlfile.mapping(entry, f"a {name}", (*keys, *listing))
    sources = [key for key in ("points", "file") if entry.get(key) is not None]
    if len(sources) == 2 or (sources and entry.get("value") is not None):
        raise InputError(
            "this reading has its values from two places",
            place=entry.keys[sources[-1]].place,
            expected="one of value, points and file",
        )
    listed = "points" in entry.keys or "file" in entry.keys
    by_level = listed and levels and (not along or entry.get("frequency") is not None)
    if listed:
        _not_beside(entry, by_level)
    reading = sheet.conditions(entry, name, stage, ("frequency",) if listed else ())
    uncertainty = entry.get("uncertainty")

    # of a voltmeter the range only tells its resistance
    top = entry.get("range") if name == sheet.RESISTANCE else None
    most = yamlfile.number(top, "the range", "ohm") if top is not None else sheet.OPEN
    if top is not None and most <= 0.0:
        raise InputError(f"a range of {render(most, 'ohm')} shows nothing", place=top.place,
                         expected="range: 20 Mohm")

    def measured(which: Reading, written: Text) -> Measured:
        value, bound = sheet.value_of(written, which, stage)
        if name == sheet.RESISTANCE and sheet.is_open(written):
            value = most
        elif top is not None and value > most:
            raise InputError(
                "this is more than the meter's range", place=written.place,
                expected=f"up to {render(most, 'ohm')}, or OL",
            )
        return Measured(
            reading=which,
            value=value,
            uncertainty=sheet.uncertainty_of(
                yamlfile.scalar(uncertainty, "an uncertainty"), which, value
            ) if uncertainty is not None else None,
            bound=bound,
            place=written.place,
        )

    if not sources:
        value = entry.get("value")
        if not value:
            return [], []
        written = yamlfile.scalar(value, "a value")
        one = measured(reading, written)
        return [with_digits(one, half_step(written, reading, stage))], []
    if sources == ["points"]:
        rows = _points(entry, by_level)
    else:
        rows = _file(entry, folder, by_level, reading)
    all_rows = [measured(*_at(reading, axis, at, written, stage)) for axis, at, written in rows]
    # one meter wrote all rows, and drops noughts at the end: the finest row tells its digits
    steps = [half_step(written, reading, stage) for _, _, written in rows]
    finest = min((step for step in steps if step), default=0.0)
    all_rows = [with_digits(one, finest) for one in all_rows]
    if sources == ["points"]:
        return all_rows, []
    where = [m.reading.level[1] if by_level and m.reading.level else m.reading.frequency
             for m in all_rows]
    return all_rows, thinned(all_rows, where)[1]


def _not_beside(entry: Mapping, by_level: bool) -> None:
    """Refuse a condition that the rows state themselves."""
    for key in LEVELS if by_level else ("frequency",):
        if entry.get(key) is not None:
            what = "a level" if by_level else "a frequency"
            raise InputError(
                f"{what} cannot stand beside points or a file",
                place=entry.keys[key].place,
                expected="levels in the points only" if by_level
                else "frequencies in the points only",
            )


def _at(
    reading: Reading, axis: str, at: Text, written: Text, stage: Stage
) -> tuple[Reading, Text]:
    """The reading of one row."""
    if axis == "frequency":
        placed = replace(reading, frequency=frequency(at))
        sheet.in_reach(placed, at)
        return placed, written
    return replace(reading, level=sheet.level(axis, at, reading, stage)), written


def points_of(entry: Mapping, stage: Stage) -> list[tuple[Reading, str]]:
    """Reading and value of each point of an entry, in their order; empty where none was read yet.

    Raises
    ------
    InputError
        With the place, for an entry that is none, or a point that says neither frequency nor level.
    """
    entry, name = sheet.quantity_of(entry, "a reading")
    along = "frequency" in QUANTITIES[name].required
    levels = any(key in sheet.entry_keys(name) for key in LEVELS)
    by_level = levels and (not along or entry.get("frequency") is not None)
    reading = sheet.conditions(entry, name, stage, ("frequency",))
    points = yamlfile.mapping(entry.entries["points"], "points")
    found = []
    for key, at in points.keys.items():
        which, _ = _at(reading, _axis(at, by_level), at, at, stage)
        node = points.get(key)
        found.append((which, node.value if isinstance(node, Text) else ""))
    return found


def _points(entry: Mapping, by_level: bool) -> list[_Row]:
    points = yamlfile.mapping(entry.entries["points"], "points")
    rows = []
    for key, at in points.keys.items():
        axis = _axis(at, by_level)
        node = points.get(key)
        if node is not None:
            rows.append((axis, at, yamlfile.scalar(node, "a value")))
        elif not by_level:
            frequency(at)
    return rows


def _axis(at: Text, by_level: bool) -> str:
    """What a point stands at: a frequency, or a kind of level."""
    if not by_level:
        return "frequency"
    if not re.search(r"[VvWwu]\s*$", at.value):
        raise InputError(
            f"{at.value} beside a frequency does not say which level it is",
            place=at.place, expected="a level with its unit, such as 1 W or 2.83 V",
        )
    return "power" if at.value.rstrip().lower().endswith("w") else "output level"


def _file(entry: Mapping, folder: Path, by_level: bool, reading: Reading) -> list[_Row]:
    node = yamlfile.scalar(entry.entries["file"], "a file")
    column = entry.get("column")
    path = inside(node, folder)
    try:
        sweep = read_sweep(
            path, reading.quantity,
            yamlfile.scalar(column, "a column") if column is not None else None,
            by_level, reading.reference,
        )
    except InputError as error:
        if error.place is None or error.place.line:
            raise
        raise InputError(
            f"{node.value!r}: {error.message}", place=node.place, expected=error.expected
        ) from None
    return [(sweep.axis, at, value) for at, value in sweep.rows]
