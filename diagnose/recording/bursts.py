"""Tone bursts: what a unit gives for a moment, and how it is afterwards.

`diagnose signal bursts` plays a tone that is loud for 20 ms every half second and 20 dB softer
between. What is told is no reading of a sheet: its maximum output is that of a steady tone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.signals.recording import Recording
from circuits.signals.spectrum import peaks, quick_length, refine, taper
from diagnose.recording.figures import decibels
from diagnose.recording.measurement import Item
from diagnose.stimulus.waves import BETWEEN_DB, BURST_EVERY, BURST_SECONDS

Floats = NDArray[np.float64]

KIND = "bursts"
"""What a recording of bursts is told as."""
_LOOK = 0.004
"""s of a look by which bursts are found: a fifth of one."""
_ABOUT = 0.3
"""Part by which a burst may be longer or shorter as it is found."""
_APART = 0.02
"""Part by which bursts may stand nearer or farther."""
_LEAST_DB, _MOST_DB = 3.0, 30.0
"""dB that bursts lie over what is between: a unit that clips hard leaves few of 20."""
_LEAST = 3
"""Bursts that must be seen; the first of a signal is faded in, and is not read."""
_SETTLED = 0.25
"""Part of a burst at its start that is not read, while filters settle."""
_AFTER = 1.2
"""Lengths of a burst after its start from which on it is over for sure."""
_SAME_DB = 0.5
"""dB within which the tone after a burst is taken for recovered (judgement)."""
_HARMONICS = 5
"""Highest harmonic within bursts: 20 ms tell few of a low tone."""
NOTE = (
    "a sheet holds no reading of a moment: its maximum output is of a steady tone (diagnose signal "
    "steps). What bursts give more than that is what the supply sags by. The level is the most a "
    "unit gives for a moment only where the thd within bursts begins to rise: play them louder "
    "until it does"
)


@dataclass(frozen=True)
class Found:
    """Bursts of a recording.

    Attributes
    ----------
    starts : tuple of int
        First sample of each that is read.
    tone : float
        Hz.
    """

    starts: tuple[int, ...]
    tone: float


def find(wave: Floats, rate: float) -> Found | None:
    """The bursts of a channel; None where it holds none.

    Parameters
    ----------
    wave : (n,) array
    rate : float
        Samples a second.
    """
    count = round(_LOOK * rate)
    looks = wave[: len(wave) // count * count].reshape(-1, count)
    size = np.sqrt(np.square(looks).mean(axis=1))
    between = float(np.median(size))
    if len(size) < _LEAST * BURST_EVERY / _LOOK or not between:
        return None
    loud = size > between * 10.0 ** (_LEAST_DB / 40.0)
    edges = np.flatnonzero(np.diff(loud.astype(int), prepend=0, append=0))
    runs = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)
            if abs((b - a) * _LOOK / BURST_SECONDS - 1.0) <= _ABOUT]
    starts = [int(a) * count for a, _ in runs]
    apart = np.diff(starts) / rate
    if len(starts) < _LEAST or float(np.abs(apart / BURST_EVERY - 1.0).max()) > _APART:
        return None
    inside = float(np.median([size[(a + b) // 2] for a, b in runs]))
    if not _LEAST_DB <= decibels(inside / between) <= _MOST_DB:
        return None
    # the long way between two bursts tells the tone
    first, last = starts[0] + round(2.0 * BURST_SECONDS * rate), starts[1] - count
    part = wave[first : first + quick_length(last - first)]
    lines = peaks(taper(part, rate))
    if not lines:
        return None
    tone = refine(part, rate, lines[0][0])
    exact = tuple(s for s in (_start(wave, rate, tone, start) for start in starts[1:])
                  if s + round(BURST_EVERY * rate) <= len(wave))
    return Found(exact, tone) if len(exact) >= _LEAST - 1 else None


def _start(wave: Floats, rate: float, tone: float, about: int) -> int:
    """Where a burst starts, to half a period: where its size has risen half-way."""
    period = max(round(rate / tone), 2)
    first = max(about - 2 * round(_LOOK * rate), 0)
    part = wave[first : first + 6 * round(_LOOK * rate) + period]
    size = np.sqrt(np.convolve(np.square(part), np.ones(period) / period, mode="valid"))
    rise = np.flatnonzero(size > 0.5 * (size[0] + size.max()))
    return first + int(rise[0]) + period // 2 if len(rise) else about


def figures(
    recording: Recording, channel: int, name: str, full_scale: float | None, found: Found
) -> list[Item]:
    """Levels within bursts and between, distortion within, and the time that recovery takes."""
    wave, rate, tone = recording.samples[channel], recording.rate, found.tone
    inside, between, thd, shift, recovery = [], [], [], [], []
    for start in found.starts:
        low = start + round(_SETTLED * BURST_SECONDS * rate)
        high = start + round(0.9 * BURST_SECONDS * rate)
        sizes, _ = _lines(wave[low:high], rate, tone)
        inside.append(sizes[0])
        thd.append(float(np.hypot.reduce(sizes[1:])) / sizes[0])
        end, half, late = (start + round(s * rate) for s in (
            _AFTER * BURST_SECONDS, 0.5 * BURST_EVERY, 0.9 * BURST_EVERY))
        settled, level = _lines(wave[half:late], rate, tone)
        between.append(settled[0])
        when, moved = _recovery(wave[end:half], rate, tone, settled[0], level)
        recovery.append(when + (_AFTER - 1.0) * BURST_SECONDS)
        shift.append(moved)
    within, rest = (float(np.median(x)) for x in (inside, between))
    made = [*_levels("level within bursts", name, within, full_scale),
            *_levels("level between them", name, rest, full_scale),
            Item("bursts over what is between", decibels(within / rest), "dB", name),
            Item("short of the 20 dB that were played", -BETWEEN_DB - decibels(within / rest),
                 "dB", name),
            Item("thd within bursts", float(np.median(thd)), "%", name),
            Item("gain after a burst, at first", float(np.median(shift)), "dB", name)]
    worst = max(recovery)
    bound = "<" if worst <= (_AFTER - 1.0) * BURST_SECONDS else ""
    made.append(Item("recovered after", worst, "s", name, bound))
    made.append(Item("frequency", tone, "Hz", name))
    made.append(Item("bursts", float(len(found.starts)), "", name))
    return made


def _lines(part: Floats, rate: float, tone: float) -> tuple[list[float], float]:
    """Peaks of a tone and its harmonics by least squares over whole periods, and the mean."""
    count = max(math.floor(len(part) * tone / rate), 1)
    part = part[: round(count * rate / tone)]
    orders = [k for k in range(1, _HARMONICS + 1) if k * tone < 0.45 * rate]
    angle = 2.0 * math.pi * tone / rate * np.arange(len(part))
    columns = [np.ones(len(part))]
    for k in orders:
        columns += [np.cos(k * angle), np.sin(k * angle)]
    found = np.linalg.lstsq(np.stack(columns, axis=1), part, rcond=None)[0]
    sizes = [float(math.hypot(a, b)) for a, b in zip(found[1::2], found[2::2], strict=True)]
    return sizes, float(found[0])


def _recovery(
    after: Floats, rate: float, tone: float, settled: float, level: float
) -> tuple[float, float]:
    """Time, s, until tone and mean are what they are later, and dB of the tone at first."""
    count = max(round(2.0 * rate / tone), 8)
    late, first = 0.0, 0.0
    for k in range(len(after) // count):
        sizes, mean = _lines(after[k * count : (k + 1) * count], rate, tone)
        off = decibels(sizes[0] / settled)
        if k == 0:
            first = off
        if abs(off) > _SAME_DB or abs(mean - level) > settled * (10.0 ** (_SAME_DB / 20.0) - 1.0):
            late = (k + 1) * count / rate
    return late, first


def _levels(word: str, name: str, peak: float, full_scale: float | None) -> list[Item]:
    told = [Item(word, decibels(peak), "dBFS", name)]
    return told if full_scale is None else [Item(word, peak * full_scale, "V", name), *told]
