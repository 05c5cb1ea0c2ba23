"""What a stage cannot do is asked about, and what good units of every kind do is not.

The bounds are worked out by hand from what the stage files state: Ohm's law, a swing from rail to
rail, decibels of the usual drive.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.load import load_stage
from circuits.reading import Reading, from_compared
from diagnose.sheet.beyond import beyond, other_value
from diagnose.sheet.entry import Measured
from diagnose.sheet.proposal import propose
from faultlib.simulate import Laboratory, Variant

DATA = Path(__file__).resolve().parents[2] / "data"
PHONO = load_stage("phono-two-transistor")  # 24 V by R12, 1 kohm; usual drive 5 mV


@pytest.mark.parametrize(("reading", "fits", "asked", "words"), [
    # mains 10 % high and no load, 24 V read 30 V; 3.3 kV is a prefix too many
    (Reading("dc voltage", at="c2"), 30.0, 3300.0, "above the highest rail, 24 V"),
    (Reading("dc voltage", at="c2"), -0.0, -5.0, "below ground"),
    (Reading("dc voltage", at="c1", origin="e1"), -20.0, -40.0, "between the rails, 24 V"),
    # 24 V through 1 kohm are 24 mA
    (Reading("supply current", rail="vcc"), 3e-3, 3.0, "R12 would pass into a short, 24 mA"),
    # 5 mV and 120 dB, a million times, are 5 kV
    (Reading("gain", frequency=1e3), 60.0, 120.0, "5 mV at the input would be 5 kV"),
    (Reading("thd", frequency=1e3), 0.3, 1.5, "more than the signal itself"),
    # a square wave from rail to rail has 12 V RMS
    (Reading("maximum output", frequency=1e3, thd=0.01), 7.0, 24.0, "rail to rail, 24 V"),
    (Reading("riaa deviation", frequency=20.0), -40.0, -400.0, "hardly goes so far"),
])
def test_what_the_rails_and_the_drive_do_not_give(
    reading: Reading, fits: float, asked: float, words: str
) -> None:
    assert beyond(Measured(reading, fits), PHONO) == ""
    assert words in beyond(Measured(reading, asked), PHONO)


def test_a_bound_is_what_the_meter_shows_and_nothing_of_the_stage() -> None:
    assert beyond(Measured(Reading("noise"), 100.0, bound="<"), PHONO) == ""


def test_a_stage_without_a_supply_only_loses() -> None:
    stage = load_stage(DATA / "coupling.yaml")
    assert beyond(Measured(Reading("gain", frequency=1e3), -3.0), stage) == ""
    assert "only lose" in beyond(Measured(Reading("gain", frequency=1e3), 20.0), stage)
    assert beyond(Measured(Reading("dc voltage", at=stage.output), 50.0), stage) == ""


def test_the_value_of_a_part_far_from_the_drawn_one() -> None:
    assert other_value("C3", 470e-6, PHONO) == ""  # 220 µF drawn
    assert "1000000 times less" in other_value("C3", 220e-12, PHONO)
    assert "1000 times that" in other_value("R12", 1e6, PHONO)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["valve-push-pull", "output-mosfet", "supply-regulated"])
def test_nothing_that_a_good_unit_reads_is_asked_about(name: str) -> None:
    stage = load_stage(name)
    with Laboratory(workers=0) as bench:
        readings = [r for r, _ in propose(stage, bench) if not r.driven]
        row = bench.values(stage, [Variant(())], readings).values[0]
    assert len(readings) > 20
    for reading, x in zip(readings, row, strict=True):
        assert beyond(Measured(reading, from_compared(reading, float(x))), stage) == ""
