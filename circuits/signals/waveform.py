"""What a waveform holds: harmonics, intermodulation, rise time, overshoot and tilt.

A waveform is times and values, simulated (unevenly spaced) or recorded (evenly). Lines are found
by least squares on the points as they are: sines and cosines of the known frequencies, with
Chebyshev polynomials that take up a slow drift. Nothing is resampled and no window is laid over
it, so neither costs accuracy, and the stretch need not hold whole periods.

Where the normal equations are used they lose nothing: over a whole period or more the columns are
all but orthogonal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HARMONICS = 30
"""How many harmonics a fit holds; 2 to `HIGHEST` count as distortion."""
HIGHEST = 10
"""Order of the last harmonic that counts as distortion."""
DRIFT = 4
"""Degree of the polynomial that takes up a drift."""
_STRETCH = 1 << 14
"""Points whose columns are held at a time."""
_ROWS = 48
"""Points in one product: more would wake the threads of BLAS, which cost more than they do."""
_LEAST_POINTS = 1.2
"""Points for every unknown, at least."""


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Lines of a waveform: x(t) ≈ drift(t) + Σ Re(amplitude · e^(j2πft)).

    Attributes
    ----------
    frequencies : (n,) array
        Hz.
    amplitudes : (n,) complex array
        Peak, in the unit of the waveform; the phase counts from time 0.
    mean : float
        Mean of the drift.
    residual : float
        RMS of what no line and no drift accounts for.
    """

    frequencies: Floats
    amplitudes: NDArray[np.complex128]
    mean: float
    residual: float

    def at(self, frequency: float) -> float:
        """Peak amplitude of the line at a frequency; 0 where the fit held none."""
        near = np.isclose(self.frequencies, abs(frequency), rtol=1e-9)
        return float(np.abs(self.amplitudes[near]).sum())

    @property
    def rms(self) -> float:
        """RMS of all lines together, what an a.c. meter shows."""
        return float(np.sqrt((np.abs(self.amplitudes) ** 2).sum() / 2.0))


@dataclass(frozen=True)
class Intermodulation:
    """Products of two tones as ratios, by the definitions of IEC 60268-3 (from memory)."""

    second: float
    third: float

    @property
    def total(self) -> float:
        """Root of the sum of squares of both orders."""
        return math.hypot(self.second, self.third)


def lines(
    time: Floats, values: Floats, frequencies: Sequence[float], drift: int = DRIFT
) -> Spectrum:
    """The lines of a waveform at known frequencies.

    Parameters
    ----------
    time : (t,) array
        s, rising, evenly spaced or not.
    values : (t,) array
        At these times.
    frequencies : sequence of float
        Hz, distinct; the stretch should hold a period of every difference between two of them.
    drift : int
        Degree of the polynomial beside them.

    Returns
    -------
    Spectrum

    Raises
    ------
    ValueError
        For fewer points than the fit needs.
    """
    wanted = np.asarray(frequencies, dtype=float)
    count = 2 * len(wanted) + drift + 1
    if len(time) < _LEAST_POINTS * count:
        raise ValueError(f"{len(time)} points do not hold {len(wanted)} lines")
    middle, half = (time[0] + time[-1]) / 2.0, (time[-1] - time[0]) / 2.0
    # a fit around the mean loses no digits to a large direct voltage
    offset = float(values.mean())
    gram = np.zeros((count, count))
    right = np.zeros(count)
    for start in range(0, len(time), _STRETCH):
        stretch = slice(start, start + _STRETCH)
        columns = _columns(time[stretch], middle, half, wanted, drift)
        right += (values[stretch] - offset) @ columns
        for row in range(0, len(columns), _ROWS):
            rows = columns[row : row + _ROWS]
            gram += rows.T @ rows
    solution = np.linalg.solve(gram, right)
    left = 0.0
    for start in range(0, len(time), _STRETCH):
        stretch = slice(start, start + _STRETCH)
        columns = _columns(time[stretch], middle, half, wanted, drift)
        left += float(((values[stretch] - offset - columns @ solution) ** 2).sum())
    polynomial, waves = solution[: drift + 1], solution[drift + 1 :]
    # the mean of a Chebyshev polynomial of even degree k is 1 / (1 − k²)
    share = np.array([0.0 if k % 2 else 1.0 / (1.0 - k * k) for k in range(drift + 1)])
    return Spectrum(
        wanted,
        waves[: len(wanted)] - 1j * waves[len(wanted) :],
        offset + float(polynomial @ share),
        math.sqrt(left / len(time)),
    )


