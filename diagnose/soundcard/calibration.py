"""What is known of a card: volts of its full scale, and its own response, distortion and noise.

Kept by the name of the device, with its date, as one JSON file each;
`diagnose.soundcard.calibrating` makes it from a loop of cable and readings of a meter.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from circuits.errors import InputError, Place
from circuits.plausible import FULL_SCALE
from circuits.quantity import render
from circuits.reading import Reading
from circuits.textfile import contents
from circuits.wholefile import write_whole
from diagnose.sheet.folder import kept_in

VARIABLE = "AMP_DIAGNOSE_CARDS"
"""Where calibrations are kept, in place of the user's data folder."""
LINE_OHMS, HIGH_OHMS = 10e3, 1e6
"""Ohm of inputs as they are usual: for lines, and for instruments."""
SEEN = 2.0
"""Times the card's own, 6 dB, from which something is the unit's and no bound."""
_OLD_DAYS = 365
"""Days after which a calibration is to be looked at again (judgement)."""
INPUT_OHMS = (100.0, 1e8)
"""Ohm that an input of a card can have."""
_OUTPUT_OHMS = (0.0, 1e5)
"""Ohm that an output can have."""
_SAME = 0.02
"""Part by which a line of hum may lie beside the one that is asked for: 50 Hz and 51 Hz."""


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
    crosstalk : tuple of (Hz, dB)
        What the input of this side hears of the other side's loop, relative to that; empty where
        one side alone was calibrated.
    right : Calibration or None
        Of the right side, this being of the left.
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
    crosstalk: tuple[tuple[float, float], ...] = ()
    right: Calibration | None = None

    def __repr__(self) -> str:
        return f"Calibration of {self.text()}"

    def own_response(self, frequency: float) -> float:
        """DB relative to 1 kHz that the card itself adds at a frequency, Hz."""
        return _along(self.response, frequency) if self.response else 0.0

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
            case "crosstalk":
                own = self.crosstalk
                return _along(own, reading.frequency) if own else -math.inf
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
        right = self.right
        also = (f"; right side {render(right.plays, 'V')} out and {render(right.records, 'V')} in"
                if right else "")
        return (f"{self.device}, {when}: full scale {render(self.plays, 'V')} out "
                f"and {render(self.records, 'V')} in, input {render(self.input_ohms, 'ohm')}, "
                f"output {render(self.output_ohms, 'ohm')}{worst}{hiss}{also}")


def _along(curve: tuple[tuple[float, float], ...], frequency: float) -> float:
    """A curve at a frequency, Hz, straight along its logarithm."""
    at, levels = zip(*curve, strict=True)
    return float(np.interp(math.log(frequency), np.log(at), levels))


USUAL = Calibration("no card", "", 48e3, 2.0, 2.0, 100.0, LINE_OHMS)
"""What a list is made with where no card is calibrated: 2 V at 100 ohm out, 2 V at 10 kohm in
(common practice)."""


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
        made = _told(json.loads(contents(path)))
        if not all(map(_fits, (made, *((made.right,) if made.right else ())))):
            raise ValueError
    # of numbers beyond all measure, and of lists within lists without end, too
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        raise InputError("this is no calibration of a card", place=Place(str(path)),
                         expected="the file as it was written; or the card calibrated anew, "
                         "diagnose take --calibrate") from None
    # a name with other signs may have the same file
    return made if made.device == device else None


def _fits(one: Calibration) -> bool:
    """Whether a card can be such a one: what is wrong here would go into every reading."""
    curves = (one.response, one.crosstalk)
    sizes = [x for _, x in (*one.harmonics, *one.hum)] + list(one.noise.values())
    return (
        all(FULL_SCALE[0] <= x <= FULL_SCALE[1] for x in (one.plays, one.records))
        and INPUT_OHMS[0] <= one.input_ohms <= INPUT_OHMS[1]
        and _OUTPUT_OHMS[0] <= one.output_ohms <= _OUTPUT_OHMS[1]
        and 0.0 < one.rate < math.inf
        and all(0.0 < f < math.inf for curve in (*curves, one.hum) for f, _ in curve)
        and all(a < b for curve in curves for (a, _), (b, _) in pairwise(curve))
        and all(math.isfinite(x) for curve in curves for _, x in curve)
        and all(0.0 <= x < math.inf for x in sizes)
        and all(order >= 2 for order, _ in one.harmonics)
    )


def _told(told: Any) -> Calibration:
    """A calibration of what its file holds, unchecked."""
    right = told.get("right")
    return Calibration(
        str(told["device"]), date.fromisoformat(told["dated"]).isoformat(), float(told["rate"]),
        float(told["plays"]), float(told["records"]), float(told["output_ohms"]),
        float(told["input_ohms"]),
        tuple((float(f), float(x)) for f, x in told["response"]),
        tuple((int(k), float(x)) for k, x in told["harmonics"]),
        {str(word): float(x) for word, x in told["noise"].items()},
        tuple((float(f), float(x)) for f, x in told["hum"]),
        # files of before both sides were calibrated have neither
        tuple((float(f), float(x)) for f, x in told.get("crosstalk", ())),
        None if right is None else _told(right),
    )
