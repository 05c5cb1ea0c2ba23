"""What is known of a unit's transistors: what it leaves of the spread between makes."""

from pathlib import Path

import numpy as np
import pytest

from circuits import yamlfile
from circuits.errors import InputError
from circuits.load import from_tree
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.given import case_of
from faultlib.makes import left_open
from faultlib.simulate import Laboratory, Variant
from faultlib.tolerance import Make

VCC, RB, RC = 10.0, 1e6, 2e3

TEXT = f"""
stage: fixed-bias
title: Fixed base bias
about: A transistor with one base resistor.
source: common practice
rails: {{vcc: {{volts: {VCC}}}}}
ports: {{input: b, output: c}}
source impedance: 1 Mohm
load: 1 Mohm
parts:
  R1: {{kind: metal-film, nodes: [vcc, b], value: {RB:g} ohm}}
  R2: {{kind: metal-film, nodes: [vcc, c], value: {RC:g} ohm}}
  C1: {{kind: film, nodes: [b, "0"], value: 1n}}
  Q1: {{kind: npn, nodes: [c, b, "0"], model: small-signal-npn, role: amplifier}}
  Q2: {{kind: npn, nodes: [vcc, c, d], model: small-signal-npn, role: follower}}
  R3: {{kind: metal-film, nodes: [d, "0"], value: 100k}}
"""


def sheet(devices: str) -> str:
    return f"case: x\nstage: fixed.yaml\n{devices}\nreadings: []\n"


def stage(folder: Path, devices: str = "") -> Stage:
    (folder / "fixed.yaml").write_text(TEXT)
    return case_of(sheet(devices), folder).stage


def collector(stage: Stage) -> float:
    """V at the collector of the healthy unit."""
    with Laboratory(workers=0) as laboratory:
        answer = laboratory.values(stage, [Variant()], [Reading("dc voltage", at="c")])
    return float(answer.values[0, 0])


@pytest.mark.parametrize("gain", [60.0, 120.0, 200.0])
def test_a_measured_gain_sets_the_bias(tmp_path: Path, gain: float) -> None:
    """Textbook: with one base resistor, V = Vcc - β·R2·(Vcc - 0.65 V)/R1.

    Load and follower take under a hundredth; the Early effect and the fall of gain at small
    currents are the device's own, so that a twelfth is left for them.
    """
    known = stage(tmp_path, f"devices: {{Q1: {{current gain: {gain:g}}}}}")
    drop = VCC - collector(known)
    assert drop == pytest.approx(gain * RC * (VCC - 0.65) / RB, rel=0.085)


def test_no_make_moves_a_gain_that_was_measured(tmp_path: Path) -> None:
    """Makes of one model stray by .5 in the logarithm of gain; a tester errs by a twentieth."""
    usual, known = stage(tmp_path), stage(tmp_path, "devices: {Q1: {current gain: 200}}")

    def spread(of: Stage) -> float:
        makes = [m for m in left_open(of) if isinstance(m, Make)]
        with Laboratory(workers=0) as laboratory:
            rows = laboratory.values(of, [Variant(), *(Variant((), ((m, 0.5),)) for m in makes)],
                                     [Reading("dc voltage", at="c")]).values[:, 0]
        return float(np.sqrt((((rows[1:] - rows[0]) / 0.5) ** 2).sum()))

    assert spread(known) < 0.35 * spread(usual)
    (gain,) = (s for name, s in known.part("Q1").spread if name == "BF")
    assert gain == pytest.approx(0.05)
    assert known.part("Q2").spread == usual.part("Q2").spread


def test_a_matched_pair_has_one_gain(tmp_path: Path) -> None:
    both = stage(tmp_path, "devices: {Q1: {current gain: 150}, Q2: {matched with: Q1}}")
    assert both.part("Q1").parameter("BF") == both.part("Q2").parameter("BF") == 150.0
    plain = stage(tmp_path, "devices: {Q2: {matched with: Q1}}")
    for name in ("Q1", "Q2"):
        assert max(s for _, s in plain.part(name).spread) <= 0.05


@pytest.mark.parametrize(("devices", "word"), [
    ("{Q9: {current gain: 100}}", "Q1"), ("{R1: {current gain: 100}}", "bipolar"),
    ("{Q1: {gain: 100}}", "current gain"), ("{Q1: {current gain: 0.5}}", "2"),
    ("{Q1: {matched with: Q1}}", "Q2"), ("{Q1: {current gain: many}}", "number"),
])
def test_a_mistake_is_shown_where_it_stands(tmp_path: Path, devices: str, word: str) -> None:
    with pytest.raises(InputError) as error:
        stage(tmp_path, f"devices: {devices}")
    assert error.value.place is not None
    assert error.value.place.line == 3
    assert word in str(error.value)


def test_a_table_says_it_as_well(tmp_path: Path) -> None:
    (tmp_path / "fixed.yaml").write_text(TEXT)
    table = ("stage,fixed.yaml\nage,30\ndevice,Q1,current gain,150\ndevice,Q2,matched with,Q1\n"
             "quantity,at,value\ndc voltage,c,5 V\n")
    path = tmp_path / "sheet.csv"
    path.write_text(table)
    case = case_of(path)
    assert case.stage.part("Q2").parameter("BF") == 150.0
    assert case.age == 30.0


def test_the_stage_file_is_read_as_before() -> None:
    assert from_tree(yamlfile.tree(TEXT, "x"), Path()).part("Q1").known == ()
