"""The stage as a graph, against circuits small enough to see through, and facts of the trade."""

from __future__ import annotations

import pytest

from circuits.errors import InputError
from circuits.load import load_stage, stage_names
from circuits.stage import Part, Rail, Stage
from circuits.topology import floating, graph, neighbours, path
from tests.small import capacitor, device, opamp, resistor

RC = Stage(
    "rc",
    (
        resistor("R1", "in", "m", 1e3),
        capacitor("C1", "m", "out", 1e-6),
        resistor("R2", "out", "0", 1e4),
        resistor("R3", "vcc", "m", 1e5),
    ),
    rails=(Rail("vcc", 12.0),),
)


def test_a_graph_has_an_edge_for_every_pin() -> None:
    made = graph(RC)
    assert set(made[("part", "C1")]) == {("node", "m"), ("node", "out")}
    assert made.edges[("part", "C1"), ("node", "m")]["pins"] == ("positive",)
    assert set(made[("node", "m")]) == {("part", "R1"), ("part", "C1"), ("part", "R3")}
    assert made.number_of_edges() == 8  # four parts of two pins


def test_two_pins_on_one_node_are_one_edge_that_names_both() -> None:
    diode = device("Q1", "npn", ("c", "c", "0"), {})  # a transistor wired as a diode
    made = graph(Stage("d", (diode, resistor("R1", "c", "in", 1e3))))
    assert made.edges[("part", "Q1"), ("node", "c")]["pins"] == ("collector", "base")


def test_neighbours_share_a_node() -> None:
    assert neighbours(RC, "C1") == {"m": ("R1", "R3"), "out": ("R2",)}
    assert neighbours(RC, "R2") == {"out": ("C1",), "0": ()}
    with pytest.raises(InputError, match="no part 'C9'"):
        neighbours(RC, "C9")


def test_a_path_goes_the_short_way_and_not_through_a_rail() -> None:
    assert path(RC, "in", "out") == ("in", "R1", "m", "C1", "out")
    around = Stage(
        "around",
        (
            resistor("R1", "in", "vcc", 1.0),
            resistor("R2", "vcc", "out", 1.0),
            resistor("R3", "in", "0", 1.0),
            resistor("R4", "0", "out", 1.0),
        ),
        rails=(Rail("vcc", 5.0),),
    )
    assert path(around, "in", "out") == ()
    assert path(around, "in", "vcc") == ("in", "R1", "vcc")
    with pytest.raises(InputError, match="no node 'inn'"):
        path(around, "inn", "out")


def test_a_node_between_two_capacitors_floats() -> None:
    # SPICE's oldest rule: every node needs a path for direct current to ground
    stage = Stage(
        "blocked",
        (capacitor("C1", "in", "m", 1e-6), capacitor("C2", "m", "out", 1e-6)),
        load=1e4,
    )
    assert floating(stage) == ("m",)
    held = Stage("held", (*stage.parts, resistor("R1", "m", "0", 1e6)), load=1e4)
    assert floating(held) == ()
    assert floating(Stage("no load", held.parts)) == ("out",)


@pytest.mark.parametrize(
    ("part", "floats"),
    [
        # facts of the devices: a gate behind oxide and a grid take no current, a junction does
        (device("Q1", "nmos", ("d", "g", "0"), {}), ("g",)),
        (device("V1", "triode", ("d", "g", "0"), {}), ("g",)),
        (device("Q1", "njf", ("d", "g", "0"), {}), ()),
        (device("Q1", "npn", ("d", "g", "0"), {}), ()),
    ],
)
def test_what_a_control_pin_passes(part: Part, floats: tuple[str, ...]) -> None:
    drive = capacitor("C1", "in", "g", 1e-6)
    load = resistor("R1", "d", "vcc", 1e3)
    stage = Stage("one", (drive, part, load), output="d", rails=(Rail("vcc", 9.0),))
    assert floating(stage) == floats


def test_an_opamp_holds_its_output_and_not_its_inputs() -> None:
    stage = Stage("u", (capacitor("C1", "in", "p", 1e-6), opamp("U1", ("p", "out", "out"))))
    assert floating(stage) == ("p",)


@pytest.mark.parametrize("name", stage_names())
def test_every_stage_that_ships_has_operating_points_and_a_way_through(name: str) -> None:
    stage = load_stage(name)
    # read off the circuit: the passive network of the tone control lies between three coupling
    # capacitors, C2, C7 and C10; no direct current is meant to be there
    network = {"n1", "bt", "bw", "bb", "n2", "s", "t1", "tt", "tb", "t2"}
    assert set(floating(stage)) == (network if name == "tone-control" else set())
    way = path(stage, stage.input, stage.output)
    assert way[0] == stage.input
    assert way[-1] == stage.output


def test_the_signal_of_the_valve_stage_takes_the_way_of_the_circuit() -> None:
    # read off the circuit: plug, coupling, grid stopper, valve, coupling, series resistor, plug
    way = path(load_stage("line-triode"), "in", "out")
    assert way[1::2] == ("J1", "C1", "R2", "V1", "C5", "R7", "J3")
