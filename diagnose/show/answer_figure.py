"""The pictures of an answer: what was measured, what healthy units show, what a suspect would give.

Curves run over a fine grid of frequencies around the points that were measured; hum is a picture
of its lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.answer.result import Severity, Suspect
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.show.curve_limits import bounds_of
from diagnose.show.curve_rows import curve_label
from diagnose.show.figure import Axis, Band, Bounds, Figure, Panel, Series
from diagnose.studies.fault_study import BAND
from faultlib.catalogue import mode_for, size_value
from faultlib.fault import Fault
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench, Variant

_CURVE_POINTS = 3
"""A quantity read at so many frequencies is a curve."""
_GRID = 41
"""Frequencies of a simulated curve besides those measured: at 640 pixels it looks smooth."""
_HUM_POINTS = 2
"""The same for hum and ripple, which have few lines."""


@dataclass(frozen=True)
class _Curve:
    """Measured points that belong to one curve, and the readings that it is drawn from.

    Attributes
    ----------
    kind : Reading
        Without a frequency.
    after : tuple of (words, points)
        What was read after each repair.
    """

    kind: Reading
    points: tuple[Measured, ...]
    other: tuple[Measured, ...]
    after: tuple[tuple[str, tuple[Measured, ...]], ...]
    readings: tuple[Reading, ...]


def answer_figure(
    case: Case, suspect: Suspect | None, bench: Bench, progress: Stepwise | None = None
) -> Figure:
    """Describe what was measured beside what healthy units and a suspect would show.

    Parameters
    ----------
    suspect : Suspect or None
        None draws no prediction.

    Raises
    ------
    NoSolution
        When the healthy stage cannot be simulated.
    """
    curves = _curves(case)
    if not curves:
        return Figure(case.name, ())
    readings = list(dict.fromkeys(r for curve in curves for r in curve.readings))
    table = signatures(case.stage, readings, [], bench, progress)
    sigma = np.sqrt((table.sensitivities**2).sum(axis=0))
    predicted = None
    if suspect is not None:
        variant = Variant(faults(case.stage, suspect))
        row = bench.values(case.stage, [variant], readings).values[0]
        predicted = row if np.isfinite(row).all() else None
    panels = []
    for curve in curves:
        places = [readings.index(r) for r in curve.readings]
        guess = None if predicted is None else predicted[places]
        panels.append(_panel(case, curve, table.healthy[places], sigma[places], guess, suspect))
    note = f"Shaded: healthy units (nominal ±{BAND:g} standard deviations of their parts)."
    return Figure(case.name, tuple(panels), note)


def faults(stage: Stage, suspect: Suspect) -> tuple[Fault, ...]:
    """The faults of a suspect at their most probable sizes."""
    faults_of = [_fault(stage, suspect.part, suspect.mode, suspect.severity)]
    if suspect.also is not None:
        also = suspect.also
        faults_of.append(_fault(stage, also.part, also.mode, also.severity))
    return tuple(faults_of)


def _fault(stage: Stage, part: str, mode: str, severity: Severity | None) -> Fault:
    """The fault whose size shows as that value, to which it is in proportion up to a shift."""
    one, two = (size_value(stage, Fault(part, mode, size)) for size in (1.0, 2.0))
    if severity is None or one is None or two is None:
        return Fault(part, mode, float(mode_for(stage, part, mode).size(np.array(1.0))))
    return Fault(part, mode, 1.0 + (severity.value - one.value) / (two.value - one.value))


def _curves(case: Case) -> list[_Curve]:
    groups: dict[Reading, list[Measured]] = {}
    for measured in case.readings:
        reading = measured.reading
        if reading.frequency and reading.about.simulated and not reading.order:
            groups.setdefault(replace(reading, frequency=0.0), []).append(measured)
    curves = []
    for kind, points in groups.items():
        hum = kind.about.kind == "mains"
        if len(points) < (_HUM_POINTS if hum else _CURVE_POINTS):
            continue
        other = _of_kind(case.reference, kind)
        after = tuple((f"after {made.part} {made.how}", read) for made in case.repaired
                      if (read := _of_kind(made.readings, kind)))
        everything = [*points, *other, *(m for _, read in after for m in read)]
        at = sorted({m.reading.frequency for m in everything})
        grid = at if hum or kind.level is not None else _grid(at)
        readings = tuple(replace(kind, frequency=f) for f in grid)
        curves.append(_Curve(kind, _of_kind(points, kind), other, after, readings))
    return curves


def _of_kind(readings: Sequence[Measured], kind: Reading) -> tuple[Measured, ...]:
    """The readings of one curve, by rising frequency."""
    same = [m for m in readings if replace(m.reading, frequency=0.0) == kind]
    return tuple(sorted(same, key=lambda m: m.reading.frequency))


def _grid(at: Sequence[float]) -> list[float]:
    """Frequencies evenly spread on a log scale over the measured ones, which are among them."""
    inner = np.geomspace(at[0], at[-1], _GRID)
    return sorted({float(f"{f:.4g}") for f in inner} | set(at))


def _panel(
    case: Case,
    curve: _Curve,
    healthy: NDArray[np.float64],
    sigma: NDArray[np.float64],
    predicted: NDArray[np.float64] | None,
    suspect: Suspect | None,
) -> Panel:
    first = curve.readings[0]
    x = tuple(r.frequency for r in curve.readings)

    def si(row: NDArray[np.float64]) -> tuple[float, ...]:
        return tuple(from_compared(r, float(v)) for r, v in zip(curve.readings, row, strict=True))

    def points(label: str, measured: Sequence[Measured]) -> Series:
        return Series(label, tuple(m.reading.frequency for m in measured),
                      tuple(m.value for m in measured), joined=False)

    lines = first.about.kind == "mains"
    suspected = f"{case.suspect}, measured" if case.suspect else "measured"
    series = [points(suspected, curve.points)]
    if predicted is not None and suspect is not None:
        series.append(Series(suspect.name, x, si(predicted), joined=not lines))
    if curve.other:
        name = next((name for name, _ in case.channels if name != case.suspect), "other channel")
        series.append(points(f"{name}, measured", curve.other))
    series += [points(words, read) for words, read in curve.after]
    limits = bounds_of(case, curve.kind)
    band = Band("healthy units", x, si(healthy - BAND * sigma), si(healthy + BAND * sigma))
    return Panel(
        _title(curve.kind, lines),
        Axis("frequency", "Hz", logarithmic=True),
        Axis(first.quantity, first.unit,
             _by_ratio(first, [*(s.y for s in series), band.low, *_levels(limits)])),
        tuple(series),
        (band,),
        limits,
    )


def _title(reading: Reading, lines: bool) -> str:
    name = curve_label(reading)
    return f"{name}, line by line" if lines else name


def _levels(limits: Sequence[Bounds]) -> list[tuple[float, ...]]:
    return [tuple(v for v in (limit.low, limit.high) if v is not None) for limit in limits]


def _by_ratio(reading: Reading, rows: Sequence[Sequence[float]]) -> bool:
    """Whether a quantity that is compared by ratio spans so much that its axis should be too."""
    values = [v for row in rows for v in row if v > 0.0 and math.isfinite(v)]
    if reading.scale not in ("log", "level") or not values:
        return False
    return max(values) / min(values) > 10.0
