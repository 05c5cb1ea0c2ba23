"""One tone of which a screen holds a few periods: its frequency, and its lines against a channel.

`circuits.signals.spectrum` wants hundreds of periods and even steps; here the frequency is the one
at which least is left, and lines are those of `circuits.signals.waveform`.
"""

from __future__ import annotations

import math

import numpy as np

from circuits.signals import waveform
from circuits.signals.waveform import Floats

LEAST_PERIODS = 1.5
"""Periods that a tone needs to be told from a drift."""
_FINER = 8
"""Steps of the first look at the spectrum in one of 1/T."""
_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
"""Share of a stretch that the golden section leaves of it."""
_ROUNDS = 40
"""Of the golden section: they leave 4e-9 of the stretch."""
_MOST = 20_000
"""Points that the search looks at; more would tell no more."""


def frequency_of(time: Floats, values: Floats) -> float:
    """The frequency of the strongest tone, Hz.

    Parameters
    ----------
    time, values : (n,) arrays
        s, rising.

    Raises
    ------
    ValueError
        For a wave that holds none, or too little of it.
    """
    count = len(time)
    span = float(time[-1] - time[0])
    even = np.interp(np.linspace(time[0], time[-1], count), time, values)
    even -= even.mean()
    if not even.any():
        raise ValueError("nothing alternates")
    size = 1 << (_FINER * count - 1).bit_length()
    power = np.abs(np.fft.rfft(even * np.hanning(count), size))
    step = (count - 1) / (span * size)
    first = max(math.ceil(0.5 / (span * step)), 1)
    peak = (first + int(power[first:].argmax())) * step
    if peak * span < LEAST_PERIODS - 0.25:
        raise ValueError(f"{peak * span:.2g} periods are too few")
    thin = max(count // _MOST, 1)
    found = _least(time[::thin], values[::thin], max(peak - 0.5 / span, 0.25 / span),
                   peak + 0.5 / span)
    if found * span < LEAST_PERIODS:
        raise ValueError(f"{found * span:.2g} periods are too few")
    return found


def _least(time: Floats, values: Floats, low: float, high: float) -> float:
    """Where between two frequencies a line leaves least, by the golden section."""

    def left(frequency: float) -> float:
        return waveform.lines(time, values, [frequency], drift=1).residual

    inner = [high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)]
    rest = [left(f) for f in inner]
    for _ in range(_ROUNDS):
        if rest[0] < rest[1]:
            high, inner[1], rest[1] = inner[1], inner[0], rest[0]
            inner[0] = high - _GOLDEN * (high - low)
            rest[0] = left(inner[0])
        else:
            low, inner[0], rest[0] = inner[0], inner[1], rest[1]
            inner[1] = low + _GOLDEN * (high - low)
            rest[1] = left(inner[1])
    return (low + high) / 2.0


def seen_from(residual: float, count: int) -> float:
    """The peak amplitude from which a line counts as seen in noise of that RMS value.

    The amplitude of a line that least squares find in white noise has a power of 2·σ²·2/n: four
    times that is reached by chance once in fifty looks.
    """
    return 2.0 * residual * math.sqrt(4.0 / count)
