"""Curves by one sweep of a card, of units whose response and distortion are closed forms.

Outside: poles and zeros in closed form, the equaliser of IEC 60098 as the simulator has it of a
stage, and the harmonics of powers of a cosine, cos² = (1 + cos 2)/2 and cos³ = (3 cos + cos 3)/4.
"""

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
from diagnose.soundcard.divider import behind_output
from diagnose.soundcard.plan import Asked, tasks
from diagnose.soundcard.taking import Rig, Taken, Takes, run
from tests.diagnose.soundcard import units
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

OWN = Calibration("bench card", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 10e3)
LINE = Stage("line", (), load=10e3, signal=(("input level", 0.2),))
THIRDS = tuple(1e3 * 2.0 ** (k / 3.0) for k in range(-16, 13))
"""Hz, 24.8 Hz to 16 kHz, thirds of an octave."""
DRIVE = ("input level", 0.2)


def asked(*readings: Reading, stage: Stage = LINE) -> dict[str, tuple[Reading, ...]]:
    return {task.kind: task.readings for task in tasks([Asked(r) for r in readings], stage, 48e3)}


def takes(card: FakeCard, rig: Rig, *readings: Reading) -> Takes:
    (task,) = tasks([Asked(r) for r in readings], rig.stage, card.rate)
    assert task.kind == "sweep"
    return run(task, card, rig, lambda text: True)


def response(frequency: float) -> Reading:
    return Reading("response", frequency=frequency, reference=1e3)


def coupled(f: np.ndarray) -> np.ndarray:
    """A coupling of 40 Hz and a pole of 12 kHz, of gain 3."""
    made: np.ndarray = 3.0 * (1j * f / (40.0 + 1j * f)) / (1.0 + 1j * f / 12e3)
    return made


def test_a_sweep_is_for_many_frequencies_and_tones_for_few() -> None:
    assert list(asked(*map(response, THIRDS[:11]))) == ["curve"]
    made = asked(*map(response, (10.0, *THIRDS)))
    assert made["curve"] == (response(10.0),)
    assert made["sweep"] == tuple(map(response, THIRDS))
    thd = [Reading("thd", frequency=f, level=DRIVE) for f in (50.0, 200.0, 1e3, 5e3)]
    made = asked(*thd)
    assert made["sweep"] == tuple(thd[1:])
    # below 200 Hz a tone of its own
    assert made["sine"] == (thd[0],)
    assert list(asked(*thd[1:3])) == ["sine"]
    other = replace(thd[3], level=("input level", 0.1))
    assert list(asked(*thd[1:3], other)) == ["sine"]


@pytest.mark.slow
def test_a_response_of_closed_form_is_read_at_every_third_of_an_octave() -> None:
    card = FakeCard(Unit(coupled, hum={50.0: 2e-3, 100.0: 1e-3}, noise=3e-5))
    gain = Reading("gain", frequency=1e3)
    found = takes(card, Rig(OWN, LINE, 3.0), gain, *map(response, THIRDS)).readings
    assert len(found) == 1 + len(THIRDS)
    middle = 20.0 * math.log10(abs(coupled(np.array([1e3]))[0]))
    for one in found:
        wanted = 20.0 * math.log10(abs(coupled(np.array([one.asked.frequency]))[0]))
        wanted -= 0.0 if one.asked.quantity == "gain" else middle
        assert one.value == pytest.approx(wanted, abs=0.03), one.asked.label()
        assert not one.bound
    # one sweep in place of as many tones, and two takes to come near
    assert len(card.takes) <= 4


@pytest.mark.slow
def test_a_phono_input_is_swept_through_the_inverse_curve(shared_store: Path) -> None:
    decibels = units.response(shared_store)
    stage = load_stage(units.STAGE)
    behind = behind_output(5e-3, OWN.plays, OWN.output_ohms, stage.source_impedance)
    assert behind is not None
    made = units.unit(decibels, hum={100.0: 1e-4}, noise=2e-5)
    card = FakeCard(made, pad=behind.ratio)
    asked = [Reading("riaa deviation", frequency=f) for f in THIRDS]
    found = takes(card, Rig(OWN, stage, 10.0 ** (35.4 / 20.0), behind), *asked).readings
    assert len(found) == len(THIRDS)
    for one in found:
        f = one.asked.frequency
        wanted = units.at(decibels, f) - units.at(decibels, 1e3) - float(
            riaa_db(f) - riaa_db(1e3))
        assert one.value == pytest.approx(wanted, abs=0.1), one.asked.label()


