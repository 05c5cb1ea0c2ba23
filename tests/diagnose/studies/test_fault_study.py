"""A study against closed forms: the coupling capacitor of the textbooks.

A capacitor C into R makes a first-order high-pass of corner 1 / 2πRC; its gain is
-10 log10(1 + (fc / f)²) dB.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.proposal import propose
from diagnose.show.figure import Figure
from diagnose.show.study_figure import MOST_PANELS, study_figure
from diagnose.show.text_stage import stage_text, study_text
from diagnose.studies.fault_study import Study, study, study_json
from faultlib.simulate import Laboratory

DATA = Path(__file__).resolve().parents[2] / "data"
AT = (10.0, 20.0, 1000.0)
LOAD = 10e3


def stage() -> Stage:
    return load_stage(DATA / "coupling.yaml")


def made(mode: str = "capacitance loss", *, extra: tuple[Reading, ...] = ()) -> Study:
    gains = [Reading("gain", frequency=f) for f in AT]
    with Laboratory(workers=0) as bench:
        return study(stage(), "C1", mode, [*gains, *extra], bench)


def high_pass(farads: float, f: float, esr: float) -> float:
    """Gain in dB of C with its series resistance into the load."""
    impedance = complex(LOAD + esr, -1.0 / (2.0 * math.pi * f * farads))
    return 20.0 * math.log10(LOAD / abs(impedance))


def test_the_curve_is_the_closed_form_at_every_size() -> None:
    found = made()
    esr = stage().part("C1").esr
    assert found.quantity == "capacitance"
    assert found.sizes.min() < 1e-6 < found.sizes.max()
    for farads, row in zip(found.sizes, found.si(found.values), strict=True):
        # as dry-out takes the plates, the electrolyte's resistance rises in the same measure;
        # either model of it is within what the load of 10 kohm makes of 20 ohm times 200
        for f, value in zip(AT, row, strict=True):
            exact = high_pass(farads, f, esr)
            dry = high_pass(farads, f, esr * 10e-6 / farads)
            assert min(exact, dry) - 0.02 <= value <= max(exact, dry) + 0.02


def test_ten_to_one_microfarad_costs_two_decibels_at_twenty_hertz() -> None:
    """Closed form: corner 1.59 → 15.9 Hz, 20 Hz -2.13 dB."""
    found = made()
    k = AT.index(20.0)
    order = np.argsort(found.sizes)
    gain = np.interp(math.log(1e-6), np.log(found.sizes[order]), found.values[order, k])
    # straight lines between sizes are refined until they miss by half of what a meter tells
    assert gain - found.healthy[k] == pytest.approx(-2.13 + 0.03, abs=0.06)


def test_the_band_is_the_tolerance_of_the_load() -> None:
    """R_L of ±1 % (uniform: σ = limit / √3) and ±20 % of C move 10 Hz as the closed form says."""
    found = made()
    part = stage().part("C1")
    farads = part.value
    assert farads is not None
    steps = {
        "C": math.exp(math.log1p(part.tolerance) / math.sqrt(3.0)),
        "R": math.exp(math.log1p(0.01) / math.sqrt(3.0)),
    }
    base = high_pass(farads, 10.0, part.esr)
    by_c = high_pass(farads * steps["C"], 10.0, part.esr) - base
    impedance = complex(LOAD * steps["R"] + part.esr, -1.0 / (2.0 * math.pi * 10.0 * farads))
    by_r = 20.0 * math.log10(LOAD * steps["R"] / abs(impedance)) - base
    # the spread of the series resistance adds 35 % of it against the load
    by_esr = high_pass(farads, 10.0, part.esr * 1.42) - base
    expected = math.sqrt(by_c**2 + by_r**2 + by_esr**2)
    assert found.sigma[AT.index(10.0)] == pytest.approx(expected, rel=0.05)


def test_arrows_stand_where_readings_leave_the_band() -> None:
    found = made()
    text = study_text(found)
    assert max(len(line) for line in text.splitlines()) <= 80
    apart = found.si(found.values) - found.si(found.healthy)
    assert np.array_equal(found.outside() < 0, apart < -2.0 * np.hypot(found.sigma, found.bench))
    body = text[: text.index("↑ ↓")]
    assert "↓" in body
    assert "↑" not in body  # losing capacitance takes level, and gives none


def test_a_mode_without_a_size_is_one_row() -> None:
    found = made("open")
    assert not found.sized
    assert found.values.shape == (1, len(AT))
    document = study_json(found)
    assert document["size"] is None
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert "open" in study_text(found)


def test_the_document_has_one_value_a_size() -> None:
    document = study_json(made())
    for reading in document["readings"]:
        assert len(reading["values"]) == len(document["size"]["values"])
        assert reading["low"] <= reading["healthy"] <= reading["high"]


def test_the_picture_has_the_curve_and_its_healthy_band() -> None:
    more = tuple(Reading("response", frequency=f, reference=1e3) for f in (20.0, 50.0, 5e3, 2e4))
    picture: Figure = study_figure(made(extra=more))
    assert 0 < len(picture.panels) <= MOST_PANELS
    curve = next(p for p in picture.panels if p.title == "response")
    assert curve.x.logarithmic
    assert curve.series[0].label == "healthy"
    assert curve.series[0].x == (20.0, 50.0, 5e3, 2e4)
    assert all(panel.bands for panel in picture.panels)
    single = next(p for p in picture.panels if p.title == "gain at 10 Hz")
    assert single.x.falling  # losing capacitance: the worst stands at the right


def test_an_unknown_mode_offers_the_nearest() -> None:
    with pytest.raises(InputError) as refused:
        made("leekage")
    assert "leakage" in refused.value.render()


def test_a_blank_sheet_asks_for_every_test_point_and_rail() -> None:
    output = load_stage("output-complementary")
    with Laboratory(workers=0) as bench:
        readings = [reading for reading, _ in propose(output, bench)]
    assert {r.at for r in readings if r.at} == {node for node, _ in output.test_points}
    assert {r.rail for r in readings if r.rail} == {rail.name for rail in output.rails}
    assert len({r.key() for r in readings}) == len(readings)
    # full-wave rectified 50 Hz mains ripples at 100 Hz (common practice)
    assert 100.0 in {r.frequency for r in readings if r.quantity == "hum"}


def test_a_stage_is_told_with_all_its_parts_and_cautions() -> None:
    output = load_stage("output-complementary")
    text = stage_text(output)
    assert max(len(line) for line in text.splitlines()) <= 80
    words = " ".join(text.split())
    assert all(part.name in words and part.role in words for part in output.parts if part.role)
    assert "Cautions" in text
