"""The table that a function generator's sweep leaves: frequency, amplitude, perhaps phase."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from circuits.errors import InputError
from circuits.quantity import render
from circuits.reading import Reading
from diagnose.recording.figures import decibels
from diagnose.recording.measurement import Item, Measurement
from diagnose.sheet.entry import Measured
from diagnose.sheet.readings import PER_DECADE, thinned
from diagnose.traces.head import Heading
from diagnose.traces.options import TraceOptions
from diagnose.traces.trace import SWEPT, Floats
from diagnose.traces.trace_file import Table

_HERTZ: Mapping[str, float] = {"hz": 1.0, "khz": 1e3, "mhz": 1e6}
"""Units of the first column in small letters, in Hz."""
_LINEAR: Mapping[str, float] = {
    "v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "volt": 1.0, "volts": 1.0, "vrms": 1.0,
    "vpp": 1.0, "mvpp": 1e-3, "kv": 1e3,
}
"""Units of an amplitude in small letters; only their ratios count, so peak to peak is as good."""
_LEVELS = ("db", "dbv", "dbm", "dbu", "")
"""Units of an amplitude that is a level already; without a word it is taken for volts."""
MIDDLE_HZ = 1000.0
"""What a response is relative to where the sweep reaches it: the usual reference of audio."""
_FREQUENCIES = (0.1, 1e8)
"""Hz between which a generator can sweep."""
_MOST_SHOWN = 40
"""Rows that are told one by one."""
LEAST_ROWS = 3
"""Rows of a sweep."""


def measure_sweep(table: Table, options: TraceOptions) -> Measurement:
    """The response, gain and phase of a sweep.

    Parameters
    ----------
    table : Table
        Whose first column is frequencies.

    Raises
    ------
    InputError
        For columns that cannot be told, or frequencies that are none.
    """
    if options.signal or options.at:
        raise InputError("this is a table against frequency, not a trace",
                         place=table.place(0), expected="no --signal and no --at")
    frequencies = _frequencies(table)
    levels, turned = _columns(table, options)
    notes = []
    items: list[Item] = []
    source, output = levels.get("in"), levels.get("out")
    if output is None:
        raise InputError("this sweep has no column of amplitudes", place=table.place(0),
                         expected="a heading with a unit, such as Amplitude (V) or Level (dB)")
    told = [decibels_of(table, output)]
    if source is not None:
        if _is_level(table, source) != _is_level(table, output):
            raise InputError("input and output are in units that cannot be compared",
                             place=table.place(0, source), expected="both in volts, or both in dB")
        told.append(decibels_of(table, source))
        gain = told[0] - told[1]
        items += _items("gain", frequencies, gain, "dB")
        notes.append("the gain is of the output column over the input column")
    elif table.head.columns[output].unit.lower() == "db" and re.search(
            r"gain", table.head.columns[output].name, re.IGNORECASE):
        items += _items("gain", frequencies, told[0], "dB")
    else:
        middle = int(np.argmin(np.abs(np.log(frequencies / MIDDLE_HZ))))
        reference = float(frequencies[middle])
        if not frequencies[0] <= MIDDLE_HZ <= frequencies[-1]:
            notes.append(f"the sweep does not reach 1 kHz: the response is relative to "
                         f"{render(reference, 'Hz')}")
        elif not np.isclose(reference, MIDDLE_HZ, rtol=1e-6):
            reference = MIDDLE_HZ
        at = float(np.interp(np.log(reference), np.log(frequencies), told[0]))
        items += _items("response", frequencies, told[0] - at, "dB", reference)
        items.append(Item(f"level at {render(reference, 'Hz')}", at, "dB"))
    if turned is not None:
        phases = (table.numbers[:, turned] + 180.0) % 360.0 - 180.0
        items += _items("phase", frequencies, phases, "deg")
    if len(frequencies) > _MOST_SHOWN:
        items = _thin(items, notes, Path(table.name).name, len(frequencies))
    span = {"from": float(frequencies[0]), "to": float(frequencies[-1])}
    about = {"file": Path(table.name).name, "channels": 1, "rate": 0.0, "bits": SWEPT,
             "seconds": 0.0, "used": span}
    return Measurement(about, "sweep", None, tuple(items), (), tuple(notes))


def _frequencies(table: Table) -> Floats:
    if len(table.numbers) < LEAST_ROWS:
        raise InputError(f"this sweep has {len(table.numbers)} rows", place=table.place(0),
                         expected=f"{LEAST_ROWS} or more")
    given = table.numbers[:, 0] * _HERTZ.get(table.head.columns[0].unit.lower(), 1.0)
    low, high = _FREQUENCIES
    bad = np.flatnonzero(~((given >= low) & (given <= high)))
    if bad.size:
        raise InputError(f"a frequency of {given[bad[0]]:g} Hz cannot be",
                         place=table.place(int(bad[0])), expected="frequencies, rising")
    back = np.flatnonzero(np.diff(given) <= 0.0)
    if back.size:
        raise InputError("the frequency does not rise here", place=table.place(int(back[0]) + 1),
                         expected="one sweep, its frequencies rising")
    rising: Floats = given
    return rising


def _columns(table: Table, options: TraceOptions) -> tuple[dict[str, int], int | None]:
    """Which columns are the amplitudes of input and output, and which is the phase."""
    columns = table.head.columns
    turned = [k for k, column in enumerate(columns) if _is_phase(column)]
    levels = [k for k in range(1, len(columns)) if k not in turned]
    found: dict[str, int] = {}
    for end, word in (("in", options.input), ("out", options.output)):
        if word:
            named = [k for k in levels if columns[k].name.lower() == word.lower()] or [
                k for k in levels if word.lower() in columns[k].name.lower()]
            if len(named) != 1:
                raise InputError(f"no single column is named {word!r}", place=table.place(0),
                                 choices=[columns[k].name for k in levels], given=word)
            found[end] = named[0]
    left = [k for k in levels if k not in found.values()]
    if "out" not in found:
        gains = [k for k in left if re.search(r"gain|\bout", columns[k].name, re.IGNORECASE)]
        rest = gains or left
        if len(rest) == 1:
            found["out"] = rest[0]
        elif len(rest) > 1 and "in" not in found and len(left) == 2:
            found["in"], found["out"] = left
    if "in" not in found:
        source = [k for k in left if k != found.get("out")
                  and re.search(r"\bin", columns[k].name, re.IGNORECASE)]
        if len(source) == 1 and not re.search(r"gain", columns[found["out"]].name, re.IGNORECASE):
            found["in"] = source[0]
    if "out" not in found and left:
        raise InputError("which column is the output cannot be told", place=table.place(0),
                         expected="--out and its heading",
                         choices=[columns[k].name or f"column {k + 1}" for k in left])
    return found, turned[0] if turned else None


def _is_phase(column: Heading) -> bool:
    return column.unit.lower() in ("deg", "°", "degrees") or "phase" in column.name.lower()


def _is_level(table: Table, column: int) -> bool:
    return table.head.columns[column].unit.lower() in _LEVELS[:-1]


def decibels_of(table: Table, column: int) -> Floats:
    """A column of amplitudes in dB, of a volt where they are voltages.

    Raises
    ------
    InputError
        For an amplitude of nothing, or a unit that is not known.
    """
    unit = table.head.columns[column].unit.lower()
    values = table.numbers[:, column]
    if unit in _LEVELS and unit:
        return values
    bad = np.flatnonzero(values <= 0.0)
    if bad.size:
        if not unit:  # levels in dB whose head does not say so
            return values
        raise InputError("an amplitude of nothing or less has no dB",
                         place=table.place(int(bad[0]), column), expected="more than zero")
    if not unit and re.search(r"level|gain|db", table.head.columns[column].name, re.IGNORECASE):
        return values
    return np.array([decibels(x * _LINEAR.get(unit, 1.0)) for x in values])


def _thin(items: list[Item], notes: list[str], name: str, rows: int) -> list[Item]:
    """Of a dense sweep as many rows as a sheet weighs; the others stay in the file."""
    taken = [item.measured for item in items if item.measured is not None]
    kept: set[str] = set()
    for quantity in dict.fromkeys(m.reading.quantity for m in taken):
        curve = [m for m in taken if m.reading.quantity == quantity]
        few, _ = thinned(curve, [m.reading.frequency for m in curve])
        kept |= {m.reading.key() for m in few}
    notes.append(
        f"of {rows} rows those are told that a sheet weighs, {PER_DECADE} a decade; limits are "
        f"judged by all of them where the sheet names the file: file: {name}")
    return [i for i in items if i.measured is None or i.measured.reading.key() in kept]


def _items(
    quantity: str, frequencies: Floats, values: Floats, unit: str, reference: float = 0.0
) -> list[Item]:
    made = []
    for frequency, value in zip(frequencies.tolist(), values.tolist(), strict=True):
        reading = Reading(quantity, frequency=float(f"{frequency:.6g}"), reference=reference)
        made.append(Item(f"{quantity} at {render(frequency, 'Hz')}", value, unit, "", "",
                         Measured(reading, value)))
    return made
