"""Hum as a sum of phasors: how far a line strays because nobody knows in which phase its parts add.

What comes from one rail, or from two of one transformer (`circuits.one_phase`), has one phase; what
comes by another way has any. The sizes of the parts are simulated (`Reading.way`), the phases are
drawn evenly. Where one part dominates, the sum is that; two like parts give the arcsine law, many
the Rayleigh law, 5.6 dB of standard deviation and nulls that no power sum has. Levels of such sums
go far down and not far up: a small share of the mean power added to them, as in
`circuits.reading.softened`, makes both sides alike, and keeps the exponential tail that a null has
in dB. So the density stays a normal one, of a warped level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading, compared
from circuits.stage import Stage
from faultlib.signature import Stepwise, named
from faultlib.simulate import Bench, Progress, Variant

Array = NDArray[np.float64]

WAYS = 3
"""Largest parts of a sum that are told apart; the rest counts as many small ones."""
RAYLEIGH_DB = 10.0 * np.pi / (np.sqrt(6.0) * np.log(10.0))
"""Standard deviation, dB, of the power of many phasors: ln of an exponential has π/√6."""
_DRAWS = 1024
"""Sets of phases, evenly spread: moments of a level are then right to a few hundredths of a dB."""
_SOFT = 0.1
"""Of the variance of the power over its mean: what is added to it so that its logarithm leans less
to one side (of the exponential law, whose logarithm has skewness -1.1 without). Twice as much suits
phases alone as well, and less what strays by 5 dB of other causes besides (Monte Carlo)."""
_STEADY = 1e-4
"""Variance of the power over its mean below which a sum has one part."""


@dataclass(frozen=True)
class Phases:
    """What unknown phases do to m levels around the sum of the powers of their parts.

    A level r dB above that sum counts as 10·log10((10^(r/10) + soft) / (1 + soft)) - mean, which is
    nearly normal with standard deviation `sigma`; above nought it strays less, by `above`, and
    counts `stretch` times.

    Attributes
    ----------
    soft, mean, sigma, above : (m,) array
        Nought for readings that are no such sums.
    stretch : (m,) array or None
        What makes both sides of a normal density with all else that strays alike (a two-piece
        normal); None for nothing.
    """

    soft: Array
    mean: Array
    sigma: Array
    above: Array
    stretch: Array | None = None

    def warped(self, apart: Array) -> Array:
        """Distances (..., m) from the power sum as ones of a normal density."""
        which = self.soft > 0.0
        soft, made = self.soft[which], apart.copy()
        power = 10.0 ** (apart[..., which] / 10.0)
        made[..., which] = 10.0 * np.log10((power + soft) / (1.0 + soft)) - self.mean[which]
        return made if self.stretch is None else np.where(made > 0.0, made * self.stretch, made)

    def log_slopes(self, warped: Array) -> Array:
        """Logarithm of how much each distance moves what `warped` made of it, (..., m)."""
        further = np.ones(len(self.soft)) if self.stretch is None else self.stretch
        steeper = np.where(warped > 0.0, further, 1.0)
        power = (1.0 + self.soft) * 10.0 ** ((warped / steeper + self.mean) / 10.0)
        return np.asarray(np.log(steeper * np.maximum(1.0 - self.soft / power, 1e-300)))

    def within(self, variances: Array) -> Phases:
        """The same with the `stretch` that belongs to all that strays.

        Parameters
        ----------
        variances : (m,) array
            Of the readings, `sigma` in them.
        """
        upper = variances - self.sigma**2 + self.above**2
        return replace(self, stretch=np.sqrt(variances / upper))

    def some(self, which: NDArray[np.intp]) -> Phases:
        """Of some of the readings."""
        return Phases(
            self.soft[which], self.mean[which], self.sigma[which], self.above[which],
            None if self.stretch is None else self.stretch[which],
        )


def of_sizes(parts: Sequence[float], rest: float = 0.0, steady: float = 0.0) -> tuple[float, ...]:
    """`Phases.soft`, `mean`, `sigma` and `above` of one level.

    Parameters
    ----------
    parts : sequence of float
        Powers of at most `WAYS` parts.
    rest : float
        Power of many small ones.
    steady : float
        What is added as power whatever the phases.
    """
    if sum(parts) + rest <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    share = powers(parts, rest, steady)
    varies = float(share.var())
    if varies < _STEADY:
        return 0.0, 0.0, 0.0, 0.0
    soft = _SOFT * varies
    levels = 10.0 * np.log10((share + soft) / (1.0 + soft))
    mean, sigma = float(levels.mean()), float(levels.std())
    over = levels[levels > mean] - mean
    return soft, mean, sigma, min(float(np.sqrt(np.mean(over**2))), sigma)


def powers(parts: Sequence[float], rest: float = 0.0, steady: float = 0.0) -> Array:
    """Power of a sum over its mean, for phases evenly spread, (n,); parameters as `of_sizes`."""
    sizes = np.zeros(WAYS)
    sizes[: len(parts)] = np.sqrt(parts)
    turns, noise = _draws()
    power = np.abs(turns @ sizes + np.sqrt(rest) * noise) ** 2
    return np.asarray((power + steady) / (sum(parts) + rest + steady))


def phases(
    stage: Stage, units: Sequence[Variant], readings: Sequence[Reading], bench: Bench,
    channels: Sequence[int] = (), progress: Stepwise | None = None,
) -> list[Phases | None]:
    """What phases do to the readings of some units; None where no reading is such a sum.

    Parameters
    ----------
    channels : sequence of m int, optional
        As in `Observed`.
    """
    which = [k for k, r in enumerate(readings) if r.about.kind == "mains"]
    if not which or not units:
        return [None] * len(units)
    step = named(progress, "ways that hum comes in by")
    found = _taken(stage, units, readings, which, bench, bool(channels), step)
    return [_of_unit(readings, which, one[0], one[1:]) for one in found]


def _taken(
    stage: Stage, units: Sequence[Variant], readings: Sequence[Reading], which: Sequence[int],
    bench: Bench, paired: bool, step: Progress | None,
) -> Array:
    """Every sum and its largest parts, compared scale, (n, 1 + WAYS, k)."""
    bare, ways = [replace(r, beside=0.0) for r in readings], range(WAYS + 1)
    if not paired:
        # the sums apart: they are known, and must not be simulated anew beside their parts
        sums = bench.values(stage, units, [bare[k] for k in which], step).values
        wanted = [replace(bare[k], way=way) for way in ways[1:] for k in which]
        rows = bench.values(stage, units, wanted, step).values
        rows = rows.reshape(len(units), WAYS, len(which))
        return np.concatenate([sums[:, None], rows], axis=1)
    # a bench of two channels tells them by the place of a reading: others are filled up
    filled = [r if k in which else bare[which[0]] for k, r in enumerate(bare)]
    made = [
        bench.values(stage, units, [replace(r, way=way) for r in filled], step).values
        for way in ways
    ]
    return np.stack(made, axis=1)[:, :, which]


def _of_unit(
    readings: Sequence[Reading], which: Sequence[int], sums: Array, parts: Array
) -> Phases | None:
    if np.isnan(sums).any() or np.isnan(parts).any():
        return None
    made = np.zeros((4, len(readings)))
    for k, total, part in zip(which, sums, parts.T, strict=True):
        reading = readings[k]
        own = 10.0 ** (compared(replace(reading, beside=0.0), -1e3 if reading.unit == "dB" else 0.0)
                       / 10.0)
        powers = np.maximum(10.0 ** (part / 10.0) - own, 0.0)
        steady = own + reading.beside**2
        rest = max(10.0 ** (total / 10.0) - own - float(powers.sum()), 0.0)
        made[:, k] = of_sizes(powers.tolist(), rest, steady)
    return Phases(*made)


@cache
def _draws() -> tuple[Array, NDArray[np.complex128]]:
    """Phasors of unit size (n, WAYS), and of many small ones together (n,), evenly spread.

    Multiples of the powers of a generalised golden ratio (Roberts 2018, from memory).
    """
    size = WAYS + 1
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (size + 1))
    steps = ratio ** -np.arange(1, size + 1)
    places = (0.5 + np.outer(np.arange(1, _DRAWS + 1), steps)) % 1.0
    turns = np.exp(2j * np.pi * places[:, :WAYS])
    turns[:, 0] = 1.0  # phases are relative to one of them
    sizes = np.sqrt(-np.log1p(-places[:, WAYS]))
    return turns, sizes * np.exp(2j * np.pi * places[:, 0])
