"""Which parts are cut off, saturated or reversed, held against textbook circuits.

Each voltage is a closed form or follows from what a silicon junction drops (0.6 to 0.7 V).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from circuits.bench.rest import at_rest
from circuits.load import load_stage, stage_names
from circuits.stage import Part, Rail, Stage
from circuits.working import CUT_OFF, REVERSED, SATURATED, amplifying, states
from tests.small import resistor

NPN = (("IS", 1e-14), ("BF", 200.0), ("BR", 2.0))


def common_emitter(base_ohms: float, low_ohms: float, nodes: tuple[str, ...]) -> Stage:
    """12 V, 4.7 kohm in the collector, 1 kohm in the emitter."""
    return Stage(
        "amplifier",
        (
            Part("C1", "electrolytic", ("b", "in"), 1e-5, esr=1.0),
            resistor("R1", "vcc", "b", base_ohms),
            resistor("R2", "b", "0", low_ohms),
            Part("Q1", "npn", nodes, parameters=NPN),
            resistor("R3", "vcc", "out", 4.7e3),
            resistor("R4", "e", "0", 1e3),
        ),
        rails=(Rail("vcc", 12.0),),
    )


RIGHT = ("out", "b", "e")


@pytest.mark.parametrize(
    ("base_ohms", "low_ohms", "nodes", "expected"),
    [
        # 12 V·10k/(68k + 10k) = 1.54 V at the base, 0.9 mA, 12 - 4.2 V at the collector
        (68e3, 10e3, RIGHT, {}),
        # 0.12 V at the base turns nothing on
        (990e3, 10e3, RIGHT, {"Q1": CUT_OFF}),
        # 6 V at the base wants 5.3 mA, of which 4.7 kohm pass 2.1 mA
        (10e3, 10e3, RIGHT, {"Q1": SATURATED}),
        # the transistor the other way round: its emitter at the collector's resistor
        (68e3, 10e3, ("e", "b", "out"), {"Q1": REVERSED}),
    ],
)
def test_a_common_emitter_stage(
    base_ohms: float, low_ohms: float, nodes: tuple[str, ...], expected: dict[str, str]
) -> None:
    stage = common_emitter(base_ohms, low_ohms, nodes)
    found = at_rest(stage)
    assert {s.part: s.state for s in states(stage, found.volts)} == expected


def test_an_electrolytic_backwards() -> None:
    """Its minus stands at the base, 1.5 V."""
    stage = common_emitter(68e3, 10e3, RIGHT)
    turned = replace(stage.part("C1"), nodes=("in", "b"))
    stage = stage.with_part(turned)
    (state,) = states(stage, at_rest(stage).volts)
    assert (state.part, state.state) == ("C1", REVERSED)
    assert state.why.startswith("its plus is 1.5 V below")
    film = stage.with_part(replace(turned, kind="film"))
    assert states(film, at_rest(film).volts) == ()


def test_a_diode_connected_transistor_is_not_saturated() -> None:
    stage = common_emitter(68e3, 10e3, ("b", "b", "e"))
    assert states(stage, at_rest(stage).volts) == ()


@pytest.mark.parametrize(
    ("kind", "threshold", "volts", "expected"),
    [
        ("njf", -2.0, {"d": 10.0, "g": 0.0, "s": 1.0}, []),
        ("njf", -2.0, {"d": 10.0, "g": 0.0, "s": 3.0}, [CUT_OFF]),
        ("pjf", -2.0, {"d": -10.0, "g": 0.0, "s": -3.0}, [CUT_OFF]),
        ("njf", -2.0, {"d": 0.1, "g": 0.0, "s": 0.0}, [SATURATED]),
        ("nmos", 3.0, {"d": 30.0, "g": 4.0, "s": 0.0}, []),
        ("nmos", 3.0, {"d": 30.0, "g": 2.0, "s": 0.0}, [CUT_OFF]),
        ("nmos", 3.0, {"d": 0.2, "g": 9.0, "s": 0.0}, [SATURATED]),
        ("pmos", -3.0, {"d": -30.0, "g": -4.0, "s": 0.0}, []),
        ("pmos", -3.0, {"d": -30.0, "g": -2.0, "s": 0.0}, [CUT_OFF]),
        ("pmos", -3.0, {"d": 5.0, "g": -4.0, "s": 0.0}, [REVERSED]),
    ],
)
def test_field_effect_transistors(
    kind: str, threshold: float, volts: dict[str, float], expected: list[str]
) -> None:
    model = (("VTO", threshold), ("BETA", 1e-3), ("KP", 1e-1))
    stage = Stage("one", (Part("Q1", kind, ("d", "g", "s"), parameters=model),))
    assert [s.state for s in states(stage, volts)] == expected


@pytest.mark.parametrize(
    ("volts", "expected"), [(10.0, []), (6.0, [CUT_OFF]), (-0.7, [REVERSED])]
)
def test_a_zener_of_ten_volts(volts: float, expected: list[str]) -> None:
    stage = Stage("one", (Part("Z1", "zener", ("0", "k"), 10.0),))
    assert [s.state for s in states(stage, {"0": 0.0, "k": volts})] == expected


@pytest.mark.parametrize("name", stage_names())
def test_whatever_amplifies_in_the_stages_that_ship_is_at_work(name: str) -> None:
    stage = load_stage(name)
    found = at_rest(stage)
    off = {s.part for s in states(found.stage, found.volts)}
    assert not off & set(amplifying(stage))


def test_the_way_of_the_signal_leaves_out_what_waits_or_feeds() -> None:
    """The limiter of the regulator waits; a current source hangs on a rail with its base."""
    assert "Q5" not in amplifying(load_stage("supply-regulated"))
    stage = common_emitter(68e3, 10e3, RIGHT)
    source = (
        resistor("R5", "vcc", "x", 1e3),
        resistor("R6", "x", "0", 1e3),
        Part("Q2", "npn", ("e", "x", "y"), parameters=NPN),
        resistor("R7", "y", "0", 1e3),
    )
    assert amplifying(replace(stage, parts=(*stage.parts, *source))) == ("Q1",)