def _columns(
    time: Floats, middle: float, half: float, frequencies: Floats, drift: int
) -> Floats:
    place = (time - middle) / half
    polynomial = np.polynomial.chebyshev.chebvander(place, drift)
    waves = np.exp(2j * np.pi * np.outer(time, frequencies))
    return np.concatenate([polynomial, waves.real, waves.imag], axis=1)


def harmonics(
    time: Floats,
    values: Floats,
    frequency: float,
    count: int = HARMONICS,
    start: float = -math.inf,
    drift: int = DRIFT,
) -> Spectrum:
    """The fundamental and its harmonics.

    Parameters
    ----------
    time, values : (t,) arrays
        As for `lines`.
    frequency : float
        Hz, of the fundamental, exactly; see `tuned` for a recording.
    count : int
        How many lines; fewer are fitted where the points lie too far apart for the highest.
    start : float
        s; what lies before is left to settle.
    drift : int
        Degree of the polynomial that takes up a drift.

    Returns
    -------
    Spectrum
    """
    kept = time >= start
    time, values = time[kept], values[kept]
    # half of the mean rate of sampling is what a line may reach
    most = int(0.49 * (len(time) - 1) / (time[-1] - time[0]) / frequency)
    if most < 1:
        raise ValueError(f"the points lie too far apart for {frequency:g} Hz")
    orders = np.arange(1, min(count, most) + 1)
    return lines(time, values, [float(f) for f in frequency * orders], drift)


def thd(spectrum: Spectrum, floor: float = 0.0) -> float:
    """Root of the sum of squares of harmonics 2 to 10, over the fundamental.

    Parameters
    ----------
    spectrum : Spectrum
        Of `harmonics`.
    floor : float
        Peak amplitude that the analyser shows with nothing connected: it bounds both terms.

    Returns
    -------
    float
        Ratio.
    """
    sizes = np.abs(spectrum.amplitudes[:HIGHEST])
    return math.hypot(float(np.linalg.norm(sizes[1:])), floor) / math.hypot(float(sizes[0]), floor)


def harmonic(spectrum: Spectrum, order: int, floor: float = 0.0) -> float:
    """One harmonic over the fundamental, a ratio; `floor` as in `thd`."""
    sizes = np.abs(spectrum.amplitudes)
    wanted = float(sizes[order - 1]) if order <= len(sizes) else 0.0
    return math.hypot(wanted, floor) / math.hypot(float(sizes[0]), floor)


def thd_and_noise(spectrum: Spectrum) -> float:
    """Everything but the fundamental, over the fundamental, a ratio."""
    sizes = np.abs(spectrum.amplitudes)
    rest = math.hypot(float(np.linalg.norm(sizes[1:])) / math.sqrt(2.0), spectrum.residual)
    return rest * math.sqrt(2.0) / float(sizes[0])


def tuned(time: Floats, values: Floats, frequency: float, rounds: int = 4) -> float:
    """The exact frequency of a tone whose frequency is known nearly.

    The phase of the line in the later half of the stretch against that in the earlier half tells
    how far the frequency is off; it must be off by less than a quarter of 1 / (stretch in s).

    Parameters
    ----------
    time, values : (t,) arrays
        Ten periods at least.
    frequency : float
        Hz.
    rounds : int
        How often the estimate is improved.
    """
    half = len(time) // 2
    apart = float(time[half:].mean() - time[:half].mean())
    for _ in range(rounds):
        early, late = (
            harmonics(time[part], values[part], frequency, count=5, drift=1).amplitudes[0]
            for part in (slice(0, half), slice(half, None))
        )
        frequency += float(np.angle(late / early)) / (2.0 * math.pi * apart)
    return frequency


def products(first: float, second: float, most: int = 5) -> list[float]:
    """Frequencies m·f1 + n·f2 with |m| + |n| up to `most`, Hz, rising, without 0.

    Parameters
    ----------
    first, second : float
        Hz.
    most : int
        The highest order.
    """
    orders = {
        round(abs(m * first + n * second), 6)
        for m in range(-most, most + 1)
        for n in range(-most, most + 1)
        if 0 < abs(m) + abs(n) <= most
    }
    return sorted(orders - {0.0})


