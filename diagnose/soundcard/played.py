"""What is played in one take: a wave between two pilots, or silence.

The wave is of this room, not of `diagnose.stimulus`: a take plays just the frequencies that the
sheet asks for, for as long as reading them needs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from circuits.curves import riaa_db
from circuits.signals import pilot as pilots
from circuits.signals.sweep import Sweep
from diagnose.soundcard.card import Floats

LEAD = 0.1
"""s of silence before the first pilot."""
SETTLE = 0.3
"""s of a wave before what is read of it: the unit's couplings have charged by then."""
FADE = 0.02
"""s of the fade at either end of a wave, so that nothing thumps."""
BESIDE = 2.5
"""Hz that a tone keeps from a multiple of the mains, whose hum would be read for it."""
AHEAD, AFTER = 0.1, 0.6
"""s before a sweep and after it that are read with it: `AHEAD`, `AFTER`; a coupling of 5 Hz has
died away by then."""
_ORDERS = 10
"""Multiples of the mains that tones keep away from."""
_OFTEN = 1.15
"""Peak of a wave over the largest that random phases are likely to leave; only to be sure."""


@dataclass(frozen=True, eq=False)
class Played:
    """One take as it is played.

    Attributes
    ----------
    samples : (n,) array
        Fractions of full scale.
    begin, end : float
        s after the start of the first pilot, between which the settled wave is.
    apart : float
        s from pilot to pilot; 0 where there is none.
    tones : tuple of (Hz, peak)
        What it is made of; none of silence and of a sweep.
    sweep : Sweep or None
        What else it is made of.
    """

    samples: Floats
    begin: float
    end: float
    apart: float = 0.0
    tones: tuple[tuple[float, float], ...] = ()
    sweep: Sweep | None = None

    def fits(self, other: Played) -> bool:
        """Whether both can be played at once, a side each: what is read of them lies alike."""
        return (len(self.samples), self.begin, self.end, self.apart) == (
            len(other.samples), other.begin, other.end, other.apart)


def tones(
    wanted: Sequence[tuple[float, float]], seconds: float, rate: float, pilot: float = 0.0
) -> Played:
    """Sines at once.

    Parameters
    ----------
    wanted : sequence of (Hz, peak)
        Peaks as fractions of full scale.
    seconds : float
        Of the settled wave.
    rate : float
        Samples a second.
    pilot : float
        Peak of the pilots; by default that of a sine of the power of all.

    Returns
    -------
    Played
    """
    count = round((SETTLE + seconds) * rate)
    time = np.arange(count) / rate
    wave = np.zeros(count)
    for k, (frequency, peak) in enumerate(wanted):
        # phases of Schroeder's kind keep the crest low (Schroeder 1970, from memory)
        turn = math.pi * k * k / len(wanted)
        wave += peak * np.sin(2.0 * math.pi * frequency * time + turn)
    fade = round(FADE * rate)
    ramp = np.sin(0.5 * math.pi * np.arange(fade) / fade) ** 2
    wave[:fade] *= ramp
    wave[count - fade :] *= ramp[::-1]
    size = pilot or math.hypot(*(peak for _, peak in wanted))
    begin = pilots.SECONDS + pilots.GAP
    whole, apart = _between_pilots(wave, size, rate, pilots.GAP)
    return Played(whole, begin + SETTLE, begin + SETTLE + seconds - FADE, apart, tuple(wanted))


def swept_wave(sweep: Sweep, wave: Floats, rate: float, pilot: float) -> Played:
    """An exponential sweep.

    Parameters
    ----------
    wave : (n,) array
        Its samples as they are played.
    pilot : float
        Peak of the pilots.
    """
    begin = pilots.SECONDS + pilots.GAP
    whole, apart = _between_pilots(wave, pilot, rate, AFTER + pilots.GAP)
    return Played(whole, begin - AHEAD, begin + sweep.seconds + AFTER, apart, (), sweep)


def _between_pilots(wave: Floats, size: float, rate: float, gap: float) -> tuple[Floats, float]:
    """Silence, a pilot, the wave, a pilot; and how far apart the pilots start, s."""
    begin = pilots.SECONDS + pilots.GAP
    apart = pilots.next_on_grid(begin + len(wave) / rate + gap)
    whole = np.zeros(round((LEAD + apart + pilots.SECONDS) * rate) + 1)
    for start, made in ((0.0, size * pilots.pilot(rate)), (begin, wave),
                        (apart, size * pilots.pilot(rate, down=True))):
        first = round((LEAD + start) * rate)
        whole[first : first + len(made)] += made
    return whole, apart


def silence(seconds: float, rate: float) -> Played:
    """Nothing, for so many seconds."""
    return Played(np.zeros(round(seconds * rate)), 0.0, seconds)


def beside_mains(frequency: float, mains: float) -> tuple[float, ...]:
    """The tones that a frequency is read by: itself, or one at either side of a hum line.

    Between two tones a fraction of an octave apart, a response in dB is straight along the
    logarithm of frequency to 0.02 dB, whatever two poles make of it.

    Parameters
    ----------
    frequency, mains : float
        Hz.
    """
    order = round(frequency / mains)
    if 1 <= order <= _ORDERS and abs(frequency - order * mains) < BESIDE:
        return frequency * frequency / (frequency + BESIDE), frequency + BESIDE
    return (frequency,)


def levelled(
    frequencies: Sequence[float], rms: float, shaped: bool = False
) -> list[tuple[float, float]]:
    """Tones that together have an RMS, alike, or so that a phono input makes them alike.

    Parameters
    ----------
    rms : float
        As the peak of the sine of the same RMS, a fraction of full scale; the peaks of all tones
        together stay below 1.
    shaped : bool
        Whether each is that much softer as the RIAA replay curve lifts it.
    """
    sizes = np.ones(len(frequencies))
    if shaped:
        sizes = 10.0 ** (-riaa_db(np.asarray(frequencies)) / 20.0)
    sizes *= min(rms / float(np.sqrt(np.square(sizes).sum())), 1.0 / (_OFTEN * float(sizes.sum())))
    return list(zip(map(float, frequencies), sizes.tolist(), strict=True))


def on_sides(played: Mapping[int, Played]) -> Floats:
    """What a card is to play: (n,) on the left alone, else (2, n) with silence where nothing is.

    Parameters
    ----------
    played : mapping
        By side, 0 for left and 1 for right.
    """
    if tuple(played) == (0,):
        return played[0].samples
    made = np.zeros((2, max(len(one.samples) for one in played.values())))
    for side, one in played.items():
        made[side, : len(one.samples)] = one.samples
    return made
