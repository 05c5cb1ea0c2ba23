"""Lines and noise of an evenly sampled wave.

A window of seven cosine terms leaves 180 dB between a line and what it spreads beyond seven
steps, so that harmonics at −140 dB and hum stand free beside a full-scale tone wherever their
frequencies lie. Lines are found by least squares under that window: for evenly spaced samples
the normal equations have closed forms, so a long recording costs little more than reading it.
What the lines mean is read by `circuits.signals.waveform`, as of a simulated wave.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.signals.waveform import Spectrum
from circuits.signals.weighting import power_weights

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

TERMS = (
    0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
    0.01081174209837, 0.00077658482522, 0.00001388721735,
)
"""The window of seven cosine terms with the lowest side lobes (H.-H. Albrecht, "A family of
cosine-sum windows for high-resolution measurements", 2001; from memory, side lobes tested)."""
LOBE = 7
"""Steps 1/T that a line reaches to either side."""
_MEAN = TERMS[0]
"""Mean of the window: what it leaves of a line's amplitude."""
_SQUARE = TERMS[0] ** 2 + sum(a * a for a in TERMS[1:]) / 2.0
"""Mean square of the window: what it leaves of the power of noise."""
BANDWIDTH = _SQUARE / _MEAN**2
"""Width of the window in steps, as noise sees it."""
_BLOCK = 1024
"""Samples that share one table of exponentials: neither the table nor the sums become large."""
_AREA = 256
"""Steps over which the floor of noise is looked for at a time."""
_SHARE = 0.2
"""The part of the steps that is taken for noise wherever lines stand close."""


@dataclass(frozen=True, eq=False)
class Tapered:
    """A wave under the window, and its power.

    Attributes
    ----------
    samples : (n,) array
        Mean removed, times the window.
    rate : float
        Samples a second.
    power : (n // 2 + 1,) array
        Mean square at each step of frequency: a line of peak A has A²/2 within its lobe.
    """

    samples: Floats
    rate: float
    power: Floats

    @property
    def step(self) -> float:
        """Hz between two values of the power."""
        return self.rate / len(self.samples)

    def place(self, frequency: float) -> int:
        """The step nearest to a frequency."""
        return round(frequency / self.step)


def window(count: int) -> Floats:
    """The window for so many samples, by Horner's rule in the cosine."""
    cosine = np.cos(np.arange(count) * (2.0 * math.pi / count))
    signs = [a if m % 2 == 0 else -a for m, a in enumerate(TERMS)]
    powers = np.polynomial.chebyshev.cheb2poly(signs)
    weights = np.full(count, powers[-1])
    for factor in powers[-2::-1]:
        weights *= cosine
        weights += factor
    return weights


def quick_length(count: int) -> int:
    """The greatest length up to `count` whose only prime factors are 2, 3 and 5."""
    best = 1
    five = 1
    while five <= count:
        three = five
        while three <= count:
            best = max(best, three << ((count // three).bit_length() - 1))
            three *= 3
        five *= 5
    return best


def taper(wave: Floats, rate: float, shape: Floats | None = None) -> Tapered:
    """A wave under the window.

    Parameters
    ----------
    wave : (n,) array
        Of a `quick_length`, for speed.
    rate : float
        Samples a second.
    shape : (n,) array, optional
        The window, where it stands already.
    """
    shape = window(len(wave)) if shape is None else shape
    samples = wave - wave.mean()
    samples *= shape
    spectrum = np.fft.rfft(samples)
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    power *= 2.0 / (_SQUARE * len(wave) ** 2)
    return Tapered(samples, rate, power)


def transform(samples: Floats, rate: float, frequencies: Sequence[float]) -> Complexes:
    """Σ x·e^(−j2πft) at any frequencies, Hz.

    In blocks: within one, the exponentials are the same for all.
    """
    turns = 2.0 * math.pi / rate * np.asarray(frequencies, dtype=float)
    blocks = -(-len(samples) // _BLOCK)
    padded = samples
    if blocks * _BLOCK != len(samples):
        padded = np.concatenate([samples, np.zeros(blocks * _BLOCK - len(samples))])
    inner = np.outer(np.arange(_BLOCK), turns)
    table = np.concatenate([np.cos(inner), -np.sin(inner)], axis=1)
    sums = padded.reshape(blocks, _BLOCK) @ table
    count = len(turns)
    outer = np.exp(-1j * np.outer(np.arange(blocks) * _BLOCK, turns))
    amplitudes: Complexes = ((sums[:, :count] + 1j * sums[:, count:]) * outer).sum(axis=0)
    return amplitudes


def _spread(angle: Floats, count: int) -> Complexes:
    """Σ w·e^(−j·angle·n) over the window: what a line leaves at another frequency."""

    def plain(turn: Floats) -> Complexes:
        turn = np.remainder(turn + math.pi, 2.0 * math.pi) - math.pi
        below = np.sin(turn / 2.0)
        near = np.abs(turn) < 1e-12
        ratio = np.where(near, count, np.sin(count * turn / 2.0) / np.where(near, 1.0, below))
        kernel: Complexes = np.exp(-0.5j * turn * (count - 1)) * ratio
        return kernel

    kernel = _MEAN * plain(angle)
    for m, a in enumerate(TERMS[1:], start=1):
        shift = 2.0 * math.pi * m / count
        sign = 0.5 * (a if m % 2 == 0 else -a)
        kernel = kernel + sign * (plain(angle - shift) + plain(angle + shift))
    return kernel


def fit(tapered: Tapered, frequencies: Sequence[float], residual: float = 0.0) -> Spectrum:
    """The lines at known frequencies, by least squares under the window.

    Parameters
    ----------
    frequencies : sequence of float
        Hz, distinct, below half the rate.
    residual : float
        RMS of the rest, where it is known.

    Returns
    -------
    circuits.signals.waveform.Spectrum
        Phases count from the first sample.
    """
    sizes = transform(tapered.samples, tapered.rate, frequencies)
    count = len(tapered.samples)
    wanted = np.asarray(frequencies, dtype=float)
    every = np.concatenate([wanted, -wanted, [0.0]])
    apart = np.diff(np.sort(np.concatenate([every, tapered.rate - wanted])))
    if apart.min() > (LOBE + 1) * tapered.step:
        # each stands free of all others
        amplitudes = 2.0 * sizes / (_MEAN * count)
    else:
        turns = 2.0 * math.pi / tapered.rate * every
        gram = _spread(turns[:, None] - turns[None, :], count)
        right = np.concatenate([sizes, sizes.conj(), [tapered.samples.sum()]])
        solved = np.linalg.lstsq(gram, right, rcond=1e-12)[0].astype(np.complex128)
        amplitudes = 2.0 * solved[: len(wanted)]
    return Spectrum(wanted, amplitudes, 0.0, residual)


def refine(wave: Floats, rate: float, frequency: float, rounds: int = 4) -> float:
    """The exact frequency of a line that is known nearly.

    The phase in the later half of the wave against that in the earlier half tells how far off
    it is; see `circuits.signals.waveform.tuned`, which does the same for a few unevenly spaced
    points.

    Parameters
    ----------
    wave : (n,) array
        Without window.
    rate : float
        Samples a second.
    frequency : float
        Hz; half a step off at most.
    rounds : int
        Each makes what is left smaller.
    """
    half = len(wave) // 2
    shape = window(half)
    parts = [wave[:half] * shape, wave[half : 2 * half] * shape]
    for _ in range(rounds):
        early, late = (transform(part, rate, [frequency])[0] for part in parts)
        if early == 0.0 or late == 0.0:
            break  # half of the wave holds nothing, and tells nothing
        late = late * np.exp(-2j * math.pi * frequency * half / rate)
        change = float(np.angle(late / early)) * rate / (2.0 * math.pi * half)
        frequency += change
        if abs(change) < 1e-9 * rate / len(wave):
            break
    return frequency


def wander(wave: Floats, rate: float, frequency: float, parts: int = 8) -> float:
    """How far the frequency of a line moves along a wave, Hz, between its extremes.

    Parameters
    ----------
    wave : (n,) array
        Without window.
    rate : float
        Samples a second.
    frequency : float
        Hz, of the line.
    parts : int
        Into so many the wave is cut; the phase of the line is read in each.
    """
    size = len(wave) // parts
    shape = window(size)
    turn = -2j * math.pi * frequency * size / rate
    phases = np.unwrap(
        [
            np.angle(
                transform(wave[k * size : (k + 1) * size] * shape, rate, [frequency])[0]
                * np.exp(turn * k)
            )
            for k in range(parts)
        ]
    )
    off = np.diff(phases) * rate / (2.0 * math.pi * size)
    return float(off.max() - off.min())


def near(tapered: Tapered, frequency: float, reach: float) -> float:
    """Where the power is highest within `reach` Hz of a frequency, between the steps."""
    low = max(tapered.place(frequency - reach), 1)
    high = min(tapered.place(frequency + reach), len(tapered.power) - 2)
    return _summit(tapered, low + int(tapered.power[low : high + 1].argmax()))


def _summit(tapered: Tapered, place: int) -> float:
    """The frequency of a peak: a parabola through the levels of three steps."""
    left, top, right = np.log(tapered.power[place - 1 : place + 2] + 1e-300)
    bend = left - 2.0 * top + right
    off = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float((place + min(max(off, -0.5), 0.5)) * tapered.step)


def floor_of(power: Floats) -> Floats:
    """The level of noise at every step, looked for below the lines.

    Parameters
    ----------
    power : (n,) array
        Of `Tapered`.

    Returns
    -------
    (n,) array
        Mean power a step: the lowest fifth of every `_AREA` steps, which of noise lies at
        −ln(0.8) of its mean.
    """
    count = max(len(power) // _AREA, 1)
    size = len(power) // count
    areas = power[: count * size].reshape(count, size)
    low = np.quantile(areas, _SHARE, axis=1) / -math.log(1.0 - _SHARE)
    middles = (np.arange(count) + 0.5) * size
    level: Floats = np.exp(np.interp(np.arange(len(power)), middles, np.log(low + 1e-300)))
    return level


def peaks(tapered: Tapered, above_db: float = 20.0, most: int = 200) -> list[tuple[float, float]]:
    """Lines that stand clear of the noise: (frequency, peak amplitude), greatest first.

    Parameters
    ----------
    above_db : float
        How far above the floor of noise.
    most : int
        How many at most.
    """
    power = tapered.power
    floor = floor_of(power) * 10.0 ** (above_db / 10.0)
    inner = power[1:-1]
    tops = np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & (inner > floor[1:-1])) + 1
    tops = tops[tops > LOBE]
    lines: list[tuple[float, float]] = []
    taken = np.zeros(len(power), dtype=bool)
    for place in tops[np.argsort(power[tops])[::-1]].tolist():
        if taken[place]:
            continue
        low, high = max(place - LOBE, 0), place + LOBE + 1
        lines.append((_summit(tapered, place), math.sqrt(2.0 * float(power[low:high].sum()))))
        taken[low:high] = True
        if len(lines) == most:
            break
    return lines


def without(tapered: Tapered, frequencies: Sequence[float]) -> Floats:
    """The power with lines cut out and the gaps filled with the mean beside them.

    Parameters
    ----------
    frequencies : sequence of float
        Hz.
    """
    power = tapered.power.copy()
    reach = LOBE + 1
    free = np.ones(len(power), dtype=bool)
    free[:reach] = False
    for frequency in frequencies:
        place = tapered.place(frequency)
        free[max(place - reach, 0) : place + reach + 1] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[True], free, [True]]).astype(int)))
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        beside = slice(max(low - 4 * reach, 0), high + 4 * reach)
        around = power[beside][free[beside]]
        power[low:high] = around.mean() if around.size else 0.0
    return power


def noise_rms(
    power: Floats, step: float, band: tuple[float, float], weighting: str = ""
) -> float:
    """RMS of what lies in a band.

    Parameters
    ----------
    power : (n,) array
        Of `Tapered` or `without`.
    step : float
        Hz between two values.
    band : tuple of float
        Hz.
    weighting : str
        One of `circuits.signals.weighting.WEIGHTINGS`.
    """
    low = max(math.ceil(band[0] / step), 1)
    part = power[low : math.floor(band[1] / step) + 1]
    if weighting:
        part = part * power_weights(weighting, step * np.arange(low, low + len(part), dtype=float))
    return math.sqrt(float(part.sum()))


def line_rms(tapered: Tapered, rest: Floats, frequency: float) -> tuple[float, float]:
    """RMS within the lobe of a line, without the noise, and the least that noise lets one see.

    Unlike `fit` it takes all of a line whose frequency wanders a little, as that of the mains.

    Parameters
    ----------
    rest : (n,) array
        The power without lines, of `without`.
    frequency : float
        Hz.
    """
    place = tapered.place(frequency)
    lobe = slice(max(place - LOBE, 1), place + LOBE + 1)
    noise = float(rest[lobe].sum())
    # the sum of noise over a lobe varies by a third of itself
    return math.sqrt(max(float(tapered.power[lobe].sum()) - noise, 0.0)), math.sqrt(noise)
