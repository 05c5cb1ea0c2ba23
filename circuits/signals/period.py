"""One period of a wave that repeats, put together from many: square waves from a recording.

The samples of a recording are too far apart to read an edge from them. The harmonics up to half
the rate hold all that was recorded; summed on a fine grid they give the wave between the samples,
with the noise that does not repeat left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.signals import waveform
from circuits.signals.spectrum import LOBE, fit, quick_length, refine, taper

Floats = NDArray[np.float64]

_STRETCH = 1 << 17
"""Samples: more would tell little more."""
_LEAST_PERIODS = 2 * LOBE
"""Periods in which neighbouring lines of a wave stand clear of each other, lobe beside lobe."""
_GRID = 1 << 13
"""Points of the one period, at least; 16 a line where there are many lines."""
_INNER = 0.9
"""The middle part of a flat, as in `circuits.signals.waveform.tilt`."""
_SLOW = 0.02
"""An edge that takes more of a flat reaches into the part that its tilt is read from."""
_SETTLED = (0.6, 0.8)
"""The part of a flat where even a slow edge has settled, and where the next, whose middle ends
the flat, has not begun."""
_SLOWEST = 0.2
"""An edge that takes more of a flat never settles."""
EDGE_SAMPLES = 0.95
"""10 to 90 % of an ideal step through a recorder whose band ends at 0.47 of its rate, in samples
(0.446 over the band, the step response of an ideal low-pass)."""


@dataclass(frozen=True)
class Steps:
    """What a square wave shows.

    Attributes
    ----------
    rise : float
        10 to 90 %, s, recorder included.
    overshoot : float
        Ratio of the step.
    tilt : float or None
        Sag of the flats, ratio of their start; None where slow edges hide it.
    size : float
        Peak to peak at the edges.
    """

    rise: float
    overshoot: float
    tilt: float | None
    size: float


def one_period(wave: Floats, rate: float, frequency: float) -> tuple[Floats, Floats]:
    """Times, s, and values of one period on a fine grid.

    Parameters
    ----------
    wave : (n,) array
        Twenty periods at least.
    rate : float
        Samples a second.
    frequency : float
        Hz, nearly.

    Raises
    ------
    ValueError
        For a wave of too few periods.
    """
    least = math.ceil(_LEAST_PERIODS * rate / frequency)
    count = quick_length(min(len(wave), max(_STRETCH, least)))
    if count < least:
        raise ValueError(f"{len(wave) * frequency / rate:.3g} periods are too few")
    wave = wave[:count]
    frequency = refine(wave, rate, frequency)
    orders = np.arange(1, math.ceil(0.5 * rate / frequency - 0.25))
    harmonics = fit(taper(wave, rate), [float(f) for f in orders * frequency])
    grid = max(_GRID, 1 << (16 * len(orders)).bit_length())
    lines = np.zeros(grid // 2 + 1, dtype=complex)
    lines[orders] = harmonics.amplitudes * (grid / 2.0)
    return np.arange(grid) / (grid * frequency), np.fft.irfft(lines, grid)


def steps(time: Floats, values: Floats) -> Steps:
    """What one period of a square wave shows.

    Parameters
    ----------
    time, values : (n,) arrays
        Of `one_period`.

    Raises
    ------
    ValueError
        When it has no clear edges.
    """
    count = len(values)
    middle = (float(np.quantile(values, 0.1)) + float(np.quantile(values, 0.9))) / 2.0
    # the falling edge first, so that the rising one stands whole near the middle
    below = values < middle
    falls = np.flatnonzero(below & ~np.roll(below, 1))
    if not falls.size:
        raise ValueError("the wave has no edges")
    values = np.roll(values, -int(falls[0]))
    rises = np.flatnonzero((values[1:] >= middle) & (values[:-1] < middle))
    if not rises.size or not 0.25 * count < rises[0] < 0.75 * count:
        raise ValueError("the wave has no rising edge where a square wave has one")
    edge = int(rises[0]) + 1
    around = slice(edge // 2, edge + (count - edge) // 2)
    span = time[around] - time[around][0]
    base, top = _settled(values[:edge]), _settled(values[edge:])
    rise = waveform.rise_time(span, values[around], base, top)
    if rise > _SLOWEST * time[edge]:
        raise ValueError("its edges take too much of the period; a lower frequency is needed")
    sag = None
    if rise < _SLOW * time[edge]:
        base, top = _flat(values[:edge])[1], _flat(values[edge:])[0]
        rise = waveform.rise_time(span, values[around], base, top)
        sag = (
            waveform.tilt(time[edge:], values[edge:], middle)
            + waveform.tilt(time[:edge], values[:edge], middle)
        ) / 2.0
    return Steps(
        rise,
        waveform.overshoot(values[edge : edge + (count - edge) // 2], base, top),
        sag,
        top - base,
    )


def _settled(values: Floats) -> float:
    first, last = (round(share * len(values)) for share in _SETTLED)
    return float(values[first:last].mean())


def _flat(values: Floats) -> tuple[float, float]:
    """Levels of a flat at its start and end, with its edges left out."""
    place = np.linspace(-1.0, 1.0, len(values))
    inner = np.abs(place) <= _INNER
    line = np.polynomial.chebyshev.chebfit(place[inner], values[inner], 3)
    start, end = np.polynomial.chebyshev.chebval(np.array([-1.0, 1.0]), line)
    return float(start), float(end)
