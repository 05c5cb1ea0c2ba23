"""A card at a unit while one task is taken: levels approached from below, the card's own kept out.

Levels are approached from below: 40 dB under what is wanted where a loudspeaker hangs on it, 20 dB
else, and never more than 20 dB a step. What lies within 6 dB of the card's own is a bound; of the
rest the card's own is taken out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.errors import InputError
from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals.recording import CHANNELS
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.sheet.states import loaded_with
from diagnose.soundcard.asking import Flow, whole
from diagnose.soundcard.calibration import SEEN
from diagnose.soundcard.heard import Heard, NotTaken, hum_warning
from diagnose.soundcard.played import Played, tones
from diagnose.soundcard.rig import Rig
from diagnose.soundcard.taken import Taken, Takes, Wave

MIDDLE_HZ = 1e3
"""The tone by which a level is found."""
LOUD_START, START = 10.0 ** (-40.0 / 20.0), 10.0 ** (-20.0 / 20.0)
"""Of what is wanted, where a level is approached from: with a loudspeaker's load, and without."""
STRIDE = 10.0
"""Times that the drive grows at most from one take to the next: 20 dB."""
CLOSE = 0.015
"""How near a level is that was reached: 0.13 dB, which a reading at that level does not notice."""
_STRIDES = 8
"""Takes after which a level is given up."""
QUICK, SECONDS, SLOW = 0.4, 1.2, 1.7
"""s of a take that finds a level, of one of a tone or of noise, and of one with tones from 20 Hz
beside hum."""
CURVE = 10.0 ** (-10.0 / 20.0)
"""Of the usual drive: where responses are read, clear of what bends in the unit."""


@dataclass
class AtUnit:
    """A card at a unit, while one task is taken.

    Attributes
    ----------
    rate : float
        Samples a second.
    rig : Rig
        Of the side of the card at which it is taken.
    takes : Takes
        What was taken so far.
    side : int
        Of the card: 0 for left, 1 for right.
    other : Rig or None
        Of the other side, where that was calibrated.
    """

    rate: float
    rig: Rig
    takes: Takes
    side: int = 0
    other: Rig | None = None

    @property
    def sides(self) -> tuple[str, str]:
        """Words for its own side of the card and for the other one."""
        return CHANNELS[self.side], CHANNELS[1 - self.side]

    def take(self, played: Played, away: bool = False) -> Flow[Heard]:
        """A whole take that is not overloaded; `away` as in `asking.Whole`."""
        heard = yield from whole(played, away)
        for why in heard.again:
            self.say(f"a take was thrown away and repeated: {why}")
        if heard.clipped:
            raise NotTaken(
                "the input of the card is overloaded: put a divider before it, or turn its gain "
                "down and calibrate it again"
            )
        self.say(hum_warning(heard, self.rig.stage.mains))
        samples = heard.other if away and heard.other is not None else heard.wave
        self.takes.wave = Wave(samples, heard.rate, heard.tones, played.sweep is not None,
                               self.rig.full_scale)
        return heard

    def say(self, text: str) -> None:
        """A remark, once."""
        if text and text not in self.takes.remarks:
            self.takes.remarks.append(text)

    def add(self, asked: Reading, value: float, own: float = 0.0, bound: str = "") -> None:
        """A reading, the card's own taken out or told as a bound; `own` in the reading's unit."""
        rig = self.rig
        reading, beside = rig.taken(asked)
        if own and reading.unit == "dB":
            if value < own + 20.0 * math.log10(SEEN):
                bound = "<"
        elif own and value < SEEN * own:
            bound = "<"
        elif own and reading.quantity in ("noise", "thd+n"):
            value = math.sqrt(value**2 - own**2)  # two noises add as power, lines may cancel
        full, ohms = render(rig.full_scale, "V"), render(rig.load, "ohm")
        note = f"by a card of {full} full scale and {ohms}"
        self.takes.readings.append(Taken(asked, reading, value, bound, beside, note))

    def sine(
        self, emf: float, seconds: float = QUICK, frequency: float = MIDDLE_HZ, away: bool = False
    ) -> Flow[Heard]:
        """A take of one tone of V RMS of e.m.f."""
        peak = self.rig.peak(emf)
        self.reaches(peak)
        return (yield from self.take(tones([(frequency, peak)], seconds, self.rate), away))

    def reaches(self, peak: float) -> None:
        """Whether the card's output goes so far.

        Raises
        ------
        NotTaken
            Where it does not.
        """
        if peak > 1.0:
            plays = self.rig.own.plays
            raise NotTaken(
                f"the card's output ends at {render(plays, 'V')}, and "
                f"{render(peak * plays, 'V')} are wanted of it at the unit"
            )

    def emf_for(
        self, level: tuple[str, float], reading: Reading, away: bool = False
    ) -> Flow[float]:
        """V RMS of e.m.f. at which a level is reached, approached from below."""
        rig = self.rig
        kind, value = level[0], float(level[1])
        at_output = kind != "input level"
        if kind == "power":
            value = math.sqrt(value * loaded_with(reading, rig.stage))
        target: float = value
        guess = value / rig.gain if at_output else value
        emf: float = guess * (LOUD_START if rig.loudspeaker else START)
        for _ in range(_STRIDES):
            heard = yield from self.sine(emf, frequency=reading.frequency or MIDDLE_HZ, away=away)
            found = rig.volts(float(heard.amplitudes()[0])) if at_output else emf
            if abs(found / target - 1.0) <= CLOSE:
                return emf
            emf *= min(target / found, STRIDE)
            if not at_output and abs(emf / target - 1.0) <= CLOSE:
                return emf
        raise NotTaken(f"{render(value, 'V')} are not reached: {render(found, 'V')} are there")

    def figures(self, readings: Sequence[Reading], heard: Heard, kind: str) -> None:
        """Figures that `diagnose.recording` reads of a wave, for the readings that ask for them."""
        rig = self.rig
        try:
            found = measured(heard.recording(), Options(kind, rig.full_scale,
                                                        mains=rig.stage.mains))
        except InputError as error:
            raise NotTaken(str(error).splitlines()[0]) from None
        volts = float(np.sqrt(np.square(heard.wave).mean())) * math.sqrt(2.0) * rig.own.records
        for reading in readings:
            item = next((i for i in found.items if i.measured is not None
                         and _same(i.measured.reading, reading)), None)
            if item is None:
                self.say(f"{reading.label()} does not show in this take")
                continue
            own = rig.own.own(reading, max(volts, 1e-9))
            if reading.quantity in ("noise", "hum"):
                own *= rig.full_scale / rig.own.records
            self.add(reading, item.value, own if math.isfinite(own) else 0.0, item.bound)


def _same(found: Reading, asked: Reading) -> bool:
    """Whether a figure of a recording is what a sheet asks for, whatever level and load it says."""
    return (found.quantity, found.order, found.weighting) == (
        asked.quantity, asked.order, asked.weighting) and (
        found.quantity != "hum" or abs(found.frequency / asked.frequency - 1.0) < 0.02)
