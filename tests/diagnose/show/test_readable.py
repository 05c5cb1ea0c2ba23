"""No more of a simulated value is shown than an ordinary bench instrument shows.

The sources are general: a meter of three and a half digits has 0.1 mV on its 200 mV range and
0.1 ohm or better on its lowest ohms range, audio analysers of the period show some microvolts of
their own noise (common practice).
"""

from __future__ import annotations

import math
import re

import pytest

from circuits.load import load_stage, stage_names
from circuits.quantity import parse, render
from circuits.reading import QUANTITIES, Reading, quantity_of, readable
from diagnose.advice.next_reading import LITTLE, WORTH, Meaning, NextReading, worth
from diagnose.recording.measurement import Item
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.proposal import on_sheet
from diagnose.show.text_measurement import shown
from diagnose.show.text_next import meaning_text
from diagnose.show.wording import amount, span
from faultlib.simulate import Laboratory


@pytest.mark.parametrize(("value", "unit", "reading", "written"), [
    (1e-12, "ohm", "resistance between a and b", "< 10 mΩ"),
    (0.162, "ohm", "resistance between a and b", "160 mΩ"),
    (286e-9, "V", "hum at 200 Hz", "< 1 µV"),
    (1.86e-6, "V", "hum at 200 Hz", "1.9 µV"),
    (-112.0, "dB", "hum at 100 Hz, 1 V", "-112.0 dB"),
    (-133.0, "dB", "hum at 100 Hz, 1 V", "< -120.0 dB"),
    (-4.865e-5, "deg", "phase at 1 kHz", "0°"),
    (50e-12, "V", "dc voltage at c1", "0 V"),
    (-0.00536, "V", "dc voltage at o", "-5.4 mV"),
    (-140.0, "dB", "gain at 1 kHz", "< -100.0 dB"),
    (0.00157, "%", "thd at 1 kHz, 1 W", "0.0016 %"),
    (3e-8, "%", "thd at 1 kHz, 1 W", "< 0.0001 %"),
    (3e-8, "%", "thd+n at 1 kHz, 1 W", "< 0.001 %"),
    (-3.21, "dB", "riaa deviation at 20 Hz", "-3.21 dB"),
])
def test_a_simulated_value(value: float, unit: str, reading: str, written: str) -> None:
    assert amount(value, unit, reading) == written


def test_what_somebody_has_read_stands_as_it_was_read() -> None:
    assert amount(286e-9, "V") == "286 nV"


def test_the_end_of_a_range_has_no_sign() -> None:
    means = (Meaning(None, 286e-9, "V", ("C1",), 0.9), Meaning(286e-9, None, "V", ("C2",), 0.9))
    item = NextReading("hum at 200 Hz", 1.0, "2 min", "", means=means)
    assert meaning_text(item) == "above 1 µV: C2; below 1 µV: C1"
    assert span(286e-9, None, "V", item.reading) == "above 1 µV"


def test_an_angle_of_a_recording() -> None:
    assert shown(Item("phase, right against left", -4.865e-5, "deg")) == "0°"
    assert shown(Item("hum at 50 Hz", 3e-7, "V")) == "300 nV"


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_says_what_an_instrument_shows(name: str) -> None:
    """The last digit is finer than the instrument's uncertainty where that is absolute."""
    about = QUANTITIES[name]
    assert about.step > 0.0
    if about.scale == "linear":
        assert about.step <= about.uncertainty
        assert math.isinf(about.shows)
    if about.scale in ("log", "level"):
        assert about.shows >= about.step
    assert quantity_of(Reading(name, order=3 if name == "harmonic" else 0).label()) is about


@pytest.mark.parametrize("name", QUANTITIES)
@pytest.mark.parametrize("steps", [33.333333, 10.0 + 0.1 + 0.2, 123.456])
def test_rounding_leaves_no_tail(name: str, steps: float) -> None:
    about = QUANTITIES[name]
    value, bound = readable(about, steps * about.step, about.unit)
    assert not bound
    assert value / about.step == pytest.approx(round(steps), abs=1e-9)
    text = render(value, about.unit, 9)
    assert parse(text.replace("Ω", "ohm"), about.unit) == pytest.approx(value, rel=1e-8)


def test_words_for_bits() -> None:
    """A channel that tells one of two equal causes wrongly with p tells 1 - H(p) bit (Shannon)."""
    def bits(p: float) -> float:
        return 1.0 + p * math.log2(p) + (1.0 - p) * math.log2(1.0 - p)

    assert [least for least, _ in WORTH] == pytest.approx(
        [bits(1.0 / 20.0), bits(1.0 / 5.0), bits(1.0 / 3.0)], abs=0.005
    )
    assert worth(0.99) == "separates them well"
    assert worth(0.02) == LITTLE


@pytest.mark.parametrize("name", stage_names())
def test_a_blank_sheet_has_no_long_numbers(name: str) -> None:
    """A tenth of the usual drive is written as people would: 70 mV, not 69.99999999999999."""
    with Laboratory(workers=0) as bench:
        stage = load_stage(name)
        text = blank_sheet(stage, on_sheet(stage, bench))
    assert not re.search(r"[0-9]*\.[0-9]{4,}", text)