@pytest.mark.slow
def test_distortion_against_frequency_is_that_of_powers_of_a_cosine() -> None:
    unit = Unit(lambda f: np.ones(len(f), complex), harmonics={2: 1e-3, 3: 5e-4}, at=0.2,
                noise=2e-6)
    asked = [Reading("thd", frequency=f, level=DRIVE) for f in (200.0, 1e3, 5e3)]
    asked += [Reading("harmonic", order=k, frequency=1e3, level=DRIVE) for k in (2, 3)]
    found: list[Taken] = takes(FakeCard(unit), Rig(OWN, LINE, 1.0), *asked).readings
    assert {one.asked for one in found} == set(asked)
    assert len(found) == len(asked)
    for one in found:
        ratio = {0: math.hypot(1e-3, 5e-4), 2: 1e-3, 3: 5e-4}[one.asked.order]
        value = 10.0 ** (one.value / 20.0) if one.reading.unit == "dB" else one.value
        assert 20.0 * math.log10(value / ratio) == pytest.approx(0.0, abs=0.15), one.asked.label()


@pytest.mark.slow
def test_where_the_level_is_another_one_distortion_is_read_by_a_tone() -> None:
    """A pole of 1 kHz before a third harmonic: at 3 kHz three times less of the level."""
    unit = Unit(lambda f: 1.0 / (1.0 + 1j * f / 1e3), harmonics={3: 1e-3}, at=0.1)
    level = ("output level", 0.1)
    asked = [Reading("thd", frequency=f, level=level) for f in (300.0, 1e3, 3e3)]
    made = takes(FakeCard(unit), Rig(OWN, LINE, 1.0), *asked)
    assert any("3000 Hz a tone of its own" in text for text in made.remarks)
    for one in made.readings:
        # at the level, before which the pole stands, the third is what it is everywhere
        assert one.value == pytest.approx(1e-3, rel=0.05), one.asked.label()


@pytest.mark.slow
def test_a_sweep_that_overloads_the_card_leaves_it_to_tones() -> None:
    """A resonance of 15 dB at 450 Hz, between the frequencies that are asked for."""

    def peaked(f: np.ndarray) -> np.ndarray:
        x = f / 450.0
        made: np.ndarray = 1.0 / (1.0 - x**2 + 0.18j * x)
        return made

    unit = Unit(peaked, harmonics={2: 1e-3}, at=0.25)
    asked = [Reading("thd", frequency=f, level=DRIVE) for f in (200.0, 1e3, 2e3)]
    made = takes(FakeCard(unit, records=0.7), Rig(replace(OWN, records=0.7), LINE, 0.25), *asked)
    assert any("tones in place of a sweep" in text for text in made.remarks)
    assert [one.asked.frequency for one in made.readings] == [200.0, 1e3, 2e3]
    for one in made.readings:
        # the second grows with the level
        level = 0.2 * abs(peaked(np.array([one.asked.frequency]))[0])
        assert one.value == pytest.approx(1e-3 * level / 0.25, rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("count", [64, -128])
def test_a_sweep_that_lost_a_buffer_is_thrown_away(count: int) -> None:
    # two clocks: of 400 millionths between the pilots, 180 samples, they alone let this pass
    card = FakeCard(Unit(coupled), one_clock=False, drops=[(1, 250_000, count)])
    made = takes(card, Rig(OWN, LINE, 3.0), *map(response, THIRDS))
    assert any("the sweep jumps 4" in text for text in made.remarks)
    middle = abs(coupled(np.array([1e3]))[0])
    for one in made.readings:
        wanted = 20.0 * math.log10(abs(coupled(np.array([one.asked.frequency]))[0]) / middle)
        assert one.value == pytest.approx(wanted, abs=0.03), one.asked.label()
