"""Drawings hold the circuit of their stage, by the rules of circuit diagrams."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from circuits.drawing import Layout, Placement, drawn_stages, load_layout
from circuits.drawing_nets import mismatches, nets
from circuits.errors import InputError
from circuits.load import load_stage, stage_names
from circuits.stage import Stage
from tests.small import capacitor, resistor


def test_every_stage_that_ships_has_a_drawing() -> None:
    assert drawn_stages() == stage_names()


@pytest.mark.parametrize("name", drawn_stages())
def test_a_drawing_joins_what_the_stage_joins(name: str) -> None:
    stage = load_stage(name)
    layout = load_layout(stage)
    assert layout is not None
    assert layout.stage == name
    wanted: dict[str, set[tuple[str, int]]] = {}
    for part in stage.parts:
        for k, node in enumerate(part.nodes):
            wanted.setdefault(node, set()).add((part.name, k))
    found = nets(layout, stage)
    assert {on for on, _ in found} == {frozenset(on) for on in wanted.values()}
    for on, names in found:
        assert all(wanted[mark] == on for mark in names)
    assert mismatches(layout, stage) == ()


TWO = Stage("two", (resistor("R1", "in", "out", 1e3), capacitor("C1", "out", "0", 1e-6)))


def two(*wires_: tuple[tuple[float, float], ...]) -> Layout:
    parts = (("R1", Placement((0.0, 0.0), "right")), ("C1", Placement((6.0, 0.0), "down")))
    return Layout("two", parts, wires_)


def joined(layout: Layout) -> bool:
    return any({("R1", 1), ("C1", 0)} <= on for on, _ in nets(layout, TWO))


@pytest.mark.parametrize(
    ("wires_", "meets"),
    [
        ((((3, 0), (6, 0)),), True),
        ((((3, 0), (5, 0)),), False),
        ((((3, 0), (3, -2), (6, -2), (6, 0)),), True),
        # an end on a wire is a joint, a crossing is none (IEC 61082)
        ((((3, 0), (9, 0)),), True),
        ((((3, 0), (3, -4)), ((2, -2), (6, -2), (6, 0))), False),
        ((((3, 0), (3, -2)), ((2, -2), (6, -2), (6, 0))), True),
    ],
)
def test_what_touches_is_joined_and_what_crosses_is_not(
    wires_: tuple[tuple[tuple[float, float], ...], ...], meets: bool
) -> None:
    assert joined(two(*wires_)) is meets


@pytest.mark.slow
@pytest.mark.parametrize("name", drawn_stages())
def test_a_drawing_without_one_of_its_wires_is_refused(name: str) -> None:
    stage = load_stage(name)
    layout = load_layout(stage)
    assert layout is not None
    for k in range(len(layout.wires)):
        cut = replace(layout, wires=layout.wires[:k] + layout.wires[k + 1 :])
        assert mismatches(cut, stage), layout.wires[k]


def test_a_wire_over_a_part_is_refused() -> None:
    found = mismatches(two(((3, 0), (6, 0)), ((1, -2), (1, 2))), TWO)
    assert any("lies on R1" in words for words in found)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("R1: [0, 0]", "places no part"),
        ("R1: [0, 0, across]", "no direction"),
        ("R1: [0, 0.3, right]", "no place on the grid"),
        ("R1: [0, 0, right, down]", "placed by one"),
        ("R1: [0, 0, right, 1]", "longer than this"),
        ("R1: [0, 0, right, label top]", "side of a label"),
        ("R9: [0, 0, right]", "no key of parts"),
    ],
)
def test_a_mistake_in_a_drawing_is_shown_where_it_stands(
    tmp_path: Path, line: str, says: str
) -> None:
    path = tmp_path / "two.yaml"
    path.write_text(f"drawing: two\nparts:\n  {line}\n", encoding="utf-8")
    with pytest.raises(InputError, match=says) as caught:
        load_layout(TWO, path)
    assert caught.value.place is not None
    assert caught.value.place.line == 3


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("wires: [0,0]", "no point"),
        ("wires: ['0,0']", "two ends"),
        ("wires: ['0,0 1,1']", "not level or upright"),
        ("ports: {in: [0, 0]}", "no mark"),
        ("grounds: 1;2", "no point"),
        ("rail: {}", "no key of a drawing"),
    ],
)
def test_a_mistake_in_wires_or_marks_is_shown_where_it_stands(
    tmp_path: Path, line: str, says: str
) -> None:
    path = tmp_path / "two.yaml"
    path.write_text(f"drawing: two\nparts: {{R1: [0, 0, right]}}\n{line}\n", encoding="utf-8")
    with pytest.raises(InputError, match=says) as caught:
        load_layout(TWO, path)
    assert caught.value.place is not None
    assert caught.value.place.line == 3
