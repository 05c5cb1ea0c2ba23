"""Symbols: lines that end where the pins are, and arrows as the standard has them."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from circuits.drawing import DIRECTIONS, Placement, drawn_stages, load_layout
from circuits.drawing_nets import pins
from circuits.kinds import kinds
from circuits.load import load_stage
from circuits.stage import Part
from diagnose.show.stage.symbols import STEP, body, symbol
from tests.small import device


def points(element: ET.Element) -> list[tuple[float, float]]:
    """Every point that a symbol's lines go through, on the sheet."""
    found = []
    for one in element.iter():
        path = one.get("points") or one.get("d") or ""
        numbers = [float(n) for n in re.findall(r"-?[0-9.]+", path)]
        found += list(zip(numbers[::2], numbers[1::2], strict=False))
    matrix = re.match(r"matrix\((.*)\)", element.get("transform", ""))
    if matrix:
        a, b, c, d, e, f = (float(n) for n in matrix[1].split())
        found = [(a * x + c * y + e, b * x + d * y + f) for x, y in found]
    return found


@pytest.mark.parametrize("name", drawn_stages())
def test_the_lines_of_a_symbol_end_where_its_pins_are(name: str) -> None:
    stage = load_stage(name)
    layout = load_layout(stage)
    assert layout is not None
    for part, placement in ((stage.part(n), p) for n, p in layout.parts):
        reached = [q for element in symbol(part, placement) for q in points(element)]
        for x, y in pins(part, placement):
            near = min(abs(x * STEP - a) + abs(y * STEP - b) for a, b in reached)
            assert near < 0.6, part.name


@pytest.mark.parametrize("along", DIRECTIONS)
@pytest.mark.parametrize("kind", kinds())
def test_every_kind_of_part_can_be_drawn_in_every_direction(kind: str, along: str) -> None:
    this = kinds()[kind]
    for count in {len(this.pins), len(this.pins) - this.optional_pins}:
        part = Part("X1", kind, tuple(f"n{k}" for k in range(count)))
        bent = count > 2 and this.family != "transformer"
        sides = ("up", "down") if along in ("left", "right") else ("left", "right")
        for across in sides if bent else ("",):
            placement = Placement((20.0, 20.0), along, 4.0, across)
            reached = [q for element in symbol(part, placement) for q in points(element)]
            for x, y in pins(part, placement):
                assert min(abs(x * STEP - a) + abs(y * STEP - b) for a, b in reached) < 0.6
            left, top, right, bottom = (n * STEP for n in body(part, placement))
            x, y = (left + right) / 2, (top + bottom) / 2
            assert min(abs(x - a) + abs(y - b) for a, b in reached) < right - left + bottom - top


@pytest.mark.parametrize("across", ["up", "down"])
@pytest.mark.parametrize(("kind", "outwards"), [("npn", True), ("pnp", False)])
def test_the_arrow_of_a_transistor_is_at_its_emitter(
    kind: str, outwards: bool, across: str
) -> None:
    # IEC 60617: the arrow marks the emitter and points as current flows, outwards of an npn
    placement = Placement((10.0, 10.0), "right", across=across)
    part = device("Q1", kind, ("c", "b", "e"), {})
    collector, _, emitter = pins(part, placement)
    (group,) = symbol(part, placement)
    (arrow,) = (e for e in group.iter() if e.get("fill") == "currentColor")
    alone = ET.Element("g", {"transform": group.get("transform", "")})
    alone.append(arrow)
    tip, *foot = points(alone)[:3]

    def far(p: tuple[float, float], q: tuple[float, float]) -> float:
        return float(((p[0] - q[0] * STEP) ** 2 + (p[1] - q[1] * STEP) ** 2) ** 0.5)

    assert far(tip, emitter) < far(tip, collector)
    assert (far(tip, emitter) < min(far(q, emitter) for q in foot)) is outwards
