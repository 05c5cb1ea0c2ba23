"""Readings of units whose figures are known, from their signals alone."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.curves import riaa_db
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.soundcard.calibration import Calibration
from diagnose.soundcard.divider import before_input, behind_output
from diagnose.soundcard.heard import NotTaken
from diagnose.soundcard.plan import Asked, cannot, tasks
from diagnose.soundcard.taking import Rig, Taken, run
from tests.diagnose.soundcard import units
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

OWN = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
LINE = Stage("line", (), load=10e3, signal=(("input level", 0.2),))
POWER = Stage("power", (), load=8.0, signal=(("power", 20.0),))


def taken(
    card: FakeCard, rig: Rig, *readings: Reading, hands: bool = True
) -> dict[str, Taken]:
    made = {}
    for task in tasks([Asked(r) for r in readings], rig.stage, card.rate):
        for one in run(task, card, rig, lambda text: hands).readings:
            made[one.asked.label()] = one
    return made


def flat(gain: float) -> Unit:
    return Unit(lambda f: np.full(len(f), gain, complex))


@pytest.mark.slow
def test_a_faulty_unit_is_read_within_a_tenth_of_a_decibel(shared_store: Path) -> None:
    decibels = units.response(shared_store)
    stage = load_stage(units.STAGE)
    behind = behind_output(5e-3, OWN.plays, OWN.output_ohms, stage.source_impedance)
    assert behind is not None
    # at the level that 5 mV make, so that the ratios below are what is read
    level = 5e-3 * 10.0 ** (units.at(decibels, 1e3) / 20.0)
    made = units.unit(decibels, harmonics={2: 1e-3, 3: 5e-4}, at=level,
                      hum={50.0: 4e-5, 100.0: 3e-4}, noise=5e-5)
    card = FakeCard(made, pad=behind.ratio, ppm=0.0, own_noise=2e-6)
    own = replace(OWN, noise={"": 1.8e-6})
    rig = Rig(own, stage, 10.0 ** (35.4 / 20.0), behind)
    drive = ("input level", 5e-3)
    found = taken(
        card, rig, Reading("gain", frequency=1e3),
        *(Reading("riaa deviation", frequency=f) for f in (20.0, 50.0, 100.0, 2e3, 20e3)),
        *(Reading("response", frequency=f, reference=1e3) for f in (20.0, 10e3)),
        Reading("thd", frequency=1e3, level=drive),
        Reading("harmonic", order=2, frequency=1e3, level=drive),
        Reading("hum", frequency=50.0), Reading("hum", frequency=100.0), Reading("noise"),
    )
    for one in found.values():
        reading, f = one.asked, one.asked.frequency
        wanted = {
            "gain": units.at(decibels, 1e3),
            "riaa deviation": units.at(decibels, f or 1e3) - units.at(decibels, 1e3)
            - float(riaa_db(f or 1e3) - riaa_db(1e3)),
            "response": units.at(decibels, f or 1e3) - units.at(decibels, 1e3),
            "harmonic": -60.0, "thd": 20.0 * math.log10(math.hypot(1e-3, 5e-4)),
            "hum": 20.0 * math.log10({50.0: 4e-5}.get(f, 3e-4)),
            "noise": 20.0 * math.log10(5e-5 * math.sqrt((20e3 - 20.0) / 24e3)),
        }[reading.quantity]
        value = one.value if reading.unit == "dB" else 20.0 * math.log10(one.value)
        assert value == pytest.approx(wanted, abs=0.1), reading.label()
        # 10 kohm of the card are part of what was read
        assert one.beside == (("load", "10 kohm"),)
        assert not one.bound


@pytest.mark.slow
def test_what_lies_within_six_decibels_of_the_card_is_a_bound() -> None:
    rig = Rig(replace(OWN, noise={"": 2e-5}, hum=((50.0, 1e-4),),
                      harmonics=((2, 1e-4), (3, 1e-5))), LINE, 1.0)
    level = ("input level", 0.2)
    asked = (Reading("noise"), Reading("hum", frequency=50.0), Reading("hum", frequency=100.0),
             *(Reading("harmonic", order=k, frequency=1e3, level=level) for k in (2, 3)))
    quiet = FakeCard(Unit(hum={50.0: 1.5e-4, 100.0: 1e-4}, noise=1e-5, at=0.2,
                          harmonics={2: 1.5e-4, 3: 1.5e-4}), own_noise=2.2e-5)
    found = taken(quiet, rig, *asked)
    bounds = {label: one.bound for label, one in found.items()}
    assert bounds == {"noise": "<", "hum at 50 Hz": "<", "hum at 100 Hz": "",
                      "harmonic 2 at 1 kHz, 200 mV in": "<", "harmonic 3 at 1 kHz, 200 mV in": ""}
    assert found["noise"].text().startswith("< ")
    # above it the card's own is taken out: 60 µV beside 22 µV
    loud = taken(FakeCard(Unit(noise=6e-5), own_noise=2.2e-5), rig, Reading("noise"))["noise"]
    assert loud.value == pytest.approx(6e-5 * math.sqrt(20.0 / 24.0), rel=0.03)


@pytest.mark.slow
def test_the_cards_own_response_is_taken_out() -> None:
    own = replace(OWN, response=((20.0, -1.0), (1e3, 0.0), (20e3, -2.0)))
    card = FakeCard(Unit(lambda f: np.interp(
        np.log(np.maximum(f, 1.0)), np.log([20.0, 1e3, 20e3]), 10.0 ** (np.array(
            [-1.0, 0.0, -2.0]) / 20.0)) + 0j))
    found = taken(card, Rig(own, LINE, 1.0), Reading("gain", frequency=20e3),
                  Reading("response", frequency=20.0, reference=1e3))
    assert all(abs(one.value) < 0.01 for one in found.values())


def test_a_power_amplifier_is_driven_from_forty_decibels_down_behind_its_divider() -> None:
    volts = math.sqrt(20.0 * 8.0)
    before = before_input(volts, OWN.records, OWN.input_ohms)
    assert before is not None
    rig = Rig(OWN, POWER, 20.0, None, before)
    unit = replace(flat(20.0), harmonics={2: 1e-3}, at=volts)
    card = FakeCard(unit, divider=before.ratio, rate=16e3)
    reading = Reading("thd", frequency=1e3, level=("power", 20.0))
    (found,) = taken(card, rig, reading).values()
    assert found.value == pytest.approx(1e-3, rel=0.01)
    assert found.beside == ()
    drive = np.array(card.takes) * 2.0 * math.sqrt(2.0) / math.sqrt(2.0)
    assert drive[0] == pytest.approx(volts / 20.0 * 0.01, rel=0.01)
    assert np.all(drive[1:] / drive[:-1] <= 10.01)
    assert drive[-1] == pytest.approx(volts / 20.0, rel=0.02)


def test_a_unit_with_other_gain_is_driven_to_the_level_that_is_asked_for() -> None:
    unit = replace(flat(5.0), harmonics={2: 1e-3}, at=0.5)
    reading = Reading("thd", frequency=1e3, level=("output level", 0.5))
    (found,) = taken(FakeCard(unit, rate=16e3), Rig(OWN, LINE, 1.0), reading).values()
    assert found.value == pytest.approx(1e-3, rel=0.03)
    with pytest.raises(NotTaken, match="output ends"):
        taken(FakeCard(flat(0.01), rate=16e3), Rig(OWN, LINE, 1.0), reading)


def test_an_input_that_is_overloaded_is_told_and_nothing_is_read() -> None:
    with pytest.raises(NotTaken, match="overloaded"):
        taken(FakeCard(flat(200.0), rate=16e3), Rig(OWN, LINE, 1.0), Reading("gain", frequency=1e3))


def test_a_unit_that_nothing_comes_through_has_a_bound_for_its_gain() -> None:
    dead = Unit(lambda f: np.full(len(f), 1e-6, complex), noise=3e-5)
    found = taken(FakeCard(dead, rate=16e3), Rig(OWN, LINE, 1.0), Reading("gain", frequency=1e3),
                  Reading("response", frequency=20.0, reference=1e3))
    (gain,) = found.values()
    assert gain.bound == "<"
    # its noise of 30 µV in 24 kHz beside 60 mV: some -95 dB in the width of a line
    assert -110.0 < gain.value < -80.0


@pytest.mark.slow
@pytest.mark.parametrize("ohms", [100.0, 1e3])
def test_output_impedance_follows_from_two_loads(ohms: float) -> None:
    """Ohm's law: the e.m.f. divides between the output's resistance and what hangs on it."""
    hung = [10e3]

    class Loaded(FakeCard):
        def play(self, samples, tail=0.4):  # type: ignore[no-untyped-def]
            self.unit = flat(hung[0] / (hung[0] + ohms))
            return super().play(samples, tail)

    def ask(text: str) -> bool:
        hung[0] = 5e3 if text.startswith("connect 10 kΩ") else 10e3
        return True

    rig = Rig(OWN, LINE, 1.0)
    (task,) = tasks([Asked(Reading("output impedance", frequency=1e3))], LINE, 48e3)
    (found,) = run(task, Loaded(rate=16e3), rig, ask).readings
    assert found.value == pytest.approx(ohms, rel=0.01)


@pytest.mark.slow
def test_input_impedance_follows_from_a_resistor_in_series() -> None:
    series = [0.0]

    class Before(FakeCard):
        def play(self, samples, tail=0.4):  # type: ignore[no-untyped-def]
            self.unit = flat(30e3 / (30e3 + series[0] + 100.0))
            return super().play(samples, tail)

    def ask(text: str) -> bool:
        series[0] = 47e3 if text.startswith("put 47 kΩ") else 0.0
        return True

    (task,) = tasks([Asked(Reading("input impedance", frequency=1e3))], LINE, 48e3)
    (found,) = run(task, Before(rate=16e3), Rig(OWN, LINE, 1.0), ask).readings
    assert found.value == pytest.approx(30e3, rel=0.01)


@pytest.mark.slow
def test_maximum_output_is_where_the_distortion_is() -> None:
    # 4h·cos³ = h·(3 cos + cos 3), less 3h·cos: at a times the level the third is h·a³ beside
    # a + 3h·(a³ - a), so 1 % of it where a² = (0.01 - 0.03h)/(h - 0.03h)
    h = 1e-3
    square = (0.01 - 0.03 * h) / (h - 0.03 * h)
    wanted = 0.2 * math.sqrt(square) * (1.0 + 3.0 * h * (square - 1.0))
    unit = replace(flat(1.0), harmonics={3: h}, at=0.2)
    reading = Reading("maximum output", frequency=1e3, thd=0.01)
    (found,) = taken(FakeCard(unit, rate=16e3), Rig(OWN, LINE, 1.0), reading).values()
    assert 20.0 * math.log10(found.value / wanted) == pytest.approx(0.0, abs=0.1)


def test_what_a_card_cannot_take_says_what_can() -> None:
    stage = load_stage(units.STAGE)
    for reading, word in (
        (Reading("dc voltage", at="o"), "voltmeter"), (Reading("ripple", at="vcc", frequency=100.0),
                                                       "rail"),
        (Reading("gain", frequency=1e3, at="o"), "inside"),
        (Reading("thd", frequency=15e3), "samples"), (Reading("rise time"), "scope"),
    ):
        assert word in cannot(reading, stage, 48e3)
    assert cannot(Reading("gain", frequency=1e3), stage, 48e3) == ""
