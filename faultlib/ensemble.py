"""Good units drawn at random: where straight lines do not tell how far readings stray.

What the stage file leaves open of a unit moves most readings along straight lines. A harmonic, a
mains line is a sum of contributions that may cancel: from one make to another it goes far down and
not far up, as the size of a sum of phasors does. So a few good units are simulated with all of that
moved at once. They tell two things: how large the contributions to a level are, beside which a null
means nothing (`floors`), and what lines miss (`scatter`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from circuits.excess import INDEX
from circuits.one_phase import pairs
from circuits.reading import Reading, softened
from circuits.stage import Stage
from faultlib.signature import differences
from faultlib.simulate import Bench, Variant
from faultlib.tolerance import LeftOpen, Spread

UNITS = 32
"""Good units that are simulated: their scatter is then known to an eighth, 1/√(2·32)."""
_SEED = 20
"""Of the units drawn, so that an answer is the same whenever it is asked for."""
_FAR = 3.0
"""A unit whose level is so many times the median's counts as if it were there: one that all but
fails must not decide how large contributions usually are."""
_FEWEST = 8
"""Units below which nothing is concluded from them."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ensemble:
    """Good units and their readings.

    Attributes
    ----------
    readings : tuple of m Reading
    spreads : tuple of p LeftOpen
    deviations : (n, p) array
        Standard deviations.
    values : (n, m) array
        Compared scale, as simulated.
    healthy : (m,) array
        Of the unit that deviates in nothing.
    """

    readings: tuple[Reading, ...]
    spreads: tuple[Spread, ...]
    deviations: Floats
    values: Floats
    healthy: Floats


def ensemble(
    stage: Stage,
    readings: Sequence[Reading],
    around: Sequence[Spread],
    bench: Bench,
    progress: Callable[[int, int], None] | None = None,
) -> Ensemble:
    """Simulate some good units; those that do not settle are left out.

    Parameters
    ----------
    stage : Stage
    readings : sequence of Reading
    around : sequence of Spread
        What varies between good units; what the stage file leaves open of it is drawn. So is the
        ripple of two rails of one phase, whose hum cancels as drawn and in no real unit, and how
        noisy the resistors are, which drowns in thermal noise or drowns that.
    bench : Bench
        Takes every reading of every unit, none by straight lines.
    progress : callable, optional
    """
    paired = bool(pairs(stage))
    drawn = [s for s in around if isinstance(s, LeftOpen) or (paired and s.what == "ripple")]
    noisy = [s for s in around if s.what == INDEX]
    random = np.random.default_rng(_SEED)
    (makes,) = random.spawn(1)  # so that all else is drawn as it would be without
    half = np.hstack([random.normal(size=(UNITS // 2, len(drawn))),
                      makes.normal(size=(UNITS // 2, len(noisy)))])
    around = drawn + noisy
    deviations = np.vstack([half, -half])  # pairs, so that the mean of every line is nothing
    units = [
        Variant((), tuple((s, float(z)) for s, z in zip(around, row, strict=True)))
        for row in deviations
    ]
    answer = bench.values(stage, [Variant(), *units], readings, progress)
    healthy, values = answer.values[0], answer.values[1:]
    good = ~np.isnan(values).any(axis=1)
    return Ensemble(tuple(readings), tuple(around), deviations[good], values[good], healthy)


def floors(drawn: Ensemble) -> tuple[Reading, ...]:
    """The readings, levels among them with how large contributions to them stray.

    That is how far their amplitude lies from the drawn unit's, root mean square over good units: a
    unit drawn in perfect symmetry has nulls that no real one has.
    """
    if len(drawn.values) < _FEWEST:
        return drawn.readings
    readings = []
    for reading, values, plain in zip(
        drawn.readings, drawn.values.T, drawn.healthy, strict=True
    ):
        if reading.sums and np.isfinite(plain):
            sizes = 10.0 ** (values / 20.0)
            sizes = np.minimum(sizes, _FAR * _median(sizes))
            apart = sizes - 10.0 ** (plain / 20.0)
            reading = replace(reading, beside=float(np.sqrt(np.mean(apart**2))))
        readings.append(reading)
    return tuple(readings)


def scatter(
    drawn: Ensemble,
    which: Sequence[int],
    spreads: Sequence[Spread],
    healthy: Floats,
    sensitivities: Floats,
) -> Floats:
    """What straight lines miss in good units, rows (n, m) whose squares add up to a covariance.

    Readings under drive have no lines of what the stage file leaves open, so that all of it is
    here.

    Parameters
    ----------
    drawn : Ensemble
    which : sequence of m int
        Which of the readings drawn.
    spreads : sequence of p Spread
    healthy : (m,) array
    sensitivities : (p, m) array
    """
    if len(drawn.values) < _FEWEST:
        return np.empty((0, len(which)))
    levelled = floors(drawn)
    readings = [levelled[k] for k in which]
    values = np.column_stack([softened(levelled[k], drawn.values[:, k]) for k in which])
    place = {s: k for k, s in enumerate(spreads)}
    driven = np.array([r.driven for r in readings])
    lines = np.where(driven, 0.0, sensitivities[[place[s] for s in drawn.spreads]])
    missed = differences(values, healthy, readings) - drawn.deviations @ lines
    return np.asarray(missed / np.sqrt(len(missed)))


def _median(values: Floats) -> float:
    """That of numpy imports its masked arrays, which takes 15 ms."""
    ordered = np.sort(values)
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2.0
