"""A card calibrated: from a loop of cable and two readings of a meter a side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from circuits.errors import InputError
from circuits.plausible import FULL_SCALE
from circuits.quantity import render
from circuits.signals.recording import CHANNELS
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.soundcard.calibration import INPUT_OHMS, Calibration
from diagnose.soundcard.card import Card, Floats
from diagnose.soundcard.heard import Heard, NotTaken, take_sides
from diagnose.soundcard.played import Played, levelled, silence, tones

TONE_HZ = 1e3
"""The tone that a meter reads."""
TONE_PEAK = 10.0 ** (-10.0 / 20.0)
"""Of full scale: loud for a meter, and clear of what a converter does at its very top."""
PLACES = (20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 12.5e3, 16e3, 20e3)
"""Hz at which the card's own response is read."""
OHMS_ASKED = ("the ohms of the card's input: 10 kohm for a line input, 1 Mohm for an instrument's")
"""What is asked first."""
_SECONDS = 1.2
"""s of each take of a loop."""
_NOTHING = 1e-10
"""Ratio that is told of crosstalk of which nothing is heard: -200 dB."""


def volts_asked(side: int) -> tuple[str, str]:
    """What is asked of a meter at a side of the card, while `tone_at` plays there."""
    name = CHANNELS[side]
    return (
        f"a meter on a.c. volts to the {name} output of the card, nothing else: a tone of 1 kHz "
        "plays; type what the meter shows, such as 0.632 V",
        f"now a cable from the {name} output to the {name} input as well, the meter still there: "
        "type what it shows",
    )


def tone_at(side: int, rate: float) -> Floats:
    """One second of the tone that a meter reads, which can be played over and over."""
    count = round(rate)
    tone: Floats = TONE_PEAK * np.sin(2.0 * np.pi * TONE_HZ * np.arange(count) / rate)
    return np.stack([np.zeros(count), tone]) if side else tone


def measured_by(
    card: Card, volts: Sequence[tuple[float, float]], input_ohms: float
) -> Calibration:
    """Calibrate one side of a card, or both: as many as there are pairs of readings.

    Parameters
    ----------
    volts : sequence of (float, float)
        As `measure_own` and `measure_both` have them.

    Raises
    ------
    InputError
        As these.
    """
    if len(volts) == 1:
        return measure_own(card, *volts[0], input_ohms)
    left, right = volts
    return measure_both(card, left, right, input_ohms)


def measure_own(
    card: Card, open_volts: float, loop_volts: float, input_ohms: float, mains: float = 50.0,
    today: date | None = None,
) -> Calibration:
    """Calibrate the left side of a card, whose output is connected to its input.

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
    return _side(card, (open_volts, loop_volts), input_ohms, mains, today, 0)[0]


def measure_both(
    card: Card, left: tuple[float, float], right: tuple[float, float], input_ohms: float,
    mains: float = 50.0, today: date | None = None,
) -> Calibration:
    """Calibrate both sides of a card, each output connected to the input of its side.

    Parameters
    ----------
    left, right : pair of float
        V RMS of each side's output, open and with its input connected, as in `measure_own`.
    input_ohms, mains
        As `measure_own`.

    Raises
    ------
    InputError
        As `measure_own`, or for a card with one input or one output.
    """
    first, into_right = _side(card, left, input_ohms, mains, today, 0)
    second, into_left = _side(card, right, input_ohms, mains, today, 1)
    if not into_right or not into_left:
        raise InputError("this card has one input", expected="one of two, or one side alone")
    # fractions of full scale, which the two inputs need not have alike
    step = 20.0 * math.log10(second.records / first.records)
    return replace(
        first, crosstalk=tuple((f, x - step) for f, x in into_left),
        right=replace(second, crosstalk=tuple((f, x + step) for f, x in into_right)),
    )


def _side(
    card: Card, volts: tuple[float, float], input_ohms: float, mains: float, today: date | None,
    side: int,
) -> tuple[Calibration, tuple[tuple[float, float], ...]]:
    """One side, and what the other input hears of it, (Hz, dB relative to this one)."""
    open_volts, loop_volts = volts
    name = CHANNELS[side]

    def heard(played: Played) -> Heard:
        made = take_sides(card, {side: played}, mains)[side]
        if isinstance(made, NotTaken):
            raise made
        return made

    _checked(open_volts, loop_volts, input_ohms)
    tone = heard(tones([(TONE_HZ, TONE_PEAK)], _SECONDS, card.rate))
    if tone.clipped:
        raise InputError("the card's input is overloaded by its own output",
                         expected="the input's gain turned down, until nothing clips")
    size = float(tone.amplitudes()[0])
    if size < 1e-3:
        raise InputError("the card hears hardly anything of its own tone",
                         expected=f"a cable from its {name} output to its {name} input, the "
                         "volume of output and input as they will stay")
    records = loop_volts / size
    found = measured(tone.recording(), Options("sine", records, mains=mains))
    harmonics = tuple(
        (item.measured.reading.order, 10.0 ** (item.value / 20.0)) for item in found.items
        if item.measured is not None and item.measured.reading.quantity == "harmonic"
    )
    many = heard(tones(levelled(PLACES, TONE_PEAK), _SECONDS, card.rate))
    sizes = many.amplitudes(mains)
    response = [(f, 20.0 * math.log10(float(a) / peak))
                for (f, peak), a in zip(levelled(PLACES, TONE_PEAK), sizes, strict=True)]
    middle = dict(response)[1e3]
    quiet = heard(silence(_SECONDS, card.rate))
    noise, hum = _silence(quiet.recording(), records, mains) if quiet.wave.any() else ({}, ())
    ohms = max(input_ohms * (open_volts / loop_volts - 1.0), 0.0)
    made = Calibration(
        card.name, (today or date.today()).isoformat(), card.rate, open_volts / TONE_PEAK, records,
        ohms, input_ohms, tuple((f, x - middle) for f, x in response), harmonics, noise, hum,
    )
    leaks = () if many.other is None else tuple(
        (f, 20.0 * math.log10(max(float(abs(a) / whole), _NOTHING)))
        for f, a, whole in zip(PLACES, many.beside(mains), sizes, strict=True)
    )
    return made, leaks


def _checked(open_volts: float, loop_volts: float, input_ohms: float) -> None:
    least, most = FULL_SCALE
    for volts in (open_volts, loop_volts):
        if not least <= volts <= most:
            raise InputError(f"a card gives no {render(volts, 'V')}",
                             expected="what the meter shows, on a.c. volts")
    if not INPUT_OHMS[0] <= input_ohms <= INPUT_OHMS[1]:
        raise InputError(f"no input of a card has {render(input_ohms, 'ohm')}",
                         expected="10 kohm for a line input, 1 Mohm for an instrument's")
    # a meter shows the same twice to half a per cent
    if loop_volts > 1.005 * open_volts:
        raise InputError("the output has more volts with the input connected than without",
                         expected="the same tone and the same range of the meter, twice")


def _silence(
    recording: Any, full_scale: float, mains: float
) -> tuple[dict[str, float], tuple[tuple[float, float], ...]]:
    found = measured(recording, Options("silence", full_scale, mains=mains))
    readings = [item.measured for item in found.items if item.measured is not None]
    noise = {m.reading.weighting: m.value for m in readings if m.reading.quantity == "noise"}
    hum = tuple((m.reading.frequency, m.value) for m in readings if m.reading.quantity == "hum")
    return noise, hum
