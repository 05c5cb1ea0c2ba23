"""Which exponential sweep a recording holds, told by the line that it draws over time.

The frequency of the strongest line, looked at in short frames, grows e times in every L. That L
and the first frequency are whole multiples of what `circuits.signals.sweep` plays makes both exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.signals.sweep import BEYOND, CONSTANT, FIRST, Sweep, top_of_band

Floats = NDArray[np.float64]

_FRAME = 0.02
"""s of a frame, about."""
_FRAMES = 600
"""Frames that are looked at, at most."""
_LEAST_HZ = 300.0
"""Hz from which a frame tells a frequency well enough, and mains lines count no more."""
_LEAST_OCTAVES = 1.5
"""That a line must climb to be a sweep."""
_ON_LINE = 0.04
"""How far a frame may lie off the line, ln of frequency: 4 %."""
_SHARE = 0.7
"""Of the frames on the way of the line, that lie on it."""
_LEAST_FRAMES = 8
"""Fewer say nothing."""
_LINE_SHARE = 0.15
"""Of a frame's power that a line of such a sweep has at least: what is noise has less."""
_BOTTOM = 2.0
"""Times the first frequency at which the band of a sweep starts."""
_SLACK = 0.03
"""How far the end of a sweep is known: 3 %."""
_SOUND = 0.03
"""Of the level of a line where it was first looked at, from which a frame has sound."""


@dataclass(frozen=True)
class Ridge:
    """A sweep in a recording.

    Attributes
    ----------
    sweep : Sweep
        As played.
    start : float
        s in the recording where it starts, within some ms unless it was told.
    """

    sweep: Sweep
    start: float


def ridge(wave: Floats, rate: float, start: float | None = None) -> Ridge | None:
    """The sweep of a recording; None where it holds none.

    Parameters
    ----------
    wave : (n,) array
        Of one channel.
    start : float, optional
        s where the sweep starts, if that is known by pilots.
    """
    time, frequency, clear = _lines(wave, rate)
    line = _line(time, np.log(frequency), clear & (frequency > _LEAST_HZ))
    if line is None:
        return None
    slope, offset, last = line
    multiple = max(round(1.0 / slope / CONSTANT), 1)
    constant = float(f"{CONSTANT * multiple:.6g}")
    # the frequency at a time, now that L is known
    offset += (slope - 1.0 / constant) * last
    begin = _onset(wave, rate) if start is None else start
    first = FIRST * max(round(math.exp(offset + begin / constant) / FIRST), 1)
    if start is None:
        begin = constant * (math.log(first) - offset)
    end = _two_digits(math.exp(offset + last / constant) / BEYOND)
    high = top_of_band(rate, end)
    low = _BOTTOM * first
    if high < 2.0 * low:
        return None
    return Ridge(Sweep(constant, first, BEYOND * high, low, high), begin)


def _two_digits(frequency: float) -> float:
    """The frequency of two digits that is nearest, if that is near; else itself."""
    short = float(f"{frequency:.2g}")
    return short if abs(short / frequency - 1.0) < _SLACK else frequency


def _lines(wave: Floats, rate: float) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Middle of each frame, s, its strongest frequency, Hz, and whether that stands out."""
    size = 1 << round(math.log2(_FRAME * rate))
    count = min(max((len(wave) - size) // (size // 2), 1), _FRAMES)
    firsts = np.linspace(0, max(len(wave) - size, 0), count).astype(int)
    frames = np.stack([wave[k : k + size] for k in firsts]) * np.hanning(size)
    power = np.square(np.abs(np.fft.rfft(frames, axis=1)))
    power[:, : max(round(0.5 * _LEAST_HZ * size / rate), 1)] = 0.0
    tops = np.clip(power.argmax(axis=1), 1, power.shape[1] - 2)
    rows = np.arange(count)
    left, top, right = (np.log(power[rows, tops + k] + 1e-300) for k in (-1, 0, 1))
    bend = left - 2.0 * top + right
    off = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    beside = sum(power[rows, np.clip(tops + k, 0, power.shape[1] - 1)] for k in range(-2, 3))
    whole = power.sum(axis=1)
    clear = (whole > 1e-12 * whole.max(initial=1e-300)) & (beside > _LINE_SHARE * whole)
    frequency = np.maximum((tops + np.clip(off, -0.5, 0.5)) * rate / size, 1.0)
    return (firsts + 0.5 * size) / rate, frequency, clear


def _line(
    time: Floats, height: Floats, clear: NDArray[np.bool_]
) -> tuple[float, float, float] | None:
    """Slope, 1/s, height at time 0 and last time of the line that most frames lie on."""
    if int(clear.sum()) < _LEAST_FRAMES:
        return None
    t, y = time[clear], height[clear]
    apart = max(len(t) // 8, 1)
    steps = t[apart:] - t[:-apart]
    slopes = (y[apart:] - y[:-apart]) / steps
    slope = float(np.median(slopes))
    if not 1e-3 < slope < 1.5 / CONSTANT:
        return None
    for reach in (10.0 * _ON_LINE, 3.0 * _ON_LINE, _ON_LINE, _ON_LINE):
        offset = float(np.median(y - slope * t))
        on = np.abs(y - slope * t - offset) < reach
        if int(on.sum()) < _LEAST_FRAMES:
            return None
        slope, offset = (float(x) for x in np.polyfit(t[on], y[on], 1))
    on = np.abs(y - slope * t - offset) < _ON_LINE
    if not on.any():
        return None
    low, high = float(t[on].min()), float(t[on].max())
    way = (t >= low) & (t <= high)
    if slope * (high - low) < _LEAST_OCTAVES * math.log(2.0) or float(on[way].mean()) < _SHARE:
        return None
    return slope, offset, high


def _onset(wave: Floats, rate: float) -> float:
    """The time at which a recording without pilots begins to sound, s."""
    size = round(_FRAME * rate)
    blocks = wave[: len(wave) // size * size].reshape(-1, size)
    level = np.sqrt(np.square(blocks - wave.mean()).mean(axis=1))
    loud = np.flatnonzero(level > _SOUND * float(np.quantile(level, 0.8)))
    return float(loud[0] * size / rate) if loud.size else 0.0
