"""What is known of a card: volts of its full scale, and its own response, distortion and noise.

Kept by the name of the device, with its date, as one JSON file each; `measure_own` makes it from a
loop of cable and two readings of a meter.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from circuits.errors import InputError, Place
from circuits.plausible import FULL_SCALE
from circuits.quantity import render
from circuits.reading import Reading
from circuits.textfile import contents
from circuits.wholefile import write_whole
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.sheet.folder import kept_in
from diagnose.soundcard.card import Card
from diagnose.soundcard.heard import take
from diagnose.soundcard.played import levelled, silence, tones

VARIABLE = "AMP_DIAGNOSE_CARDS"
"""Where calibrations are kept, in place of the user's data folder."""
TONE_HZ = 1e3
"""The tone that a meter reads."""
TONE_PEAK = 10.0 ** (-10.0 / 20.0)
"""Of full scale: loud for a meter, and clear of what a converter does at its very top."""
PLACES = (20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 12.5e3, 16e3, 20e3)
"""Hz at which the card's own response is read."""
LINE_OHMS, HIGH_OHMS = 10e3, 1e6
"""Ohm of inputs as they are usual: for lines, and for instruments."""
SEEN = 2.0
"""Times the card's own, 6 dB, from which something is the unit's and no bound."""
_OLD_DAYS = 365
"""Days after which a calibration is to be looked at again (judgement)."""
_INPUT_OHMS = (100.0, 1e8)
"""Ohm that an input of a card can have."""
_OUTPUT_OHMS = (0.0, 1e5)
"""Ohm that an output can have."""
_SAME = 0.02
"""Part by which a line of hum may lie beside the one that is asked for: 50 Hz and 51 Hz."""
_SECONDS = 1.2
"""s of each take of a loop."""


@dataclass(frozen=True)
class Calibration:
    """One card.

    Attributes
    ----------
    device : str
        Its name, as `diagnose.soundcard.card.Card` has it.
    dated : str
        Its day, ISO 8601.
    rate : float
        Samples a second at which its own response was read.
    plays, records : float
        V RMS of a sine whose peaks reach digital full scale, of the output without load and of
        the input.
    output_ohms, input_ohms : float
        Ohm.
    response : tuple of (Hz, dB)
        Of output and input together, relative to 1 kHz.
    harmonics : tuple of (order, ratio)
        Of output and input together, relative to a tone of `TONE_PEAK`.
    noise : mapping
        V RMS at the input by weighting, ``""`` and ``A``, 20 Hz to 20 kHz.
    hum : tuple of (Hz, V)
        Mains lines of the loop itself.
    """

    device: str
    dated: str
    rate: float
    plays: float
    records: float
    output_ohms: float
    input_ohms: float
    response: tuple[tuple[float, float], ...] = ()
    harmonics: tuple[tuple[int, float], ...] = ()
    noise: Mapping[str, float] = field(default_factory=dict)
    hum: tuple[tuple[float, float], ...] = ()

    def own_response(self, frequency: float) -> float:
        """DB relative to 1 kHz that the card itself adds at a frequency, Hz."""
        if not self.response:
            return 0.0
        at, levels = zip(*self.response, strict=True)
        return float(np.interp(math.log(frequency), np.log(at), levels))

    def own(self, reading: Reading, volts: float) -> float:
        """What the card alone would show of a reading, in the reading's own unit; 0 for nothing.

        Parameters
        ----------
        volts : float
            V RMS of the signal at the card's input.
        """
        match reading.quantity:
            case "harmonic":
                ratio = dict(self.harmonics).get(reading.order, 0.0)
                return 20.0 * math.log10(ratio) if ratio else -math.inf
            case "thd":
                return self._distortion()
            case "thd+n":
                return math.hypot(self._distortion(), self.noise.get("", 0.0) / volts)
            case "many-tone floor":
                return 20.0 * math.log10(max(self.noise.get("", 0.0) / volts, 1e-9))
            case "noise":
                return self.noise.get(reading.weighting, 0.0)
            case "hum":
                near = [v for f, v in self.hum if abs(f / reading.frequency - 1.0) < _SAME]
                return max(near, default=0.0)
            case _:
                return 0.0

    def _distortion(self) -> float:
        return math.hypot(*(ratio for _, ratio in self.harmonics), 0.0)

    def remarks(self, today: date | None = None) -> tuple[str, ...]:
        """What to say of it before it is used."""
        if not self.dated:
            return ()
        days = ((today or date.today()) - date.fromisoformat(self.dated)).days
        if days > _OLD_DAYS:
            return (f"the calibration of this card is {days} days old: read its 1 kHz with the "
                    "meter again (--calibrate)",)
        return ()

    def text(self) -> str:
        """One line of it."""
        distortion = self._distortion()
        worst = f", its own distortion {render(distortion, '%')}" if distortion else ""
        noise = self.noise.get("", 0.0)
        hiss = f", its own noise {render(noise, 'V')}" if noise else ""
        when = f"calibrated {self.dated}" if self.dated else "not calibrated, taken for usual"
        return (f"{self.device}, {when}: full scale {render(self.plays, 'V')} out "
                f"and {render(self.records, 'V')} in, input {render(self.input_ohms, 'ohm')}, "
                f"output {render(self.output_ohms, 'ohm')}{worst}{hiss}")


USUAL = Calibration("no card", "", 48e3, 2.0, 2.0, 100.0, LINE_OHMS)
"""What a list is made with where no card is calibrated: 2 V at 100 ohm out, 2 V at 10 kohm in
(common practice)."""


