"""Voltages between two nodes: what a sheet may say, what is read, and what it tells.

Sources: Kirchhoff's voltage law; the topologies of the shipped output stages, whose emitter
resistors and junctions are named in their files.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading, instrument
from diagnose.inference.model_error import model_covariance
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.drops import drops
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from tests.small import read

STAGE = "output-complementary"


def sheet(folder: Path, reading: str, limits: str = "[]") -> Case:
    path = folder / "case.yaml"
    path.write_text(f"stage: {STAGE}\nreadings: [{reading}]\nlimits: {limits}\n", encoding="utf-8")
    return load_case(path)


def test_the_written_form_is_read(tmp_path: Path) -> None:
    """As the contract has it."""
    case = sheet(tmp_path, "{quantity: dc voltage, at: e7, from: e8, value: 14 mV}",
                 "[{quantity: dc voltage, at: e7, from: e8, max: 20 mV}]")
    (measured,) = case.readings
    assert measured.reading == Reading("dc voltage", at="e7", origin="e8")
    assert measured.value == pytest.approx(0.014)
    assert measured.reading.label() == "dc voltage at e7 from e8"
    (limit,) = case.limits
    assert limit.covers(measured.reading)
    assert not limit.covers(Reading("dc voltage", at="e7"))
    assert entry_line(measured.reading) == "{quantity: dc voltage, at: e7, from: e8, value: }"


def test_two_probes_on_one_node_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="same node") as raised:
        sheet(tmp_path, "{quantity: dc voltage, at: e7, from: e7, value: 0 V}")
    assert raised.value.place is not None
    assert raised.value.place.line == 2


def test_a_difference_is_that_of_both_ends() -> None:
    """Kirchhoff's voltage law, to the last digits that two large numbers leave."""
    stage = load_stage(STAGE)
    above, below, apart = read(
        stage,
        Reading("dc voltage", at="vcc", meter=math.inf),
        Reading("dc voltage", at="b5", meter=math.inf),
        Reading("dc voltage", at="vcc", origin="b5", meter=math.inf),
    )
    assert apart == pytest.approx(above - below, abs=1e-9)
    assert apart > 1.0


def test_a_small_difference_is_known_far_better_than_both_ends() -> None:
    """0.1 mV and 0.7 % of a meter's low range (judgement): 14 mV at 0.14 mV, not at 5 mV."""
    apart = Reading("dc voltage", at="e7", origin="e8")
    assert float(instrument(apart, 0.014)) == pytest.approx(np.hypot(1e-4, 0.007 * 0.014))
    assert float(instrument(Reading("dc voltage", at="e7"), 0.014)) > 0.004
    both = model_covariance([apart, Reading("dc voltage", at="e7")], np.array([0.014, 0.014]))
    assert both[0, 0] < 0.02 * both[1, 1]


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        # emitter resistors R14 to R17, junctions of Q5 to Q8, RV1's own reading, the bias spread
        (STAGE, {("e5", "o"), ("o", "e6"), ("e7", "o"), ("o", "e8"), ("b5", "e5"), ("e6", "c3"),
                 ("e5", "e7"), ("e8", "e6"), ("e7", "e8"), ("b5", "c3")}),
        # source resistors R16 and R17; the trimmer itself holds the spread
        ("output-mosfet", {("s7", "o"), ("o", "s8"), ("s7", "s8"), ("c6", "c3")}),
    ],
)
def test_power_stages_are_asked_for_drops_junctions_and_spread(
    name: str, wanted: set[tuple[str, str]]
) -> None:
    stage = load_stage(name)
    found = {(reading.at, reading.origin) for reading, _ in drops(stage)}
    assert wanted <= found
    assert all(volts > 0.0 for volts in read(stage, *(reading for reading, _ in drops(stage))))


@pytest.mark.parametrize("name", ["filter-low", "tone-control", "output-network"])
def test_what_has_no_transistors_is_asked_for_none(name: str) -> None:
    assert drops(load_stage(name)) == ()


def test_an_emitter_resistor_that_drifted_shows_in_the_drops_alone() -> None:
    """Six times 0.33 ohm: against ground it moves nothing by more than a meter's error."""
    stage = load_stage(STAGE)
    to_ground = [Reading("dc voltage", at=node) for node in ("e7", "e8", "o")]
    apart = [Reading("dc voltage", at="e7", origin="o"), Reading("dc voltage", at="o", origin="e8")]
    readings = [*to_ground, *apart]
    units = [Variant(), Variant((Fault("R16", "drift up", 0.33 * 6.0),))]
    with Laboratory(workers=0) as bench:
        good, bad = bench.values(stage, units, readings).values
    off = np.abs(bad - good)
    error = np.sqrt(np.diag(model_covariance(readings, good)))
    error = np.hypot(error, [float(instrument(r, x)) for r, x in zip(readings, good, strict=True)])
    assert (off[:3] < 3.0 * error[:3]).all()
    assert (off[3:] > 3.0 * error[3:]).all()
