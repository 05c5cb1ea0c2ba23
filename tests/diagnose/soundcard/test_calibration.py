"""A card calibrated in a loop: what was put into it comes out, and is kept by its name."""

from __future__ import annotations

import json
import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.soundcard.calibrating import PLACES, TONE_PEAK, measure_own
from diagnose.soundcard.calibration import Calibration, folder, keep, kept
from tests.diagnose.soundcard.fake_card import FakeCard, Unit

OPEN, LOOP = 2.0 * TONE_PEAK, 1.98 * TONE_PEAK
"""V that a meter shows of a card of 2 V full scale and 101 ohm, without load and into 10 kohm."""


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))


def coupled(f: np.ndarray) -> np.ndarray:
    """Of a card: coupled at 5 Hz, and its filter 0.1 dB down at 20 kHz."""
    made: np.ndarray = 1j * f / (1j * f + 5.0) * 10.0 ** (-0.1 * (f / 20e3) ** 2 / 20.0)
    return made


@pytest.mark.slow
def test_a_loop_tells_what_was_put_into_it() -> None:
    wire = Unit(coupled, hum={50.0: 5e-5})
    card = FakeCard(wire, records=1.5, own_noise=2e-5, own_harmonics={2: 1e-4, 3: 4e-5})
    made = measure_own(card, OPEN, LOOP, 10e3, today=date(2020, 2, 3))
    assert made.plays == pytest.approx(2.0)
    # the wire of the test has no loss, so that the meter's 1 % count for the input
    assert made.records == pytest.approx(1.5 * 0.99, rel=1e-3)
    assert made.output_ohms == pytest.approx(10e3 * (1.0 / 0.99 - 1.0))
    middle = 20.0 * math.log10(abs(coupled(np.array([1e3]))[0]))
    for frequency, level in made.response:
        wanted = 20.0 * math.log10(abs(coupled(np.array([frequency]))[0])) - middle
        # hum of the loop beside the tone at 63 Hz
        assert level == pytest.approx(wanted, abs=0.01)
    assert [f for f, _ in made.response] == list(PLACES)
    # a polynomial's second harmonic grows with the level, the third with its square
    size = TONE_PEAK * 2.0 / 1.5
    assert dict(made.harmonics)[2] == pytest.approx(1e-4 * size, rel=0.03)
    assert dict(made.harmonics)[3] == pytest.approx(4e-5 * size**2, rel=0.15)  # in its noise
    # white noise up to 24 kHz, of which 20 kHz count
    assert made.noise[""] == pytest.approx(2e-5 * 0.99 * math.sqrt(20.0 / 24.0), rel=0.05)
    assert dict(made.hum)[50.0] == pytest.approx(5e-5 * 0.99, rel=0.1)
    assert made.dated == "2020-02-03"
    assert "years" not in made.text()
    path = keep(made)
    assert kept("bench card") == made
    assert "1 kHz with the meter" in made.remarks(date(2022, 1, 1))[0]
    assert made.remarks(date(2020, 3, 1)) == ()
    told = json.loads(path.read_text(encoding="utf-8"))
    told["records"] = 1e9
    path.write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(InputError, match="no calibration"):
        kept("bench card")


@pytest.mark.parametrize("harm", [
    '"response": [[0, 0.1]]', '"response": [[-20, 0.1]]', '"response": [[20, NaN]]',
    '"response": [[30, 0.1], [20, 0.1]]', '"response": [[20, 1e999]]', '"crosstalk": [[0, -90]]',
    '"harmonics": [[1e999, 0.1]]', '"harmonics": [[2, -1e-4]]', '"harmonics": [[1, 0.1]]',
    '"harmonics": [[2, 1' + "0" * 400 + ']]', '"noise": {"": -1e-6}', '"noise": {"": NaN}',
    '"hum": [[50, -1e-6]]', '"hum": [[Infinity, 1e-6]]', '"rate": 0', '"rate": NaN',
    '"response": ' + "[" * 5000 + "]" * 5000, '"right": {"device": "card"}',
])
def test_a_calibration_that_no_card_can_have_is_refused(harm: str) -> None:
    """It would go into every reading: as no number, or as one turned round."""
    path = keep(Calibration("card", "2026-03-01", 48e3, 2.0, 2.0, 100.0, 1e4))
    assert kept("card") is not None
    told = path.read_text(encoding="utf-8").rstrip().removesuffix("}")
    path.write_text(f"{told},\n {harm}}}", encoding="utf-8")  # of two the later counts (JSON)
    with pytest.raises(InputError, match="no calibration"):
        kept("card")


def test_readings_of_a_meter_that_cannot_be_are_refused() -> None:
    card = FakeCard(records=1.5)
    for volts, loop, ohms in ((0.0, 0.5, 1e4), (0.5, 0.6, 1e4), (0.6, 0.5, 5.0)):
        with pytest.raises(InputError):
            measure_own(card, volts, loop, ohms)
    assert card.takes == []
    with pytest.raises(InputError, match="overloaded"):
        measure_own(FakeCard(records=0.5), OPEN, LOOP, 1e4)


def test_a_name_is_kept_apart_from_one_that_is_written_alike() -> None:
    own = Calibration("card: USB (1)", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 1e4)
    keep(own)
    assert kept("card: USB (1)") == own
    assert kept("card  USB  1") is None
    assert kept("another") is None
    assert folder().name == "cards"


def test_its_own_floor_is_told_in_the_units_of_each_reading() -> None:
    own = Calibration("c", "2020-02-03", 48e3, 2.0, 1.0, 100.0, 1e4, ((100.0, -1.0), (1e4, 1.0)),
                      ((2, 3e-5), (3, 4e-5)), {"": 1e-5, "A": 7e-6}, ((50.0, 2e-6),))
    assert own.own(Reading("thd", frequency=1e3), 1.0) == pytest.approx(5e-5)
    second = Reading("harmonic", order=2, frequency=1e3)
    assert own.own(second, 1.0) == pytest.approx(-90.46, abs=0.01)
    assert own.own(Reading("thd+n", frequency=1e3), 0.1) == pytest.approx(math.hypot(5e-5, 1e-4))
    assert own.own(Reading("noise", weighting="A"), 1.0) == 7e-6
    assert own.own(Reading("hum", frequency=50.0), 1.0) == 2e-6
    # straight along the logarithm of frequency: 1 kHz is half-way
    assert own.own_response(1e3) == pytest.approx(0.0)
