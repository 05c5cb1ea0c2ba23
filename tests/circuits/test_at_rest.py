"""Currents and dissipation at rest: Ohm's and Kirchhoff's laws, and closed forms of bias."""

from __future__ import annotations

import math

import pytest

from circuits.bench.rest import at_rest
from circuits.load import load_stage, stage_names, unit_names
from circuits.stage import GROUND, Part, Rail, Stage
from tests.small import THERMAL_VOLT, resistor


def follower() -> Stage:
    """A divider of 30 kohm and 20 kohm from 20 V, an emitter follower on 1 kohm."""
    return Stage(
        "follower",
        (
            resistor("R1", "vcc", "b", 30e3),
            resistor("R2", "b", "0", 20e3),
            Part("Q1", "npn", ("vcc", "b", "out"), parameters=(("IS", 1e-14), ("BF", 200.0))),
            resistor("R3", "out", "0", 1e3),
            Part("C1", "film", ("in", "b"), 1e-6),
        ),
        rails=(Rail("vcc", 20.0),),
    )


def test_an_emitter_follower_behind_a_divider() -> None:
    """Thévenin: 8 V behind 12 kohm = IB·12k + Vbe + (BF + 1)·IB·1k, Vbe = Vt·ln(IC/IS)."""
    base = 30e-6
    for _ in range(50):
        base = (8.0 - THERMAL_VOLT * math.log(200.0 * base / 1e-14)) / (12e3 + 201.0 * 1e3)
    found = at_rest(follower())
    collector, into_base, emitter = found.part("Q1").currents
    assert collector == pytest.approx(200.0 * base, rel=1e-4)
    assert into_base == pytest.approx(base, rel=1e-4)
    assert emitter == pytest.approx(-201.0 * base, rel=1e-4)
    assert found.part("R3").current == pytest.approx(201.0 * base, rel=1e-4)
    above = 20.0 - 201.0 * base * 1e3
    vbe = THERMAL_VOLT * math.log(200.0 * base / 1e-14)
    assert found.part("Q1").watts == pytest.approx(200.0 * base * above + base * vbe, rel=1e-3)
    assert found.part("R3").watts == pytest.approx(1e3 * (201.0 * base) ** 2, rel=1e-3)
    assert found.part("C1").watts == 0.0


@pytest.mark.parametrize("name", [*stage_names(), *unit_names()])
def test_what_flows_into_a_node_flows_out_of_it(name: str) -> None:
    """ΣI = 0 wherever nothing but parts meets; the bench stands on input, output and rails.

    An op-amp's output is told as drawn from its rails, and simulated as coming from ground: its
    rail pins may differ by what it gives.
    """
    stage = load_stage(name)
    found = at_rest(stage)
    beside = {GROUND, stage.input, stage.input_return, stage.output, *(r.name for r in stage.rails)}
    joints = () if stage.chain is None else stage.chain.joints
    beside |= {n for n in stage.nodes if any(repr(n) in repr(joint) for joint in joints)}
    meets: dict[str, list[float]] = {}
    for part in stage.parts:
        for at, amperes in zip(part.nodes, found.part(part.name).currents, strict=True):
            meets.setdefault(at, []).append(amperes)
    given = {at: abs(found.part(part.name).currents[2]) for part in stage.parts
             if part.kind == "opamp" for at in part.nodes[3:]}
    assert len(meets.keys() - beside) >= len(meets) / 3
    for at in meets.keys() - beside:
        allowed = 1e-3 * max(map(abs, meets[at])) + 1e-9 + given.get(at, 0.0)
        assert abs(sum(meets[at])) < allowed, at


@pytest.mark.parametrize("name", [*stage_names(), *unit_names()])
def test_what_the_rails_deliver_becomes_heat(name: str) -> None:
    """Within 0.1 %, with what the load takes of direct current."""
    found = at_rest(load_stage(name))
    delivered = sum(abs(found.volts[r]) * i for r, i in found.rails.items())
    heat = sum(part.watts or 0.0 for part in found.parts)
    load = found.volts[found.stage.output] ** 2 / (found.stage.load or 1e9)
    assert heat + load == pytest.approx(delivered, rel=1e-3, abs=1e-12)


@pytest.mark.parametrize("kind", ["njf", "pjf", "nmos", "pmos"])
def test_field_effect_transistors_of_both_channels(kind: str) -> None:
    """Square law: 1 mA one volt above the threshold with BETA = 1 mA/V² (KP/2 of a MOS).

    A JFET of -2 V on 1 kohm then stands at 1 V; a MOS of 2 V with its gate at 5 V on 2 kohm at 2 V.
    """
    up = 1.0 if kind.startswith("n") else -1.0
    mos = kind.endswith("mos")
    model = (("VTO", 2.0 * up), ("KP", 2e-3)) if mos else (("VTO", -2.0), ("BETA", 1e-3))
    divider = (resistor("R2", "vdd", "in", 1e6), resistor("R3", "in", "0", 1e6))
    stage = Stage(
        "source-follower",
        (
            Part("Q1", kind, ("vdd", "in", "out"), parameters=model),
            resistor("R1", "out", "0", 2e3 if mos else 1e3),
            *(divider if mos else ()),
        ),
        rails=(Rail("vdd", up * 10.0),),
        source_impedance=1e12 if mos else 0.0,
    )
    found = at_rest(stage)
    drain, gate, source = found.part("Q1").currents
    assert drain == pytest.approx(up * 1e-3, rel=1e-3)
    assert abs(gate) < 1e-9
    assert source == pytest.approx(-drain, rel=1e-6)
    assert found.part("Q1").watts == pytest.approx((8.0 if mos else 9.0) * 1e-3, rel=1e-3)
