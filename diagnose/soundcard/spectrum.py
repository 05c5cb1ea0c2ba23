"""The spectrum of what comes in just now, or came in a take: tones, harmonics, mains lines."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from circuits.quantity import render
from circuits.signals.spectrum import BANDWIDTH, LOBE, Floats, Tapered, quick_length, taper
from diagnose.recording.figures import nominal
from diagnose.recording.picture import HARMONIC, MAINS, SIGNAL, Line, Picture
from diagnose.recording.pictures import outline
from diagnose.soundcard.taken import Wave

_LOWEST_HZ, _HIGHEST_HZ = 20.0, 20e3
"""Between which a tone is looked for."""
_TONE = 10.0 ** (30.0 / 10.0)
"""Power of a tone over what is beside it: less may be anything."""
_SEEN = 10.0 ** (10.0 / 10.0)
"""Power of a harmonic or a mains line over what is beside it, from which it is one."""
_LEAST_RMS = 10.0 ** (-100.0 / 20.0)
"""Of full scale: a fainter tone is none that somebody plays."""
_FAINT_RMS = 10.0 ** (-130.0 / 20.0)
"""Of full scale: below lie the last bits of converters, whatever stands out of them."""
_HARMONICS = 10
"""The highest harmonic that is named."""
_NAMED = 4
"""Tones that are named; of more the words would cover each other."""
_MAINS = 10
"""Multiples of the mains that are named."""


def spectrum(wave: Floats, rate: float, mains: float = 50.0) -> Picture:
    """The spectrum of a short stretch of one channel.

    Parameters
    ----------
    wave : (n,) array
        Fractions of full scale; half a second tells 50 Hz from 100 Hz.
    rate : float
        Samples a second.
    mains : float
        Hz.
    """
    wave = wave[: quick_length(len(wave))]
    if len(wave) < 4 * LOBE:
        return Picture("spectrum", "", (), ())
    tapered = taper(wave, rate)
    x, y = outline(tapered)
    lines = _lines(tapered, mains)
    return Picture("spectrum", "", tuple(np.round(x, 2).tolist()), tuple(y.tolist()),
                   tuple(sorted(lines, key=lambda line: line.frequency)),
                   BANDWIDTH * tapered.step)


def of_take(wave: Wave, mains: float = 50.0) -> Picture:
    """The spectrum of a take: what was played, its harmonics if that was one tone, mains lines.

    Parameters
    ----------
    wave : Wave
        Of a sweep no line stands out.
    mains : float
        Hz.
    """
    samples = wave.samples[: quick_length(len(wave.samples))]
    if len(samples) < 4 * LOBE:
        return Picture("spectrum", "", (), ())
    tapered = taper(samples, wave.rate)
    x, y = outline(tapered)
    lines = [] if wave.swept else _of_tones(tapered, wave.tones, mains)
    return Picture("spectrum", "", tuple(np.round(x, 2).tolist()), tuple(y.tolist()),
                   tuple(sorted(lines, key=lambda line: line.frequency)),
                   BANDWIDTH * tapered.step)


def _of_tones(tapered: Tapered, tones: Sequence[float], mains: float) -> list[Line]:
    few = len(tones) <= _NAMED
    own = [(f, SIGNAL, render(nominal(f), "Hz") if few else "") for f in tones]
    if len(tones) == 1:
        own += [(tones[0] * k, HARMONIC, f"{k}") for k in range(2, _HARMONICS + 1)]
    step = LOBE * tapered.step
    hum = [(mains * k, MAINS, f"{mains * k:g}") for k in range(1, _MAINS + 1)
           if all(abs(mains * k - f) > step for f, _, _ in own)]
    return [Line(f, rms, kind, name) for f, kind, name in (*own, *hum)
            if (rms := _seen(tapered, f, _SEEN)) > _FAINT_RMS]


def _lines(tapered: Tapered, mains: float) -> list[Line]:
    hum = [mains * k for k in range(1, _MAINS + 1)]
    found = [Line(f, rms, MAINS, f"{f:g}") for f in hum
             if (rms := _seen(tapered, f, _SEEN)) > _FAINT_RMS]
    tone = _tone(tapered, hum)
    if tone is None:
        return found
    own = [tone.frequency * k for k in range(1, _HARMONICS + 1)]
    step = LOBE * tapered.step
    # a mains line beside a harmonic is that
    found = [line for line in found if all(abs(line.frequency - f) > step for f in own)]
    harmonics = [Line(f, rms, HARMONIC, f"{k}") for k, f in enumerate(own[1:], start=2)
                 if (rms := _seen(tapered, f, _SEEN)) > _FAINT_RMS]
    return [*found, tone, *harmonics]


def _tone(tapered: Tapered, hum: list[float]) -> Line | None:
    """The loudest line that is none of the mains; None where nothing stands out."""
    power = tapered.power.copy()
    middles = np.arange(len(power)) * tapered.step
    power[(middles < _LOWEST_HZ) | (middles > _HIGHEST_HZ)] = 0.0
    for frequency in hum:
        power[np.abs(middles - frequency) <= LOBE * tapered.step] = 0.0
    top = int(power.argmax())
    around = slice(max(top - LOBE, 0), top + LOBE + 1)
    weights = tapered.power[around]
    if not weights.sum():
        return None
    frequency = float((weights * middles[around]).sum() / weights.sum())
    rms = _seen(tapered, frequency, _TONE)
    if rms < _LEAST_RMS:
        return None
    return Line(frequency, rms, SIGNAL, render(nominal(frequency), "Hz"))


def _seen(tapered: Tapered, frequency: float, times: float) -> float:
    """RMS of a line that stands out of what is beside it so many times; 0 where none does."""
    place = tapered.place(frequency)
    if place < LOBE or place + 3 * LOBE >= len(tapered.power):
        return 0.0
    line = float(tapered.power[place - LOBE : place + LOBE + 1].sum())
    beside = [*tapered.power[max(place - 2 * LOBE, 1) : place - LOBE],
              *tapered.power[place + LOBE + 1 : place + 2 * LOBE]]
    around = float(np.median(beside)) * (2 * LOBE + 1) if beside else 0.0
    return math.sqrt(line) if line > times * around else 0.0
