"""Level steps for maximum output: the level at which a tone reaches a distortion.

`diagnose signal steps` plays a tone that grows by 1 dB every half second; its pilots say where
each step lies. Between two steps the distortion is taken to rise as that of a sine whose tops are
cut does, with the power 3/2 of how far it goes beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.signals.recording import Recording
from circuits.signals.spectrum import fit, peaks, quick_length, refine, taper
from diagnose.recording.figures import decibels, harmonic_lines, nominal
from diagnose.recording.measurement import Item
from diagnose.sheet.entry import Measured
from diagnose.stimulus.waves import STEP_DB, STEP_SECONDS

Floats = NDArray[np.float64]

KIND = "steps"
"""What a recording of steps is told as."""
THDS = (0.001, 0.01, 0.1)
"""Ratios of distortion at which the level is told: 0.1 %, 1 % and 10 %."""
SHEET_THD = 0.01
"""The one of them that goes on a sheet (IEC 60268-3 leaves it to the maker; 1 % is usual)."""
_EDGE = 0.15
"""Part of a step at its start in which the level glides, and its filters settle."""
_WITHIN_DB = 0.25
"""How far a step may miss its 1 dB where the unit does not clip yet."""
_BEND = 2.0 / 3.0
"""Power of the distortion that grows straight with the level where a sine is clipped: of tops that
are cut by a small height h, their area goes as h to the power 3/2."""
_LEAST = 4
"""Steps that must be seen, of which the first two are clean."""


def levels(wave: Floats, rate: float, begin: float, ratio: float) -> list[tuple[int, int]]:
    """First and last sample of each step; none where what follows the start is no steps.

    Parameters
    ----------
    begin : float
        s where the first one starts.
    ratio : float
        Of the recorder's clock over the player's.
    """
    length = STEP_SECONDS * ratio
    count = math.floor((len(wave) / rate - begin) / length + 0.02)
    parts = [
        (round((begin + (k + _EDGE) * length) * rate), round((begin + (k + 0.97) * length) * rate))
        for k in range(count)
    ]
    sizes = [decibels(float(np.sqrt(np.square(wave[a:b]).mean()))) for a, b in parts]
    grown = np.diff(sizes)
    while len(grown) and grown[-1] < -_WITHIN_DB:
        # the silence before the second pilot
        parts, grown = parts[:-1], grown[:-1]
    if len(parts) < _LEAST or np.abs(grown[:2] - STEP_DB).max() > _WITHIN_DB:
        return []
    return parts if bool((grown > -_WITHIN_DB).all()) else []


def figures(
    recording: Recording, channel: int, name: str, full_scale: float | None,
    parts: Sequence[tuple[int, int]],
) -> list[Item]:
    """The greatest level, and the levels at which the distortion is reached.

    Parameters
    ----------
    parts : sequence of (first, last)
        Of `levels`.
    """
    wave, rate = recording.samples[channel], recording.rate
    first, last = parts[-1]
    top = taper(wave[first:last], rate)
    tone = refine(wave[first:last], rate, peaks(top)[0][0])
    rms, thd = [], []
    for low, high in parts:
        tapered = taper(wave[low : low + quick_length(high - low)], rate)
        spectrum = fit(tapered, harmonic_lines(tone, rate))
        # an RMS meter on the output shows the harmonics as well
        rms.append(spectrum.rms)
        thd.append(max(waveform.thd(spectrum), 1e-9))
    made = [_at("greatest level", name, rms[-1], full_scale, None)]
    for wanted in THDS:
        size = _crossing(rms, thd, wanted)
        if size is None:
            continue
        reading = None
        if wanted == SHEET_THD:
            reading = Reading("maximum output", frequency=nominal(tone), thd=wanted)
        made.append(_at(f"maximum output at {render(wanted, '%')} thd", name, size, full_scale,
                        reading))
    made.append(Item("frequency", tone, "Hz", name))
    made.append(Item("steps", float(len(parts)), "", name))
    made.append(Item("thd at the first step", thd[0], "%", name))
    return made


def _crossing(rms: Sequence[float], thd: Sequence[float], wanted: float) -> float | None:
    """The RMS at which the distortion last rises through a ratio; None where it does not."""
    for k in range(len(thd) - 1, 0, -1):
        if thd[k - 1] < wanted <= thd[k]:
            low, middle, high = (float(x**_BEND) for x in (thd[k - 1], wanted, thd[k]))
            return float(rms[k - 1] + (rms[k] - rms[k - 1]) * (middle - low) / (high - low))
    return None


def _at(
    word: str, name: str, rms: float, full_scale: float | None, reading: Reading | None
) -> Item:
    """A level in volts with its reading where they are known, else in dB of full scale."""
    size = rms * math.sqrt(2.0)
    if full_scale is None:
        return Item(word, decibels(size), "dBFS", name)
    volts = size * full_scale
    return Item(word, volts, "V", name, "", Measured(reading, volts) if reading else None)
