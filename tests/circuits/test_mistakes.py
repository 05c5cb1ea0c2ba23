"""Mistakes of drawing that are still a circuit; each drawn here as it is made (common practice)."""

from dataclasses import replace
from pathlib import Path

import pytest

from circuits import yamlfile
from circuits.load import from_tree, load_stage, stage_names, unit_names
from circuits.mistakes import FEEDBACK, NO_BIAS, SHORT, mistakes
from circuits.stage import Part, Stage

TEXT = """
stage: two-halves
rails: {vp: {volts: 15 V}, vn: {volts: -15 V}}
ports: {input: in, output: out}
source impedance: 1 kohm
load: 100 kohm
parts:
  C1: {kind: film, nodes: [in, p], value: 1 uF}
  R1: {kind: metal-film, nodes: [p, "0"], value: 100 kohm}
  U1: {kind: opamp, nodes: [p, m, o, vp, vn]}
  R2: {kind: metal-film, nodes: [o, m], value: 47 kohm}
  R3: {kind: metal-film, nodes: [m, "0"], value: 4.7 kohm}
  C2: {kind: film, nodes: [o, b], value: 1 uF}
  R4: {kind: carbon-film, nodes: [vp, b], value: 1 Mohm}
  Q1: {kind: npn, nodes: [vp, b, out], model: small-signal-npn}
  R5: {kind: carbon-film, nodes: [out, vn], value: 10 kohm}
"""


def stage() -> Stage:
    return from_tree(yamlfile.tree(TEXT, "x"), Path())


def told(made: Stage) -> dict[str, tuple[str, str]]:
    return {s.part: (s.state, s.why) for s in mistakes(made)}


def rewired(name: str, *nodes: str) -> Stage:
    return stage().with_part(replace(stage().part(name), nodes=nodes))


@pytest.mark.parametrize("name", [*stage_names(), *unit_names()])
def test_shipped_stages_have_none(name: str) -> None:
    assert told(load_stage(name)) == {}


def test_a_right_circuit_has_none() -> None:
    assert told(stage()) == {}


def test_a_base_that_only_a_capacitor_reaches_has_no_bias() -> None:
    state, why = told(rewired("R4", "vp", "out"))["Q1"]
    assert state == NO_BIAS
    assert "base" in why


def test_a_base_fed_by_another_transistor_has_bias() -> None:
    """Darlington's pair: the second base is fed by the first emitter."""
    first = Part("Q2", "npn", ("vp", "b", "d"), model="small-signal-npn")
    pair = rewired("Q1", "vp", "d", "out")
    assert told(replace(pair, parts=(*pair.parts, first))) == {}


def test_an_input_behind_a_capacitor_has_no_bias() -> None:
    made = stage()
    parts = tuple(p for p in made.parts if p.name != "R1")
    state, why = told(replace(made, parts=parts))["U1"]
    assert state == NO_BIAS
    assert "non-inverting" in why


def test_feedback_to_the_wrong_input_is_told() -> None:
    """The inputs changed over: the divider comes back to the non-inverting one."""
    state, why = told(rewired("U1", "m", "p", "o", "vp", "vn"))["U1"]
    assert state == FEEDBACK
    assert "non-inverting input m" in why


def test_a_follower_that_is_its_own_non_inverting_input() -> None:
    made = rewired("U1", "o", "p", "o", "vp", "vn")
    assert told(made)["U1"][0] == FEEDBACK


def test_feedback_by_way_of_the_next_transistor_is_feedback() -> None:
    """From the follower's emitter to the inverting input, with a bootstrap to the other one."""
    made = rewired("R2", "out", "m")
    boot = Part("C9", "film", ("o", "p"), 1e-9)
    assert told(replace(made, parts=(*made.parts, boot))) == {}


def test_a_short_across_a_supply_is_told_with_its_way() -> None:
    """15 V across half an ohm would be 30 A."""
    made = stage()
    wire = (Part("S1", "switch", ("vp", "x"), 0.01), Part("R9", "wirewound", ("x", "0"), 0.47))
    ((part, (state, why)),) = told(replace(made, parts=(*made.parts, *wire))).items()
    assert (part, state) in (("S1", SHORT), ("R9", SHORT))
    assert "S1" in why
    assert "R9" in why
    bleeder = Part("R9", "wirewound", ("vp", "0"), 100.0)
    assert told(replace(made, parts=(*made.parts, bleeder))) == {}