def difference_tone(
    spectrum: Spectrum, first: float, second: float, floor: float = 0.0
) -> Intermodulation:
    """Two tones of equal size near each other, such as 19 and 20 kHz.

    d2 = U(f2−f1) / 2U(f2), d3 = [U(2f1−f2) + U(2f2−f1)] / 2U(f2).

    Parameters
    ----------
    spectrum : Spectrum
        Of `lines` at their `products`.
    first, second : float
        Hz, the lower one first.
    floor : float
        As in `thd`.
    """
    third = spectrum.at(2.0 * first - second) + spectrum.at(2.0 * second - first)
    size = math.hypot(2.0 * spectrum.at(second), floor)
    return _ratios(spectrum.at(second - first), third, size, floor)


def modulation(
    spectrum: Spectrum, low: float, high: float, floor: float = 0.0
) -> Intermodulation:
    """A low tone that modulates a high one, such as 60 Hz and 7 kHz, 4:1.

    m2 = [U(f2+f1) + U(f2−f1)] / U(f2), m3 the same at ±2f1.

    Parameters
    ----------
    spectrum : Spectrum
        Of `lines` at their `products`.
    low, high : float
        Hz.
    floor : float
        As in `thd`.
    """
    second, third = (spectrum.at(high + k * low) + spectrum.at(high - k * low) for k in (1, 2))
    return _ratios(second, third, math.hypot(spectrum.at(high), floor), floor)


def _ratios(second: float, third: float, size: float, floor: float) -> Intermodulation:
    """Products over a size, neither below what an analyser shows with nothing connected."""
    return Intermodulation(math.hypot(second, floor) / size, math.hypot(third, floor) / size)


def rise_time(time: Floats, values: Floats, base: float, top: float) -> float:
    """Time from 10 to 90 % of a step, s.

    Parameters
    ----------
    time, values : (t,) arrays
        One edge, rising or falling.
    base, top : float
        Levels before and after.

    Raises
    ------
    ValueError
        When the waveform does not cross both levels.
    """
    share = (values - base) / (top - base)
    return crossing(time, share, 0.9) - crossing(time, share, 0.1)


def crossing(time: Floats, values: Floats, level: float) -> float:
    """When a waveform first passes a level upward, s, by a straight line between two points.

    Raises
    ------
    ValueError
        When it does not.
    """
    passed = np.flatnonzero((values[1:] >= level) & (values[:-1] < level))
    if not passed.size:
        raise ValueError(f"the waveform does not pass {level:g}")
    k = int(passed[0])
    part = (level - values[k]) / (values[k + 1] - values[k])
    return float(time[k] + part * (time[k + 1] - time[k]))


def overshoot(values: Floats, base: float, top: float) -> float:
    """How far the peak of a step lies beyond its final level, as a ratio of the step; 0 for none.

    Parameters
    ----------
    values : (t,) array
        Of a rising or a falling step.
    base, top : float
        Levels before and after.
    """
    return max(float(((values - base) / (top - base)).max()) - 1.0, 0.0)


def tilt(time: Floats, values: Floats, middle: float = 0.0) -> float:
    """Sag of one flat of a square wave: (start − end) / start, measured from `middle`.

    The flat is fitted between 5 and 95 % of the stretch and extended to both ends, so that the
    edges do not count.

    Parameters
    ----------
    time, values : (t,) arrays
        One half period, from edge to edge.
    middle : float
        Mean of the whole wave.
    """
    place = 2.0 * (time - time[0]) / (time[-1] - time[0]) - 1.0
    inner = np.abs(place) <= 0.9
    fit = np.polynomial.chebyshev.chebfit(place[inner], values[inner] - middle, 3)
    start, end = np.polynomial.chebyshev.chebval(np.array([-1.0, 1.0]), fit)
    return float((start - end) / start)


def average(time: Floats, values: Floats) -> float:
    """Mean over time of unevenly spaced points, by trapezia.

    Parameters
    ----------
    time, values : (t,) arrays
        s, rising, and what is averaged.
    """
    steps = np.diff(time)
    return float(((values[1:] + values[:-1]) / 2.0) @ steps / steps.sum())