def measure_own(
    card: Card, open_volts: float, loop_volts: float, input_ohms: float, mains: float = 50.0,
    today: date | None = None,
) -> Calibration:
    """Calibrate a card whose left output is connected to its left input.

    Parameters
    ----------
    open_volts : float
        V RMS that a meter reads at the output, with nothing else connected, of a sine of 1 kHz
        and `TONE_PEAK`.
    loop_volts : float
        The same with the input connected.
    input_ohms : float
        Of the input.
    mains : float
        Hz.

    Raises
    ------
    InputError
        For readings that do not fit together, or an input that is overloaded or hears nothing.
    """
    least, most = FULL_SCALE
    for volts in (open_volts, loop_volts):
        if not least <= volts <= most:
            raise InputError(f"a card gives no {render(volts, 'V')}",
                             expected="what the meter shows, on a.c. volts")
    if not _INPUT_OHMS[0] <= input_ohms <= _INPUT_OHMS[1]:
        raise InputError(f"no input of a card has {render(input_ohms, 'ohm')}",
                         expected="10 kohm for a line input, 1 Mohm for an instrument's")
    # a meter shows the same twice to half a per cent
    if loop_volts > 1.005 * open_volts:
        raise InputError("the output has more volts with the input connected than without",
                         expected="the same tone and the same range of the meter, twice")
    tone = take(card, tones([(TONE_HZ, TONE_PEAK)], _SECONDS, card.rate), mains)
    if tone.clipped:
        raise InputError("the card's input is overloaded by its own output",
                         expected="the input's gain turned down, until nothing clips")
    size = float(tone.amplitudes()[0])
    if size < 1e-3:
        raise InputError("the card hears hardly anything of its own tone",
                         expected="a cable from its left output to its left input, the volume of "
                         "output and input as they will stay")
    records = loop_volts / size
    found = measured(tone.recording(), Options("sine", records, mains=mains))
    harmonics = tuple(
        (item.measured.reading.order, 10.0 ** (item.value / 20.0)) for item in found.items
        if item.measured is not None and item.measured.reading.quantity == "harmonic"
    )
    many = take(card, tones(levelled(PLACES, TONE_PEAK), _SECONDS, card.rate), mains)
    heard = many.amplitudes(mains)
    response = [(f, 20.0 * math.log10(float(a) / peak))
                for (f, peak), a in zip(levelled(PLACES, TONE_PEAK), heard, strict=True)]
    middle = dict(response)[1e3]
    quiet = take(card, silence(_SECONDS, card.rate), mains)
    noise, hum = _silence(quiet.recording(), records, mains) if quiet.wave.any() else ({}, ())
    ohms = max(input_ohms * (open_volts / loop_volts - 1.0), 0.0)
    return Calibration(
        card.name, (today or date.today()).isoformat(), card.rate, open_volts / TONE_PEAK, records,
        ohms, input_ohms, tuple((f, x - middle) for f, x in response), harmonics, noise, hum,
    )


def _silence(
    recording: Any, full_scale: float, mains: float
) -> tuple[dict[str, float], tuple[tuple[float, float], ...]]:
    found = measured(recording, Options("silence", full_scale, mains=mains))
    readings = [item.measured for item in found.items if item.measured is not None]
    noise = {m.reading.weighting: m.value for m in readings if m.reading.quantity == "noise"}
    hum = tuple((m.reading.frequency, m.value) for m in readings if m.reading.quantity == "hum")
    return noise, hum


def folder() -> Path:
    """Where calibrations are kept; AMP_DIAGNOSE_CARDS puts it elsewhere.

    Raises
    ------
    InputError
        For an account without a home.
    """
    return kept_in(VARIABLE, "cards", "calibrations")


def _path(device: str) -> Path:
    word = re.sub(r"[^A-Za-z0-9]+", "-", device).strip("-").lower() or "card"
    return folder() / f"{word}.json"


def keep(calibration: Calibration) -> Path:
    """Keep a calibration; an older one of the same device is replaced.

    Raises
    ------
    InputError
        For a folder or a disk that does not take it.
    """
    path = _path(calibration.device)
    body = json.dumps(asdict(calibration), ensure_ascii=False, indent=1)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, body.encode())
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected=f"a folder in {VARIABLE} that can") from None
    return path


def kept(device: str) -> Calibration | None:
    """The calibration of a device; None where there is none.

    Raises
    ------
    InputError
        For a file that is none.
    """
    path = _path(device)
    if not path.exists():
        return None
    try:
        told = json.loads(contents(path))
        made = Calibration(
            str(told["device"]), date.fromisoformat(told["dated"]).isoformat(), float(told["rate"]),
            float(told["plays"]), float(told["records"]), float(told["output_ohms"]),
            float(told["input_ohms"]),
            tuple((float(f), float(x)) for f, x in told["response"]),
            tuple((int(k), float(x)) for k, x in told["harmonics"]),
            {str(word): float(x) for word, x in told["noise"].items()},
            tuple((float(f), float(x)) for f, x in told["hum"]),
        )
        fits = all(FULL_SCALE[0] <= x <= FULL_SCALE[1] for x in (made.plays, made.records))
        fits &= _INPUT_OHMS[0] <= made.input_ohms <= _INPUT_OHMS[1]
        fits &= _OUTPUT_OHMS[0] <= made.output_ohms <= _OUTPUT_OHMS[1]
        if not fits:
            raise ValueError
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError("this is no calibration of a card", place=Place(str(path)),
                         expected="the file as it was written; or the card calibrated anew, "
                         "diagnose take --calibrate") from None
    # a name with other signs may have the same file
    return made if made.device == device else None
