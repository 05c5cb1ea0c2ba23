"""The pictures of an answer: what was measured, what good units show, what a suspect would give.

One plot a quantity (`diagnose.show.answer_curves`), with both channels, published limits, the band
in which nine of ten good units lie, what was read after a repair, and the first suspect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from circuits.errors import NoSolution
from circuits.quantities import CROSSTALK
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.answer.result import Severity, Suspect
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.show.answer_curves import Curve, curves_of
from diagnose.show.curve_limits import bounds_of
from diagnose.show.figure import Axis, Band, Bounds, Figure, Panel, Series
from diagnose.show.recording_figure import attached, attached_panels
from diagnose.show.spectrum_bands import hum_of
from faultlib.catalogue import mode_for, size_value
from faultlib.fault import Fault
from faultlib.good_unit import NINE_OF_TEN
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench, Variant

GOOD = "good units"
"""What the band of a plot is called; nine in ten lie in it, as the note says."""
NOTE = "Shaded: where nine in ten good units lie, by the tolerances of their parts."
_DENSE = 40
"""Measured points from which on a line joins them: their marks would touch."""
_FAR_APART = 10.0
"""Ratio of the greatest value to the least from which on an axis is by ratio."""


@dataclass(frozen=True)
class _Drawn:
    """What is drawn of simulated units at each reading, compared scale; none where not simulated.

    Attributes
    ----------
    healthy, open_ : dict of Reading to float
        The nominal unit, and to either side of it how far nine in ten good ones stray.
    predicted : dict of Reading to float
        A unit with the suspect's fault.
    """

    healthy: dict[Reading, float] = field(default_factory=dict)
    open_: dict[Reading, float] = field(default_factory=dict)
    predicted: dict[Reading, float] = field(default_factory=dict)


def measured_figure(case: Case) -> Figure:
    """What was measured and the limits alone, without a simulation."""
    panels = [_panel(case, curve, _Drawn(), None) for curve in curves_of(case)]
    heard, notes = attached(case)
    return Figure(case.name, (*panels, *attached_panels(case, heard)), " ".join(notes))


def answer_figure(
    case: Case, suspect: Suspect | None, bench: Bench, progress: Stepwise | None = None,
    driven: bool = True,
) -> Figure:
    """Describe what was measured beside what healthy units and a suspect would show.

    Parameters
    ----------
    suspect : Suspect or None
        None draws no prediction.
    driven : bool
        Whether good units are simulated under drive too, which takes minutes unless the sheet has
        been ranked.
    """
    curves = curves_of(case)
    wanted = list(dict.fromkeys(r for curve in curves for r in curve.readings
                                if driven or not r.driven))
    heard, told = attached(case)
    lines = dict.fromkeys(r for one in heard for r in hum_of(one.made))
    drawn = _Drawn()
    lost = []
    # crosstalk is of two units beside each other, which all else would be simulated with as well
    for both in (False, True):
        some = [r for r in wanted if (r.quantity == CROSSTALK) == both]
        some += [] if both else [r for r in lines if r not in wanted]
        if some:
            lost += _simulate(case, some, suspect, bench, progress, drawn)
    panels = [_panel(case, curve, drawn, suspect) for curve in curves]
    spectra = attached_panels(case, heard, _good(drawn), GOOD)
    notes = [NOTE] if drawn.healthy else []
    left = not driven and any(r.driven for curve in curves for r in curve.readings)
    notes += ["Good units under drive are not drawn yet."] if left else []
    return Figure(case.name, (*panels, *spectra), " ".join([*notes, *lost, *told]))


def takes_long(case: Case) -> bool:
    """Whether some good units of the plots take minutes: under drive, or of several stages."""
    curves = curves_of(case)
    if case.stage.chain is not None:
        return bool(curves)
    return any(r.driven for curve in curves for r in curve.readings)


def _good(drawn: _Drawn) -> dict[Reading, tuple[float, float]]:
    """Between which values nine in ten good units read, SI."""
    return {r: (from_compared(r, value - drawn.open_[r]), from_compared(r, value + drawn.open_[r]))
            for r, value in drawn.healthy.items()}


def _simulate(
    case: Case, readings: list[Reading], suspect: Suspect | None, bench: Bench,
    progress: Stepwise | None, drawn: _Drawn,
) -> list[str]:
    """Put simulated units into what is drawn; gives what is missing, in words."""
    try:
        table = signatures(case.stage, readings, [], bench, progress)
    except NoSolution as error:
        return [f"Good units are not drawn: {error}."]
    sigma = NINE_OF_TEN * np.sqrt((table.sensitivities**2).sum(axis=0))
    drawn.healthy.update(zip(readings, table.healthy.tolist(), strict=True))
    drawn.open_.update(zip(readings, sigma.tolist(), strict=True))
    if suspect is not None:
        variant = Variant(faults(case.stage, suspect))
        row = bench.values(case.stage, [variant], readings).values[0]
        if np.isfinite(row).all():
            drawn.predicted.update(zip(readings, row.tolist(), strict=True))
    return []


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


def _panel(case: Case, curve: Curve, drawn: _Drawn, suspect: Suspect | None) -> Panel:
    kind, along = curve.kind, curve.along

    def simulated(values: dict[Reading, float], times: float = 0.0) -> tuple[list[float], Row]:
        """Places and values, moved by so many times what good units stray."""
        known = [r for r in curve.readings if r in values]
        return [along.place(r) for r in known], tuple(
            from_compared(r, values[r] + times * drawn.open_.get(r, 0.0)) for r in known)

    series = [_points(curve, _measured(kind, case.suspect), curve.points)] if curve.points else []
    at, row = simulated(drawn.predicted)
    if suspect is not None and at:
        series.append(Series(suspect.name, tuple(at), row, joined=not curve.in_lines))
    if curve.other:
        name = next((name for name, _ in case.channels if name != case.suspect), "other channel")
        series.append(_points(curve, _measured(kind, name), curve.other))
    series += [_points(curve, words, read) for words, read in curve.after]
    read = [along.place(m.reading) for m in (*curve.points, *curve.other)]
    limits = bounds_of(case, kind, along, read)
    at, low = simulated(drawn.healthy, -1.0)
    bands = (Band(GOOD, tuple(at), low, simulated(drawn.healthy, 1.0)[1],
                  curve.in_lines),) if at else ()
    rows = [*(s.y for s in series), *(b.low for b in bands), *_levels(limits)]
    return Panel(curve.title, along.axis,
                 Axis(kind.quantity, kind.unit, _by_ratio(kind, rows)),
                 tuple(series), bands, limits)


Row = tuple[float, ...]


def _measured(kind: Reading, channel: str) -> str:
    """What the points of a channel are called; crosstalk is told by the channel that listens."""
    into = "into " if kind.quantity == CROSSTALK else ""
    return f"{into}{channel}, measured" if channel else "measured"


def _points(curve: Curve, label: str, measured: Sequence[Measured]) -> Series:
    bounds = tuple(m.bound for m in measured)
    return Series(label, tuple(curve.along.place(m.reading) for m in measured),
                  tuple(m.value for m in measured), joined=len(measured) > _DENSE,
                  bounds=bounds if any(bounds) else ())


def _levels(limits: Sequence[Bounds]) -> list[Row]:
    return [tuple(v for v in (limit.low, limit.high) if v is not None) for limit in limits]


def _by_ratio(reading: Reading, rows: Sequence[Sequence[float]]) -> bool:
    """Whether a quantity that is compared by ratio spans so much that its axis should be too."""
    values = [v for row in rows for v in row if v > 0.0 and math.isfinite(v)]
    if reading.scale not in ("log", "level") or not values:
        return False
    return max(values) / min(values) > _FAR_APART
