"""Answers as pandas tables, for a notebook; pandas is imported here alone, and when it is used.

Values are in the unit shown, as in the JSON documents: percent for ``%``, SI units or dB otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from circuits.errors import InputError
from circuits.quantity import render
from circuits.reading import shown
from diagnose.advice.next_reading import NextReading
from diagnose.answer.result import Result, Severity, Suspect
from diagnose.recording.measurement import Measurement
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.studies.fault_coverage import Coverage
from diagnose.studies.fault_study import Study

if TYPE_CHECKING:
    import pandas as pd


def frame_of(rows: Sequence[object]) -> pd.DataFrame:
    """A table of suspects, readings or readings to take next, a row each.

    Raises
    ------
    InputError
        For anything else, and without pandas.
    """
    if all(isinstance(row, Suspect) for row in rows):
        return _suspects(row for row in rows if isinstance(row, Suspect))
    if all(isinstance(row, Measured) for row in rows):
        return _readings(("", row) for row in rows if isinstance(row, Measured))
    if all(isinstance(row, NextReading) for row in rows):
        return _next(row for row in rows if isinstance(row, NextReading))
    kinds = ", ".join(sorted({type(row).__name__ for row in rows}))
    raise InputError(f"no table is made of {kinds}",
                     expected="suspects, readings, or readings to take next")


def result_frame(result: Result) -> pd.DataFrame:
    """The suspects of an answer."""
    return _suspects(result.suspects)


def case_frame(case: Case) -> pd.DataFrame:
    """The readings of a sheet, those of both channels where there are two."""
    if not case.channels:
        return _readings(("", m) for m in case.readings)
    return _readings((name, m) for name, read in case.channels for m in read)


def measurement_frame(made: Measurement) -> pd.DataFrame:
    """The figures that were read from a recording."""
    return _table([
        {"channel": i.channel, "figure": i.name, "bound": i.bound,
         "value": 100.0 * i.value if i.unit == "%" else i.value, "unit": i.unit}
        for i in made.items
    ] + [
        {"channel": c.channel, "figure": f"{c.name} at {render(f, 'Hz')}", "bound": bound,
         "value": 100.0 * value if c.unit == "%" else value, "unit": c.unit}
        for c in made.curves
        for f, value, bound in zip(c.frequencies, c.values, c.bounds, strict=True)
    ])


def study_frame(made: Study) -> pd.DataFrame:
    """The readings along the sizes of a fault: a row a size from slight to worst, healthy first."""
    heads = [f"{r.label()} [{r.unit}]" if r.unit else r.label() for r in made.readings]
    size = f"{made.quantity} [{made.unit}]" if made.sized else "size"
    places = [float(x) for x in made.sizes] if made.sized else [made.mode]
    rows = [("healthy", made.si(made.healthy)),
            *zip(places, made.si(made.values), strict=True)]
    table = _table([
        {size: place, **{head: shown(r, float(v))
                         for head, r, v in zip(heads, made.readings, row, strict=True)}}
        for place, row in rows
    ])
    return table.set_index(size)


def coverage_frame(made: Coverage) -> pd.DataFrame:
    """The faults of a stage, and what the readings do for each."""
    return _table([
        {"part": f.part, "mode": f.mode, "role": f.role, "weight": f.weight, "share": f.share,
         "detected": f.detected, "isolated": f.isolated,
         "from": None if f.smallest is None else f.smallest.value,
         "unit": "" if f.smallest is None else f.smallest.unit, "alike": ", ".join(f.alike)}
        for f in made.faults
    ])


def _suspects(suspects: Iterable[Suspect]) -> pd.DataFrame:
    return _table([
        {"part": s.part, "mode": s.mode, "role": s.role, "probability": s.probability,
         "group": s.group, **_size(s.severity),
         "also": f"{s.also.part} {s.also.mode}" if s.also else ""}
        for s in suspects
    ])


def _size(size: Severity | None) -> dict[str, Any]:
    if size is None:
        return {"quantity": "", "value": None, "low": None, "high": None, "unit": ""}
    return {"quantity": size.quantity, "value": size.value, "low": size.low, "high": size.high,
            "unit": size.unit}


def _readings(readings: Iterable[tuple[str, Measured]]) -> pd.DataFrame:
    return _table([
        {**({"channel": channel} if channel else {}), "reading": m.reading.label(),
         "quantity": m.reading.quantity, "at": m.reading.at or m.reading.rail,
         "frequency": m.reading.frequency or None, "bound": m.bound,
         "value": shown(m.reading, m.value), "unit": m.reading.unit}
        for channel, m in readings
    ])


def _next(proposed: Iterable[NextReading]) -> pd.DataFrame:
    return _table([
        {"reading": n.reading, "information": n.information, "effort": n.effort, "how": n.how,
         "caution": n.caution}
        for n in proposed
    ])


def _table(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    try:
        import pandas as pd
    except ImportError:
        raise InputError(
            "a table needs pandas, which is not installed",
            expected="python -m pip install 'amplifier-fault-diagnosis[notebook]'",
        ) from None
    return pd.DataFrame.from_records([dict(row) for row in rows])
