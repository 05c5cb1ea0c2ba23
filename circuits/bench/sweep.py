"""From the few sweeps that ngspice offers to the frequencies that were asked for.

ngspice knows no list of frequencies. A handful is run point by point; more are read from one
logarithmic sweep, between whose points the response is interpolated. A polynomial would need some
hundred points a decade to follow a resonance. The response of a lumped network is a rational
function of frequency, so the interpolant is one as well: Thiele's continued fraction through the
nearest points (Abramowitz and Stegun, Handbook of Mathematical Functions, 25.2.50). Its last two
convergents tell how far it can be trusted; where they part, the frequency is to be run by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from circuits.bench.analysis import Complexes, Floats
from circuits.errors import EngineFault

PER_DECADE = 16
"""Frequencies a decade that are simulated; those that were asked for lie between them."""
_RATIO = 10.0 ** (1.0 / PER_DECADE)
"""One frequency of the sweep over the one before."""
_POINTS = 8
"""Nearest frequencies of the sweep that a value between them is interpolated from."""
_AGREE = 3e-6
"""Relative difference of the last two convergents; the error is smaller. 1e-4 dB is 1.15e-5."""
_FLOOR = 1e-10
"""The same, relative to the largest value nearby: what is far below cannot be resolved."""


@dataclass(frozen=True)
class Run:
    """One run of ngspice: what follows `ac` or `noise …`, and the frequencies (points,) it has."""

    command: str
    frequencies: Floats


@dataclass(frozen=True)
class Sweep:
    """One logarithmic sweep and how the wanted frequencies lie in it.

    Attributes
    ----------
    run : Run
        The command and the grid of points that ngspice shall return.
    """

    run: Run
    window: npt.NDArray[np.intp]
    """Nearest grid points by wanted frequency, nearest first, (points, f)."""
    near: Floats
    """The grid frequencies of `window` over the wanted one, (points, f, 1)."""
    place: Floats
    """Logarithm of the same."""
    spans: tuple[Floats, ...]
    """The differences of `near` that each level of the fraction needs."""
    ways: Floats
    """From the grid frequencies of `near` to the wanted one, (points, f, 1)."""


@lru_cache(maxsize=256)
def merge(
    lists: tuple[tuple[float, ...], ...],
) -> tuple[tuple[float, ...], tuple[npt.NDArray[np.intp], ...]]:
    """All frequencies of some lists, sorted, and where in them those of each list stand.

    Raises EngineFault where a list is empty or holds what is no frequency.
    """
    ordered = tuple(sorted({float(f) for wanted in lists for f in wanted}))
    if not all(lists) or not ordered or not ordered[0] > 0.0 or not math.isfinite(sum(ordered)):
        raise EngineFault("frequencies must be finite and above 0 Hz, and there must be one")
    row = {f: k for k, f in enumerate(ordered)}
    places = tuple(np.array([row[float(f)] for f in wanted], dtype=np.intp) for wanted in lists)
    return ordered, places


def lone_run(frequency: float) -> Run:
    """The run that gives one frequency alone."""
    return Run(f"lin 1 {frequency!r} {frequency!r}", np.array([frequency]))


@lru_cache(maxsize=256)
def lone_runs(frequencies: tuple[float, ...]) -> tuple[Run, ...]:
    """Runs that hit sorted frequencies exactly, in order; none where a sweep is cheaper."""
    count = len(frequencies)
    first, last = frequencies[0], frequencies[-1]
    even = np.linspace(first, last, count)
    # ngspice takes a linear sweep of two points for one of a single point
    if count != 2 and count < 200 and np.allclose(even, frequencies, rtol=1e-12, atol=0.0):
        return (Run(f"lin {count} {first!r} {last!r}", even),)
    if count <= 3:
        return tuple(lone_run(frequency) for frequency in frequencies)
    return ()


@lru_cache(maxsize=256)
def plan(frequencies: tuple[float, ...]) -> Sweep:
    """The sweep that serves sorted, distinct, positive frequencies (Hz).

    Its grid holds 1 kHz, so that the usual reference needs no interpolation.
    """
    low = math.floor(PER_DECADE * math.log10(frequencies[0] / 1e3)) - _POINTS // 2
    high = math.ceil(PER_DECADE * math.log10(frequencies[-1] / 1e3)) + _POINTS // 2
    grid = 1e3 * _RATIO ** np.arange(low, high + 1)
    # ngspice stretches its steps so that the last one meets the stop: the stop lies at the last
    # point, and just so far beyond it that rounding down the number of steps cannot lose one.
    command = f"dec {PER_DECADE} {float(grid[0])!r} {float(grid[-1] * (1.0 + 1e-9))!r}"
    wanted = np.asarray(frequencies)
    distance = np.abs(np.log(grid[:, None] / wanted))
    window = np.argsort(distance, axis=0, kind="stable")[:_POINTS]
    near = (grid[window] / wanted)[:, :, None]
    spans = tuple(near[k:] - near[k - 1] for k in range(1, _POINTS))
    return Sweep(Run(command, grid), window, near, np.log(near), spans, 1.0 - near)


def interpolate(sweep: Sweep, values: Complexes) -> tuple[Complexes, npt.NDArray[np.bool_]]:
    """Values at the wanted frequencies, and which frequencies can be trusted.

    Parameters
    ----------
    sweep : Sweep
        The plan.
    values : complex array (points, n)
        What the sweep returned for n vectors.

    Returns
    -------
    complex array (f, n), bool array (f,)
    """
    around = values[sweep.window]
    terms = around.copy()
    ways = sweep.ways
    pair = np.empty((2, *around.shape[1:]), dtype=np.complex128)
    with np.errstate(all="ignore"):
        for k, span in enumerate(sweep.spans, start=1):
            steps = terms[k:]
            steps -= terms[k - 1]
            np.divide(span, steps, out=steps)
        pair[1] = terms[_POINTS - 2]
        np.divide(ways[_POINTS - 2], terms[_POINTS - 1], out=pair[0])
        pair[0] += pair[1]
        for k in range(_POINTS - 3, -1, -1):
            np.divide(ways[k], pair, out=pair)
            pair += terms[k]
        full = pair[0]
        error = np.abs(full - pair[1])
        # Written so that a value that is not a number is not trusted.
        trusted = error <= _AGREE * np.abs(full)
        if not trusted.all():
            trusted |= error <= _FLOOR * np.abs(around).max(axis=0)
            # A grounded or a driven node has no slope at all, on which the fraction founders.
            flat = (around == around[0]).all(axis=0)
            full = np.where(flat, around[0], full)
            trusted |= flat
    return full, trusted.all(axis=1)


def smooth(sweep: Sweep, density: Floats) -> Floats:
    """Noise densities (points,) at the wanted frequencies (f,): Lagrange in log-log.

    A density has no phase and spans few decades, so six points of a polynomial do.
    """
    place = sweep.place[:6, :, 0]
    levels = np.log(np.maximum(density, 1e-30))[sweep.window[:6]]
    total = np.zeros(levels.shape[1])
    for i in range(6):
        weight = np.ones_like(total)
        for j in range(6):
            if j != i:
                weight *= place[j] / (place[j] - place[i])
        total += weight * levels[i]
    return np.exp(total)
