"""The synchronised exponential sweep, as it is played.

A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine: theory, application, and implementation",
J. Audio Eng. Soc. 63 (2015): sin(2π·f₁·L·e^(t/L)). Moved by L·ln m it becomes its own harmonic of
order m, phase and all, so that each order of a unit's distortion answers at a place of its own.

Of the sweeps of this house L is a whole multiple of `CONSTANT` and the first frequency one of
`FIRST`, so that a recording alone tells both; f₁·L is then whole and the sweep starts at zero.
It starts an octave or more below its band and ends above it, and is faded there, so that within
the band its level is constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.curves import RIAA_SECONDS
from circuits.errors import InputError
from circuits.quantity import render

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CONSTANT = 0.1
"""s; L of every sweep is a whole multiple of it."""
FIRST = 10.0
"""Hz; the frequency that every sweep starts with is a whole multiple of it."""
BEYOND = 1.08
"""Times the top of the band at which a sweep ends."""
HIGHEST = 0.4545
"""Of the rate: the highest top of a band. A sweep to 20 kHz at 44.1 kHz then ends below half the
rate."""
LEAST_BAND = 4.0
"""Times the bottom that the top of a band lies, at least."""


@dataclass(frozen=True)
class Sweep:
    """A synchronised exponential sweep.

    Attributes
    ----------
    constant : float
        L, s: in this time the frequency grows e times.
    first, last : float
        Hz, at start and end, where it is faded.
    low, high : float
        Hz, between which its level is constant.
    """

    constant: float
    first: float
    last: float
    low: float
    high: float

    @property
    def seconds(self) -> float:
        """Its length."""
        return self.constant * math.log(self.last / self.first)

    def when(self, frequency: ArrayLike) -> Floats:
        """How many s after the start it is at a frequency, Hz, any shape."""
        return np.asarray(self.constant * np.log(np.asarray(frequency, dtype=float) / self.first))


def top_of_band(rate: float, wanted: float = 20e3) -> float:
    """The highest frequency of a band at that rate up to the wanted one, Hz, to two digits."""
    most = min(wanted, HIGHEST * rate)
    step = 10.0 ** (math.floor(math.log10(most)) - 1)
    return float(f"{math.floor(most / step * (1.0 + 1e-9)) * step:.6g}")


def planned(band: tuple[float, float], seconds: float, rate: float) -> Sweep:
    """The sweep over a band whose length is nearest to what was asked for.

    Parameters
    ----------
    band : tuple of float
        Hz; the bottom is at least twice `FIRST`.
    seconds : float
        Of the whole sweep.
    rate : float
        Samples a second.

    Raises
    ------
    InputError
        For a band that cannot be swept at that rate.
    """
    low, high = band
    most = HIGHEST * rate
    if not 2.0 * FIRST * (1.0 - 1e-9) <= low <= high / LEAST_BAND or high > most:
        raise InputError(
            f"a sweep from {render(low, 'Hz')} to {render(high, 'Hz')} cannot be played at "
            f"{render(rate, 'Hz')}",
            expected=f"{render(2.0 * FIRST, 'Hz')} or more, two octaves at least, and "
            f"{render(most, 'Hz')} at most",
        )
    first = FIRST * math.floor(low / (2.0 * FIRST) * (1.0 + 1e-9))
    last = BEYOND * high
    constant = CONSTANT * max(round(seconds / math.log(last / first) / CONSTANT), 1)
    return Sweep(float(f"{constant:.6g}"), first, last, low, high)


def wave(sweep: Sweep, rate: float, shaped: bool = False) -> Floats:
    """Its samples, of peak 1 in the band.

    Parameters
    ----------
    shaped : bool
        Whether it is led through the inverse of the RIAA replay curve, 0 dB at 1 kHz: its level
        then rises from −19 dB at 20 Hz to +20 dB at 20 kHz.

    Returns
    -------
    (n,) array
    """
    made = values(sweep, np.arange(round(sweep.seconds * rate)) / rate)
    return inverse_riaa(made, rate) if shaped else made


def values(sweep: Sweep, time: Floats) -> Floats:
    """The sweep at any times, nought before its start and after its end.

    Parameters
    ----------
    time : (n,) array
        s after its start.
    """
    time = np.clip(time, 0.0, sweep.seconds)
    angle = 2.0 * math.pi * sweep.first * sweep.constant * np.exp(time / sweep.constant)
    rise = _half_wave(time / float(sweep.when(sweep.low)))
    fall = _half_wave((sweep.seconds - time) / (sweep.seconds - float(sweep.when(sweep.high))))
    return np.asarray(np.sin(angle) * rise * fall)


def _half_wave(place: Floats) -> Floats:
    return np.asarray(np.sin(0.5 * math.pi * np.clip(place, 0.0, 1.0)) ** 2)


def inverse_riaa(samples: Floats, rate: float) -> Floats:
    """A wave of no content near half the rate, through the inverse of the replay curve.

    Level and phase are those of the network, 0 dB at 1 kHz; `RIAA_SECONDS` are of IEC 60098. What
    rings on beyond the end of the wave, for a millisecond, is left out: there it was faded.

    Parameters
    ----------
    samples : (n,) array
    """
    import scipy.fft

    length = int(scipy.fft.next_fast_len(len(samples) + round(0.05 * rate), real=True))
    curve = replay(np.fft.rfftfreq(length, 1.0 / rate))
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(samples, length) / curve, length))[
        : len(samples)
    ]


def replay(frequency: ArrayLike) -> Complexes:
    """The RIAA replay curve with its phase, of size 1 at 1 kHz.

    Parameters
    ----------
    frequency : array_like
        Hz, any shape.
    """
    bass, shelf, treble = RIAA_SECONDS

    def network(f: Floats) -> Complexes:
        s = 2j * math.pi * f
        return np.asarray((1.0 + s * shelf) / ((1.0 + s * bass) * (1.0 + s * treble)))

    found = network(np.asarray(frequency, dtype=float))
    return np.asarray(found / abs(network(np.array(1e3))))
