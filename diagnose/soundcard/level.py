"""What comes in just now: level, clipping, hum and a spectrum in bands, while a step waits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from circuits.signals.recording import Recording, at_full_scale
from circuits.signals.spectrum import LOBE, Floats, quick_length, taper

BANDS = tuple(1e3 * 2.0 ** (k / 3.0) for k in range(-17, 14))
"""Middles of the bands of a third of an octave, 20 Hz to 20 kHz (IEC 61260-1, base two)."""
_QUIET_DB = -150.0
"""What is shown of nothing, dBFS."""
_HUM_DB = -70.0
"""dBFS of a mains line from which it is told."""
_LEAST = 0.02
"""s that a look takes at least."""
_ORDERS = 4
"""Multiples of the mains that are looked at."""


@dataclass(frozen=True)
class Level:
    """One look.

    Attributes
    ----------
    rms, peak : float
        dBFS: of a sine of that RMS, and of the highest sample.
    clipped : bool
        Whether two samples in a row lie at full scale.
    hum : tuple of (Hz, dBFS)
        Mains lines that stand out, the loudest first.
    bands : tuple of float
        dBFS in each of `BANDS`.
    """

    rms: float
    peak: float
    clipped: bool
    hum: tuple[tuple[float, float], ...]
    bands: tuple[float, ...]


def level(wave: Floats, rate: float, mains: float = 50.0) -> Level:
    """What a short stretch of one channel holds.

    Parameters
    ----------
    wave : (n,) array
        Fractions of full scale.
    rate : float
        Samples a second.
    mains : float
        Hz.
    """
    wave = wave[: quick_length(len(wave))]
    if len(wave) < _LEAST * rate:
        return Level(_QUIET_DB, _QUIET_DB, False, (), (_QUIET_DB,) * len(BANDS))
    tapered = taper(wave, rate)
    power, step = tapered.power, tapered.step
    middles = np.arange(len(power)) * step
    edge = 2.0 ** (1.0 / 6.0)
    bands = tuple(
        _db(2.0 * float(power[(middles >= f / edge) & (middles < f * edge)].sum())) for f in BANDS
    )
    clipped = at_full_scale(Recording("", wave[None, :], rate, 0, 1.0))[0] > 0
    total = _db(2.0 * float(np.square(wave - wave.mean()).mean()))
    peak = _db(float(np.square(np.abs(wave).max())))
    return Level(total, peak, clipped, _hum(power, step, mains), bands)


def _hum(power: Floats, step: float, mains: float) -> tuple[tuple[float, float], ...]:
    """Lines at multiples of the mains that stand 10 dB above what is beside them."""
    found = []
    for order in range(1, _ORDERS + 1):
        place = round(order * mains / step)
        if place < 2 * LOBE or place + 3 * LOBE >= len(power):
            continue
        line = float(power[place - LOBE : place + LOBE + 1].sum())
        below = power[place - 2 * LOBE : place - LOBE]
        above = power[place + LOBE + 1 : place + 2 * LOBE]
        around = float(np.mean([*below, *above])) * (2 * LOBE + 1)
        loud = _db(2.0 * line)
        if line > 10.0 * around and loud > _HUM_DB:
            found.append((order * mains, loud))
    return tuple(sorted(found, key=lambda one: -one[1]))


def _db(power: float) -> float:
    return max(10.0 * math.log10(max(power, 1e-30)), _QUIET_DB)
