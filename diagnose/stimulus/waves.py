"""The wave of each kind of signal, of the level that it has at 0 dBFS, one function a kind."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuits.signals import sweep as sweeps
from circuits.signals.manytone import comb
from circuits.signals.pilot import GAP
from diagnose.stimulus.signal import STEADY, STEADY_SECONDS, Signal

Floats = NDArray[np.float64]

FADE = 0.02
"""s of the fade at either end of a wave: without, it would start and end with a thump."""
_SLOW_FADE = 2.0
"""Periods of the lowest tone that a fade takes at least."""
BURST_SECONDS, BURST_EVERY = 0.02, 0.5
"""s: a burst lasts `BURST_SECONDS` and starts `BURST_EVERY` after the last one, as in tests of
what an amplifier can do for a moment (common practice)."""
BETWEEN_DB = -20.0
"""dB of the tone between bursts, relative to them (common practice)."""
STEP_DB, STEP_SECONDS = 1.0, 0.5
"""Of level steps: `STEP_DB` dB from one to the next, each of `STEP_SECONDS` s."""
_GLIDE = 0.005
"""s in which the level goes from one step to the next."""
_FOUR = 4.0
"""Size of the low tone over that of the high one (IEC 60268-3, from memory)."""
_TOP = 0.47
"""Of the rate: the highest harmonic of a square wave, as a recorder's own filter passes it."""


def wave(signal: Signal, rate: float) -> Floats:
    """The samples, faded, without pilots, as fractions of full scale.

    Parameters
    ----------
    signal : Signal
        Checked.
    rate : float
        Samples a second.

    Returns
    -------
    (n,) array
    """
    size = 10.0 ** (signal.played_level / 20.0)
    count = round(signal.wanted_seconds * rate)
    match signal.kind:
        case "sine":
            made = _sum(signal.tones, (1.0,), count, rate)
        case "difference tone":
            made = _sum(signal.tones, (1.0, 1.0), count, rate)
        case "modulation":
            made = _sum(signal.tones, (_FOUR, 1.0), count, rate)
        case "tones":
            made = _comb(signal.played_band(rate), count, rate)
        case "square":
            made = _square(signal.tones[0], count, rate)
        case "bursts":
            made = _bursts(signal.tones[0], count, rate)
        case "steps":
            made = _steps(signal.tones[0], count, rate)
        case "sweep":
            return np.asarray(size * _sweep(signal, rate))
        case _:
            return np.zeros(count)
    lowest = min(signal.tones, default=signal.band[0])
    return np.asarray(size * faded(made, rate, max(FADE, _SLOW_FADE / lowest)))


def length(signal: Signal, rate: float) -> int:
    """How many samples `wave` has."""
    if signal.kind != "sweep":
        return round(signal.wanted_seconds * rate)
    plan = sweeps.planned(signal.played_band(rate), signal.wanted_seconds, rate)
    tones = steady_tones(signal, rate)
    steady = len(tones) * round(STEADY_SECONDS * rate) + (round(GAP * rate) if tones else 0)
    return steady + round(plan.seconds * rate)


def faded(made: Floats, rate: float, seconds: float = FADE) -> Floats:
    """A wave with half a cosine at either end.

    Parameters
    ----------
    seconds : float
        Of either; a quarter of the wave at most.
    """
    count = min(round(seconds * rate), len(made) // 4)
    ramp = np.sin(0.5 * math.pi * np.arange(count) / count) ** 2
    made = made.copy()
    made[:count] *= ramp
    made[len(made) - count :] *= ramp[::-1]
    return made


def steady_tones(signal: Signal, rate: float) -> tuple[float, ...]:
    """The tones before a sweep, Hz; none where it has none."""
    if not signal.steady:
        return ()
    low, high = signal.played_band(rate)
    return tuple(tone for tone in STEADY if low <= tone <= high)


def _sum(tones: Sequence[float], sizes: Sequence[float], count: int, rate: float) -> Floats:
    """Sines whose RMS together is that of a sine of peak 1."""
    time = np.arange(count) / rate
    made = np.zeros(count)
    for tone, size in zip(tones, sizes, strict=True):
        made += size * np.sin(2.0 * math.pi * tone * time)
    return made / math.hypot(*sizes)


def _comb(band: tuple[float, float], count: int, rate: float) -> Floats:
    """Some thirty tones, as the simulated unit is driven with."""
    plan = comb(band)
    time = np.arange(count) / rate
    made = np.zeros(count)
    for order, sign in zip(plan.orders, plan.signs, strict=True):
        made += sign * np.cos(2.0 * math.pi * order * plan.base * time)
    return made / math.sqrt(len(plan.orders))


def _square(frequency: float, count: int, rate: float) -> Floats:
    """The harmonics of a square wave as far as the rate holds them: 4/π · Σ sin(kωt)/k, odd k.

    RMS of the wave without end, 1 for a wave of ±1, so 3 dB below the sine of peak √2.
    """
    turns = 2.0 * math.pi * frequency * np.arange(count) / rate
    made = np.zeros(count)
    for order in range(1, math.floor(_TOP * rate / frequency) + 1, 2):
        made += np.sin(order * turns) / order
    return made * (4.0 / math.pi / math.sqrt(2.0))


def _bursts(frequency: float, count: int, rate: float) -> Floats:
    """A tone that is loud for whole periods at a time, from one crossing of zero to another."""
    time = np.arange(count) / rate
    periods = max(round(BURST_SECONDS * frequency), 1)
    every = max(round(BURST_EVERY * frequency), 2 * periods)
    place = np.mod(np.floor(time * frequency * (1.0 + 1e-12)), every)
    size = np.where(place < periods, 1.0, 10.0 ** (BETWEEN_DB / 20.0))
    return np.asarray(size * np.sin(2.0 * math.pi * frequency * time))


def _steps(frequency: float, count: int, rate: float) -> Floats:
    """A tone that grows step by step up to its whole size."""
    time = np.arange(count) / rate
    number = max(round(count / rate / STEP_SECONDS), 1)
    place = time / (count / rate) * number
    step = np.minimum(np.floor(place), number - 1)
    # the level glides at the start of a step, from the one before
    since = (place - step) * (count / rate / number)
    glide = np.where(step > 0, np.clip(since / _GLIDE, 0.0, 1.0), 1.0)
    level = STEP_DB * (step - (number - 1) - (1.0 - np.sin(0.5 * math.pi * glide) ** 2))
    return np.asarray(10.0 ** (level / 20.0) * np.sin(2.0 * math.pi * frequency * time))


def _sweep(signal: Signal, rate: float) -> Floats:
    plan = sweeps.planned(signal.played_band(rate), signal.wanted_seconds, rate)
    parts = []
    for tone in steady_tones(signal, rate):
        made = _sum((tone,), (1.0,), round(STEADY_SECONDS * rate), rate)
        made = faded(made, rate, _SLOW_FADE / tone)
        parts.append(sweeps.inverse_riaa(made, rate) if signal.shaped else made)
    if parts:
        parts.append(np.zeros(round(GAP * rate)))
    parts.append(sweeps.wave(plan, rate, signal.shaped))
    return np.concatenate(parts)
