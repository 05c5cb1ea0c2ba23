"""Many tones at once: which, how they start, and what lies between them afterwards.

All are whole multiples of one frequency, so that one period holds everything: every product of the
tones falls on a multiple as well. The tones are odd multiples; products of even order then fall
between them always. Below the eighth tone or so no odd multiple is free, and what falls under a
tone is lost, here as in any such measurement.

Every tone starts at a crest, upward or downward: a coupling capacitor then carries at rest what it
would carry in the middle of the run (`circuits.bench.driven`). Signs drawn at random until the
crest is no higher than 10 dB stand between tones of phases made for a low crest (9 dB) and tones
that have nothing to do with each other (12 dB). What a third-order law leaves between the tones
depends on this by 1 to 2 dB, a second-order law by less than 1 dB (numpy, 40 sets of tones).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from circuits.signals import waveform
from circuits.signals.spectrum import noise_rms

Floats = NDArray[np.float64]

COUNT = 30
"""Tones, at most: three to an octave of the audio band."""
DRIFT = 3
"""Degree of the drift beside the tones. One degree more takes up what the second and fourth
multiple hold; with this one a law of second order loses less than 0.1 dB."""
_MOST_MULTIPLES = 1000
"""Of the base up to the top of the band: 50 ms for 20 kHz."""
_LEAST_ROOM = 120
"""Multiples that a band holds, at least: twice the odd ones that thirty tones are taken from."""
_CREST = math.sqrt(10.0)
"""V peak over V RMS, 10 dB: at this crest the search for signs ends."""
_SEED = 1
"""Of the draws of signs: a band has the same wave in every run."""
_DRAWS = 10000
"""Draws of signs, at most; the best one is taken where none reaches `_CREST`."""
_PHASES = 4096
"""Points of a period in which the crest is looked for; a wave of cosines needs half of them."""


@dataclass(frozen=True)
class Comb:
    """Tones of equal size.

    Attributes
    ----------
    base : float
        Hz; one period of it holds the whole wave.
    orders : tuple of int
        The tones as multiples of the base, rising.
    signs : tuple of float
        +1 for a tone that starts at its upper crest, −1 at its lower one.
    crest : float
        The highest value of the wave over its RMS.
    """

    base: float
    orders: tuple[int, ...]
    signs: tuple[float, ...]
    crest: float

    @property
    def frequencies(self) -> tuple[float, ...]:
        """Hz."""
        return tuple(order * self.base for order in self.orders)


@lru_cache(maxsize=16)
def comb(band: tuple[float, float]) -> Comb:
    """Some thirty tones over a band, evenly spaced in octaves as far as odd multiples allow.

    Parameters
    ----------
    band : tuple of float
        Hz. A band wider than three decades has tones in its upper three alone, and a band that
        has no room for thirty has fewer.
    """
    low, high = band
    # the bottom of the band an odd multiple itself, if it may be
    parts = math.ceil(_LEAST_ROOM * low / (high - low)) | 1
    base = max(high / _MOST_MULTIPLES, low / parts)
    first = math.ceil(low / base * (1.0 - 1e-9)) | 1
    last = (math.floor(high / base * (1.0 + 1e-9)) - 1) | 1
    orders = [min(first, last)]
    for left in range(COUNT - 1, 0, -1):
        here = orders[-1]
        ahead = here * max(last / here, 1.0) ** (1.0 / left)
        place = max(here + 2, 2 * round((ahead - 1.0) / 2.0) + 1)
        if place > last:
            break
        orders.append(place)
    signs, crest = _signs(np.array(orders))
    return Comb(base, tuple(orders), signs, crest)


def _signs(orders: NDArray[np.int_]) -> tuple[tuple[float, ...], float]:
    """Signs and the crest that they make, V peak over V RMS.

    The first draw of a crest no higher than 10 dB, else the one of the lowest. Only a wave that
    starts near zero is taken: another would jump from rest.
    """
    generator = np.random.default_rng(_SEED)
    waves = np.cos(np.outer(orders, 2.0 * math.pi / _PHASES * np.arange(_PHASES // 2 + 1)))
    size = math.sqrt(len(orders) / 2.0)
    # one sign for all makes the highest crest there is, √2 a tone
    best, lowest = math.sqrt(2.0 * len(orders)), np.ones(len(orders))
    for _ in range(_DRAWS):
        signs = generator.choice([-1.0, 1.0], len(orders))
        if abs(signs.sum()) > 1.0:
            continue
        crest = float(np.abs(signs @ waves).max()) / size
        if crest < best:
            best, lowest = crest, signs
        if best <= _CREST:
            break
    return tuple(float(sign) for sign in lowest), best


def between(
    time: Floats, values: Floats, tones: Comb, band: tuple[float, float]
) -> tuple[float, float]:
    """The tones, and all that lies between them in a band.

    A window over the wave, as a recording needs, takes many periods; here one whole period is
    known to hold everything, and its transform has each product in a place of its own.

    Parameters
    ----------
    time, values : (t,) arrays
        One period, evenly spaced or not.
    band : tuple of float
        Hz.

    Returns
    -------
    float, float
        RMS of the tones together and of the rest, in the unit of the values.
    """
    lines = waveform.lines(time, values, tones.frequencies, DRIFT)
    # the tones are taken away before points are read off between the points of the run: of them
    # alone that would leave an error of its own
    rest = values - _sum(lines, time)
    place = 2.0 * (time - time[0]) / (time[-1] - time[0]) - 1.0
    fit = np.polynomial.chebyshev.chebfit(place, rest, DRIFT)
    rest = rest - np.polynomial.chebyshev.chebval(place, fit)
    period = 1.0 / tones.base
    # the usual step, so that all but a few points are taken as they are
    count = round(period / float(np.median(np.diff(time))))
    grid = time[0] + np.arange(count) * (period / count)
    even = np.interp(grid, time, rest, period=period)
    return lines.rms, _rest(2.0 * np.abs(np.fft.rfft(even) / count) ** 2, tones, band)


def between_lines(
    lines: NDArray[np.complex128], tones: Comb, band: tuple[float, float]
) -> tuple[float, float]:
    """The same of a wave whose lines are known.

    Parameters
    ----------
    lines : (n,) complex array
        Peak, of multiples 0 to n − 1 of the base, which reach beyond the tones.
    band : tuple of float
        Hz.

    Returns
    -------
    float, float
        As `between`.
    """
    power = np.abs(lines) ** 2 / 2.0
    return math.sqrt(float(power[list(tones.orders)].sum())), _rest(power, tones, band)


def _rest(power: Floats, tones: Comb, band: tuple[float, float]) -> float:
    """RMS in a band of what is no tone, of the power at multiples of the base; no tone is left."""
    power[[order for order in tones.orders if order < len(power)]] = 0.0
    # the edges of the band belong to it however they are rounded
    edges = (band[0] * (1.0 - 1e-9), band[1] * (1.0 + 1e-9))
    return noise_rms(power, tones.base, edges)


def _sum(found: waveform.Spectrum, time: Floats) -> Floats:
    """The lines of a spectrum as a wave."""
    turns = np.exp(2j * math.pi * np.outer(time, found.frequencies))
    return np.asarray((turns @ found.amplitudes).real)
