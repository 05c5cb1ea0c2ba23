"""Signatures: what every fault at every size does to the readings.

Sizes start on a coarse grid over the limits of the mode and are refined where straight lines
between them would miss the curve by more than the readings can tell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from circuits.errors import NoSolution
from circuits.reading import Reading, resolution
from circuits.stage import Stage
from faultlib.catalogue import Hypothesis
from faultlib.fault import Fault
from faultlib.mode import Mode
from faultlib.monotone import interpolate
from faultlib.simulate import Bench, Problem, Variant, is_late
from faultlib.tolerance import LeftOpen, Spread, spreads
from faultlib.unsure import differences as differences
from faultlib.unsure import floating, overloaded

ROUNDS = 3
"""Times that sizes are put where the readings bend."""
MOST_SIZES = 33
"""Sizes of one fault, at most: each is a simulation of all readings."""

Stepwise = Callable[[str, int, int], None]
"""Progress: what is being done, how many variants are done, of how many."""


Missed = Callable[
    [Sequence[Spread], NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]
]
"""From what varies, a good unit's readings and their lines to rows of `Signatures.scatter`."""


@dataclass(frozen=True)
class Signature:
    """The readings of one fault along its size.

    Attributes
    ----------
    sizes : (k,) array
        In the order of the mode's limits; one entry for a mode without a size.
    values : (k, m) array
        On the compared scale.
    """

    hypothesis: Hypothesis
    sizes: NDArray[np.float64]
    values: NDArray[np.float64]

    def at(self, sizes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Readings at other sizes within the limits, by monotone cubics.

        Parameters
        ----------
        sizes : (n,) array
            In the mode's own unit.

        Returns
        -------
        (n, m) array
        """
        mode = self.hypothesis.mode
        return interpolate(mode.place(self.sizes), self.values, mode.place(sizes))


@dataclass(frozen=True)
class Signatures:
    """Everything simulated for one stage and one list of readings.

    Attributes
    ----------
    healthy : (m,) array
        On the compared scale.
    spreads : tuple of p Spread
        What varies between good units; last, what the stage file leaves open (`LeftOpen`).
    sensitivities : (p, m) array
        Change of every reading for one standard deviation of every spread of the healthy unit.
    problems : tuple of Problem
        Variants that could not be simulated.
    simulated : int
        How many variants were not in the store.
    beside : (n, m) array
        Readings of faults that were left out at some of their sizes, NaN where not simulated:
        how faults move the readings at all.
    scatter : (n, m) array or None
        What lines miss in good units; see `faultlib.ensemble`.
    """

    stage: Stage
    readings: tuple[Reading, ...]
    healthy: NDArray[np.float64]
    spreads: tuple[Spread, ...]
    sensitivities: NDArray[np.float64]
    faults: tuple[Signature, ...]
    problems: tuple[Problem, ...]
    simulated: int
    beside: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    scatter: NDArray[np.float64] | None = None

    @property
    def strays(self) -> NDArray[np.float64]:
        """All by which good units differ, rows (n, m) whose squares add up to a covariance."""
        return _over(self.sensitivities, self.scatter)

    @property
    def varying(self) -> tuple[Spread, ...]:
        """The spreads that are simulated anew at every unit, the first ones."""
        return _varying(self.spreads)

    @property
    def carried(self) -> NDArray[np.float64]:
        """What is taken over from the healthy unit: what the file leaves open, and the scatter."""
        return _over(self.sensitivities[len(self.varying) :], self.scatter)

    def some(self, which: Sequence[int]) -> Signatures:
        """The signatures of some of the readings, in the order asked for."""
        kept = list(which)
        return replace(
            self,
            readings=tuple(self.readings[k] for k in kept),
            healthy=self.healthy[kept],
            sensitivities=self.sensitivities[:, kept],
            faults=tuple(replace(s, values=s.values[:, kept]) for s in self.faults),
            beside=self.beside[:, kept] if len(self.beside) else self.beside,
            scatter=None if self.scatter is None else self.scatter[:, kept],
        )

    def lines(
        self,
        units: Sequence[Variant],
        bench: Bench,
        progress: Stepwise | None = None,
        whole: bool = False,
        gentler: bool = False,
    ) -> list[tuple[NDArray[np.float64], NDArray[np.float64]] | None]:
        """`sensitivities_at` particular units, with what is carried over below.

        Parameters
        ----------
        units : sequence of Variant
        bench : Bench
        progress : callable, optional
        whole : bool
            Whether what the stage file leaves open is simulated at each unit as well, and only
            the scatter carried over.
        gentler : bool
            Whether every spread is moved either way, and the way that moves readings less counts:
            the other may have crossed an edge, on whose far side the unit is not.
        """
        around = self.spreads if whole else self.varying
        lines = sensitivities_at(self.stage, self.readings, units, around, bench, progress)
        if gentler:
            down = sensitivities_at(
                self.stage, self.readings, units, around, bench, progress, step=-1.0
            )
            lines = [_gentler(a, b) for a, b in zip(lines, down, strict=True)]
        carried = self.scatter if whole else self.carried
        shown = [None if one is None else one[0] for one in lines]
        loose = floating(self.stage, self.readings, units, shown, bench)
        told: list[tuple[NDArray[np.float64], NDArray[np.float64]] | None] = []
        for unit, one, rows in zip(units, lines, loose, strict=True):
            if one is None:
                told.append(None)
                continue
            own = [_over(one[1], carried), rows]
            if unit.faults:
                own.append(overloaded(self.readings, one[0], around, one[1]))
            told.append((one[0], np.vstack(own)))
        return told


def signatures(
    stage: Stage,
    readings: Sequence[Reading],
    hypotheses: Sequence[Hypothesis],
    bench: Bench,
    progress: Stepwise | None = None,
    around: Sequence[Spread] | None = None,
    missed: Missed | None = None,
) -> Signatures:
    """Simulate the healthy unit, its sensitivities, and every hypothesis along its size.

    Parameters
    ----------
    around : sequence of Spread, optional
        What varies between good units; by default everything that `tolerance.spreads` finds.
    missed : callable, optional
        What straight lines miss in good units, once they are known; see `faultlib.ensemble`.

    Raises
    ------
    NoSolution
        When the healthy unit itself cannot be simulated: then the stage file is at fault. Also
        when time is over before its sensitivities are known.
    """
    everything = spreads(stage) if around is None else _ordered(around)
    grids = [h.mode.grid(h.mode.first) for h in hypotheses]
    # one unit is no progress: a bar of one would be full at once
    answer = bench.values(stage, [Variant()], readings)
    healthy = answer.values[0]
    if np.isnan(healthy).any():
        # before anything else: with a healthy unit that hangs, every fault would hang as well
        text = next((p.text for p in answer.problems if p.variant == Variant().label()), "no value")
        raise NoSolution(f"the healthy stage {stage.name} could not be simulated: {text}")
    problems, simulated = list(answer.problems), answer.simulated
    variants = [Variant((), ((s, 1.0),)) for s in everything]
    for hypothesis, grid in zip(hypotheses, grids, strict=True):
        variants += [_variant(hypothesis, size) for size in grid]
    step = named(progress, "faults at their sizes")
    answer = bench.values(stage, variants, readings, step)
    if is_late(answer) and np.isnan(answer.values[: len(everything)]).any():
        raise NoSolution(f"time was over before it was known how good units of stage {stage.name} "
                         "differ")
    sensitivities = differences(answer.values[: len(everything)], healthy, readings)
    scatter = None if missed is None else missed(everything, healthy, sensitivities)
    strays = _over(sensitivities, scatter)
    scale = np.sqrt((strays**2).sum(axis=0) + _resolution(readings) ** 2)
    rows = answer.values[len(everything) :]
    problems += answer.problems
    simulated += answer.simulated
    curves: list[dict[float, NDArray[np.float64]]] = []
    start = 0
    for grid in grids:
        curve_rows = rows[start : start + len(grid)]
        start += len(grid)
        curves.append({s: v for s, v in zip(map(float, grid), curve_rows, strict=True)
                       if not np.isnan(v).any()})
    for _ in range(ROUNDS):
        wanted = [
            (i, size)
            for i, (hypothesis, curve) in enumerate(zip(hypotheses, curves, strict=True))
            for size in _bends(hypothesis, curve, scale)
        ]
        if not wanted:
            break
        more = [_variant(hypotheses[i], size) for i, size in wanted]
        answer = bench.values(stage, more, readings, named(progress, "finer sizes"))
        problems += answer.problems
        simulated += answer.simulated
        for (i, size), row in zip(wanted, answer.values, strict=True):
            if not np.isnan(row).any():
                curves[i][size] = row
    faults = tuple(
        _signature(hypothesis, curve, healthy, readings)
        for hypothesis, curve in zip(hypotheses, curves, strict=True)
        if curve
    )
    return Signatures(stage, tuple(readings), healthy, everything, sensitivities, faults,
                      tuple(dict.fromkeys(problems)), simulated, scatter=scatter)


def sensitivities_at(
    stage: Stage,
    readings: Sequence[Reading],
    units: Sequence[Variant],
    around: Sequence[Spread],
    bench: Bench,
    progress: Stepwise | None = None,
    step: float = 1.0,
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]] | None]:
    """Readings and sensitivities of particular units, at the operating points they really have.

    Parameters
    ----------
    units : sequence of Variant
        Faulty or not, with good parts moved or not.
    around : sequence of p Spread
    step : float
        Standard deviations that each is moved by.

    Returns
    -------
    list of ((m,) array, (p, m) array) or None
        Readings and their change for one standard deviation more of every spread; None for a
        unit that could not be simulated.
    """
    block = len(around) + 1
    variants = [
        variant
        for unit in units
        for variant in (
            unit,
            *(Variant(unit.faults, (*unit.deviations, (s, step))) for s in around),
        )
    ]
    answer = bench.values(stage, variants, readings, named(progress, "tolerances of suspects"))
    lines: list[tuple[NDArray[np.float64], NDArray[np.float64]] | None] = []
    for k in range(len(units)):
        rows = answer.values[k * block : (k + 1) * block]
        # a good part that came too late would count as one that moves nothing
        if np.isnan(rows[0]).any() or (is_late(answer) and np.isnan(rows).any()):
            lines.append(None)
        else:
            lines.append((rows[0], differences(rows[1:], rows[0], readings) / step))
    return lines


def _gentler(
    up: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
    down: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Of the lines of a unit by steps up and down, spread by spread those that move less."""
    if up is None or down is None:
        return up or down
    less = np.abs(up[1]).sum(axis=1) <= np.abs(down[1]).sum(axis=1)
    return up[0], np.where(less[:, None], up[1], down[1])


def _over(
    lines: NDArray[np.float64], scatter: NDArray[np.float64] | None
) -> NDArray[np.float64]:
    return lines if scatter is None else np.vstack([lines, scatter])


def _varying(around: Sequence[Spread]) -> tuple[Spread, ...]:
    return tuple(s for s in around if not isinstance(s, LeftOpen))


def _ordered(around: Sequence[Spread]) -> tuple[Spread, ...]:
    return (*_varying(around), *(s for s in around if isinstance(s, LeftOpen)))


def named(progress: Stepwise | None, what: str) -> Callable[[int, int], None] | None:
    """A bench's progress told under a name."""
    if progress is None:
        return None
    shown = progress
    return lambda done, total: shown(what, done, total)


def _variant(hypothesis: Hypothesis, size: float) -> Variant:
    return Variant((Fault(hypothesis.part, hypothesis.mode.name, float(size)),))


def _resolution(readings: Sequence[Reading]) -> NDArray[np.float64]:
    return np.array([resolution(r) for r in readings])


def _bends(
    hypothesis: Hypothesis, curve: dict[float, NDArray[np.float64]], scale: NDArray[np.float64]
) -> list[float]:
    """Sizes halfway between neighbours where a straight line may miss the curve.

    Judged at every inner point: how far it lies from the line between its neighbours, in units
    of what the readings can tell.
    """
    mode = hypothesis.mode
    if len(curve) < 3 or len(curve) >= MOST_SIZES:
        return []
    sizes, place = _sorted(mode, curve)
    values = np.array([curve[float(s)] for s in sizes])
    wanted: set[float] = set()
    for k in range(1, len(sizes) - 1):
        share = (place[k] - place[k - 1]) / (place[k + 1] - place[k - 1])
        line = values[k - 1] + share * (values[k + 1] - values[k - 1])
        if float(np.max(np.abs(values[k] - line) / scale)) > 0.8:
            wanted.add(float((place[k - 1] + place[k]) / 2.0))
            wanted.add(float((place[k] + place[k + 1]) / 2.0))
    room = MOST_SIZES - len(curve)
    return [float(s) for s in mode.size(np.array(sorted(wanted)))][:room]


def _sorted(
    mode: Mode, curve: dict[float, NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The sizes of a curve by rising place, and those places."""
    sizes = np.array(list(curve))
    place = mode.place(sizes)
    order = np.argsort(place)
    return sizes[order], place[order]


def _signature(
    hypothesis: Hypothesis,
    curve: dict[float, NDArray[np.float64]],
    healthy: NDArray[np.float64],
    readings: Sequence[Reading],
) -> Signature:
    sizes, _ = _sorted(hypothesis.mode, curve)
    values = np.array([curve[float(s)] for s in sizes])
    angles = [k for k, r in enumerate(readings) if r.unit == "deg"]
    if angles:
        # continuous along the size, starting from the healthy unit's own phase
        track = np.vstack([healthy[angles], values[:, angles]])
        values[:, angles] = np.unwrap(track, axis=0, period=360.0)[1:]
    return Signature(hypothesis, sizes, values)
