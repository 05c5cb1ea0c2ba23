"""A signal to play, as frozen data, and what of it cannot be.

Levels are in dB of full scale, 0 dBFS being the RMS of a sine whose peaks just reach digital full
scale, as everywhere in this house. The level of two or many tones and of a square wave is the RMS
of the whole wave, that of a sweep the one of its sine (at 1 kHz where it is shaped), that of
bursts the one within a burst, that of steps the one of the last and loudest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from circuits.curves import AUDIO
from circuits.errors import InputError
from circuits.quantity import render
from circuits.signals.sweep import HIGHEST, planned, top_of_band

KINDS = (
    "sine", "difference tone", "modulation", "tones", "square", "sweep", "silence", "bursts",
    "steps",
)
"""Words for what may be played."""
CHANNELS = ("mono", "left", "right", "both")
"""One channel; two of which one is driven; two alike."""
RATES = (8000, 192000)
"""Samples a second, the least and the most."""
LENGTHS = (0.5, 600.0)
"""s, the least and the most."""
LEVELS = (-140.0, 0.0)
"""dBFS, the least and the most: a square wave reaches full scale at 1.6 dB more, and nothing of
the bench needs that."""
USUAL_LEVEL = -20.0
"""dBFS where none is told: loud enough for every figure, and a tenth of what a card can do."""
SHAPED_LEVEL = -26.0
"""dBFS of a shaped sweep where none is told: it is 20 dB louder at its top."""
USUAL_SECONDS = 5.0
"""s where no length is told; 5 to 10 s is a good length for lines and noise."""
SWEEP_SECONDS = 10.0
"""s of a sweep where no length is told."""
FREQUENCIES = {
    "sine": (1e3,), "square": (1e3,), "bursts": (1e3,), "steps": (1e3,),
    "difference tone": (19e3, 20e3), "modulation": (60.0, 7e3),
}
"""Hz, what is usual of each kind (IEC 60268-3, from memory, for those of two tones)."""
STEADY = (23.0, 35.0, 65.0, 127.0)
"""Hz of the tones before a sweep by which distortion below 200 Hz is read. Their harmonics up to
the fifth lie 4 Hz or more beside every multiple of 50 and of 60 Hz."""
STEADY_SECONDS = 2.0
"""Length of each of these tones, s."""
_LEAST_FREQUENCY = 1.0
"""Hz; below, nothing of the audio band answers, and a loudspeaker only moves."""


@dataclass(frozen=True)
class Signal:
    """What to play.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    seconds : float
        Length without pilots and silences; 0 for what is usual. A sweep, bursts and steps take
        the nearest length that suits them.
    level : float or None
        dBFS, as above; None for what is usual.
    frequencies : tuple of float
        Hz: one of a sine, a square wave, bursts and steps, two of a pair; empty for the usual.
    band : tuple of float
        Hz, of many tones and of a sweep; the top is lowered where the rate does not reach it.
    channels : str
        One of `CHANNELS`.
    shaped : bool
        Of a sweep: led through the inverse of the RIAA replay curve, for a phono input.
    steady : bool
        Of a sweep: the tones `STEADY` before it.
    pilots : bool
        Whether a pilot stands before and after.
    """

    kind: str
    seconds: float = 0.0
    level: float | None = None
    frequencies: tuple[float, ...] = ()
    band: tuple[float, float] = AUDIO
    channels: str = "mono"
    shaped: bool = False
    steady: bool = False
    pilots: bool = True

    @property
    def played_level(self) -> float:
        """dBFS, with the usual one filled in."""
        if self.level is not None:
            return self.level
        return SHAPED_LEVEL if self.shaped else USUAL_LEVEL

    @property
    def wanted_seconds(self) -> float:
        """s, with the usual length filled in."""
        return self.seconds or (SWEEP_SECONDS if self.kind == "sweep" else USUAL_SECONDS)

    @property
    def tones(self) -> tuple[float, ...]:
        """Its frequencies, Hz, with the usual ones filled in; the lower one first."""
        return tuple(sorted(self.frequencies)) or FREQUENCIES.get(self.kind, ())

    def played_band(self, rate: float) -> tuple[float, float]:
        """The band that is played at that rate, Hz."""
        return self.band[0], top_of_band(rate, self.band[1])


def checked(signal: Signal, rate: float) -> Signal:
    """The signal, if it can be played at that rate.

    Parameters
    ----------
    rate : float
        Samples a second.

    Raises
    ------
    InputError
        For an unknown word, or a value out of its range.
    """
    for word, what, known in ((signal.kind, "signal", KINDS),
                              (signal.channels, "channel", CHANNELS)):
        if word not in known:
            raise InputError(f"there is no {what} {word!r}", choices=known, given=word)
    if not RATES[0] <= rate <= RATES[1] or rate != round(rate):
        raise InputError(f"{render(rate, 'Hz')} is no rate to play at",
                         expected="whole numbers from 8 kHz to 192 kHz, such as 48 kHz")
    if not LENGTHS[0] <= signal.wanted_seconds <= LENGTHS[1]:
        raise InputError(f"this signal would last {render(signal.seconds, 's')}",
                         expected=f"{LENGTHS[0]:g} s to {LENGTHS[1]:g} s")
    if not LEVELS[0] <= signal.played_level <= LEVELS[1]:
        raise InputError(f"the level is {signal.played_level:.4g} dBFS",
                         expected=f"{LEVELS[0]:g} dBFS to {LEVELS[1]:g} dBFS")
    _check_frequencies(signal, rate)
    for is_set, word in ((signal.shaped, "the RIAA curve"), (signal.steady, "steady tones")):
        if is_set and signal.kind != "sweep":
            raise InputError(f"{word} belongs to a sweep", expected="the signal sweep")
    if signal.kind == "sweep":
        planned(signal.played_band(rate), signal.wanted_seconds, rate)
    return signal


def _check_frequencies(signal: Signal, rate: float) -> None:
    wanted = len(FREQUENCIES.get(signal.kind, ()))
    if signal.frequencies and len(signal.frequencies) != wanted:
        raise InputError(
            f"{signal.kind} takes " + ("no frequency" if not wanted else
                                       "one frequency" if wanted == 1 else "two frequencies"),
            expected="a band" if signal.kind in ("tones", "sweep") else
            f"{wanted} of them" if wanted else "the kind and its length alone",
        )
    most = HIGHEST * rate
    for tone in signal.tones:
        if not _LEAST_FREQUENCY <= tone <= most:
            raise InputError(
                f"a tone of {render(tone, 'Hz')} cannot be played at {render(rate, 'Hz')}",
                expected=f"{render(_LEAST_FREQUENCY, 'Hz')} to {render(most, 'Hz')}, or a higher "
                "rate",
            )
    if len(signal.tones) == 2 and signal.tones[0] == signal.tones[1]:
        raise InputError("both tones have the same frequency", expected="two that differ")
    low, high = signal.band
    if not (math.isfinite(high) and _LEAST_FREQUENCY <= low < signal.played_band(rate)[1]):
        raise InputError(
            f"the band is {render(low, 'Hz')} to {render(high, 'Hz')}",
            expected=f"from a low frequency to a high one, at most {render(most, 'Hz')}",
        )
