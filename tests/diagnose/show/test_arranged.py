"""A drawing that a person arranged: what is moved moves, what is new is joined, all else stays.

What a diagram connects is told by its geometry alone (`circuits.drawing_nets`), and is held against
the stage; which texts touch, by the outlines of a font (`geometry.py`).
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from circuits.drawing import Flag, Layout, Placement, load_layout, load_what_fits
from circuits.drawing_nets import mismatches, pins, stretches, touches
from circuits.drawing_text import layout_text
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.stage import Part, Rail, Stage
from diagnose.show.stage.arranged import arranged
from diagnose.show.stage.turning import moved
from tests.diagnose.show.geometry import bodies, overlaps, touch, wires
from tests.diagnose.show.test_auto_drawing import picture
from tests.small import resistor

SHIPPED = ("filter-high", "output-complementary")
"""One with points between whole steps, one with rails along top and bottom."""

# two resistors and a coupling capacitor, drawn by hand:
#   vcc
#    R1
#  b -+-- C1 -- out        in is b
#    R2
STAGE = Stage(
    "small",
    (resistor("R1", "vcc", "b", 1e3), resistor("R2", "b", "0", 1e3),
     Part("C1", "film", ("b", "out"), 1e-6), resistor("R3", "out", "0", 1e4)),
    rails=(Rail("vcc", 12.0),), input="b", output="out", test_points=(("b", ""),),
)
DRAWN = Layout(
    "small",
    (("R1", Placement((10, 2), "down")), ("R2", Placement((10, 7), "down")),
     ("C1", Placement((14, 6), "right")), ("R3", Placement((20, 7), "down"))),
    wires=(((10, 5), (10, 7)), ((4, 6), (10, 6)), ((10, 6), (14, 6)),
           ((17, 6), (26, 6)), ((20, 6), (20, 7))),
    grounds=((10, 10), (20, 10)), rails=(Flag("vcc", (10, 2), "up"),),
    ports=(Flag("b", (4, 6), "left"), Flag("out", (26, 6), "right")),
)


def points(layout: Layout) -> set[tuple[float, float]]:
    """Half-steps that wires lie on."""
    found = set()
    for (x0, y0), (x1, y1) in stretches(layout):
        long = int(2 * (abs(x1 - x0) + abs(y1 - y0)))
        found |= {(x0 + (x1 - x0) * k / long, y0 + (y1 - y0) * k / long) for k in range(long + 1)}
    return found


def loose_ends(layout: Layout, stage: Stage) -> list[tuple[float, float]]:
    """Ends of wires that meet nothing."""
    at = [p for name, place in layout.parts for p in pins(stage.part(name), place)]
    at += [f.at for f in (*layout.rails, *layout.ports, *layout.test_points)] + [*layout.grounds]
    lines = stretches(layout)
    ends = [end for wire in layout.wires for end in (wire[0], wire[-1])]
    return [end for end in ends if end not in at and sum(touches(end, s) for s in lines) < 2]


def moves(stage: Stage, layout: Layout, count: int, seed: int) -> Iterator[tuple[str, Layout]]:
    """Drawings one after another, each with a part moved that had room."""
    dice = random.Random(seed)
    while count:
        name, place = dice.choice(layout.parts)
        to = moved(stage.part(name), place, (dice.randint(-5, 5), dice.randint(-5, 5)),
                   dice.choice((0, 0, 0, 1)))
        try:
            layout = arranged(stage, layout, {name: to})
        except InputError:
            continue
        count -= 1
        yield name, layout


def test_the_drawing_of_this_test_is_right() -> None:
    assert mismatches(DRAWN, replace(STAGE, test_points=())) == ()
    assert arranged(STAGE, DRAWN).parts == DRAWN.parts


def test_a_part_takes_its_wires_along_and_all_else_stays() -> None:
    made = arranged(STAGE, DRAWN, {"R3": Placement((22, 8), "down")})
    assert mismatches(made, STAGE) == ()
    assert dict(made.parts) == {**dict(DRAWN.parts), "R3": Placement((22, 8), "down")}
    assert points(DRAWN) - {(20, 6.5), (20, 7)} <= points(made)  # what led to R3 only is gone
    assert (20, 6.5) not in points(made)
    assert (22, 11) in made.grounds
    assert (20, 10) not in made.grounds
    assert loose_ends(made, STAGE) == []
    assert overlaps(picture(STAGE, made)) == []


def test_a_wire_gives_way_to_a_part() -> None:
    made = arranged(STAGE, DRAWN, {"R3": Placement((7, 5), "down")})
    assert mismatches(made, STAGE) == ()
    assert (7, 6) not in points(made)
    assert overlaps(picture(STAGE, made)) == []


def test_pins_that_meet_are_joined_without_a_wire() -> None:
    made = arranged(STAGE, DRAWN, {"R3": Placement((17, 6), "down")})
    assert mismatches(made, STAGE) == ()
    assert overlaps(picture(STAGE, made)) == []


@pytest.mark.parametrize(("place", "words"), [
    (Placement((10, 3), "down"), "R3 has no room there: it would lie on R1"),
    (Placement((14, 6), "down"), "R3 has no room there: it would lie on C1"),
    (Placement((4, 5), "down"), "R3 has no room there: it would lie on the mark b"),
    (Placement((10, 10), "down"), "R3 has no room there: it would lie on"),
    (Placement((900, 10), "down"), "R3 would stand too far away there"),
])
def test_a_part_does_not_lie_on_another(place: Placement, words: str) -> None:
    with pytest.raises(InputError, match=words):
        arranged(STAGE, DRAWN, {"R3": place})


def test_a_part_that_is_new_stands_near_its_neighbours() -> None:
    more = replace(STAGE, parts=(*STAGE.parts, Part("C2", "film", ("out", "0"), 1e-9)))
    made = arranged(more, DRAWN)
    assert mismatches(made, more) == ()
    places = dict(made.parts)
    assert {name: places[name] for name, _ in DRAWN.parts} == dict(DRAWN.parts)
    x, y = places["C2"].at
    assert min(abs(x - a) + abs(y - b) for a, b in ((17, 6), (20, 7), (26, 6))) <= 5
    assert points(DRAWN) <= points(made) | {(20, 6.5), (20, 7)}
    assert overlaps(picture(more, made)) == []
    # one that is known to have stood somewhere stands there again, if it can
    wished = Placement((25, 8), "down")
    assert dict(arranged(more, DRAWN, wished={"C2": wished}).parts)["C2"] == wished
    taken = arranged(more, DRAWN, wished={"C2": Placement((10, 3), "down")})
    assert dict(taken.parts)["C2"] == places["C2"]


def test_a_part_that_is_gone_leaves_no_wire_behind() -> None:
    less = replace(STAGE, parts=STAGE.parts[:3])
    kept = replace(DRAWN, parts=DRAWN.parts[:3])
    made = arranged(less, kept)
    assert mismatches(made, less) == ()
    assert loose_ends(made, less) == []
    assert made.grounds == ((10, 10),)
    assert dict(made.parts) == dict(kept.parts)


def test_a_part_is_joined_otherwise_where_it_stands() -> None:
    for nodes in (("b", "0"), ("out", "vcc"), ("b", "out"), ("0", "out")):
        other = replace(STAGE, parts=(*STAGE.parts[:3], resistor("R3", *nodes, 1e4)))
        made = arranged(other, DRAWN)
        assert mismatches(made, other) == ()
        assert dict(made.parts) == dict(DRAWN.parts), nodes
        assert loose_ends(made, other) == []


def test_an_output_that_is_named_otherwise_has_its_mark() -> None:
    made = arranged(replace(STAGE, input="out", output="b"), DRAWN)
    assert {flag.name for flag in made.ports} == {"b", "out"}
    more = replace(STAGE, parts=(*STAGE.parts, resistor("R4", "out", "far", 1e3)), output="far")
    made = arranged(more, DRAWN)
    assert mismatches(made, more) == ()
    assert {flag.name for flag in made.ports} == {"b", "far"}


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
def test_six_moves_of_a_drawing_by_hand(name: str) -> None:
    stage = load_stage(name)
    before = load_layout(stage)
    assert before is not None
    touched = len(overlaps(picture(stage, before)))
    for part, after in moves(stage, before, 6, seed=5):
        assert mismatches(after, stage) == ()
        assert loose_ends(after, stage) == []
        places, others = dict(after.parts), dict(before.parts)
        assert {n: p for n, p in places.items() if n != part} == {
            n: p for n, p in others.items() if n != part}
        before = after
    root = picture(stage, before)
    for owner, box in bodies(root):
        inside = (box[0] + 2, box[1] + 2, box[2] - 2, box[3] - 2)
        assert not any(touch(inside, line) for line in wires(root)), owner
    # where there is no other way a wire runs through words; a person moves on, and it is gone
    assert len(overlaps(root)) <= touched + 3


def test_nothing_else_is_laid_anew() -> None:
    """Wires of nodes that the part does not meet are where they were, to the half-step."""
    stage = load_stage("phono-two-transistor")
    layout = load_layout(stage)
    assert layout is not None
    place = dict(layout.parts)["R3"]
    made = arranged(stage, layout, {"R3": replace(place, at=(place.at[0], place.at[1] + 2))})
    far = {p for p in points(layout) if p[0] < 8 or p[1] > 18}
    assert far
    assert far <= points(made)


@pytest.mark.parametrize("name", ["phono-two-transistor", "phono-opamp", "valve-push-pull"])
def test_four_turns_or_two_mirrors_are_none(name: str) -> None:
    stage = load_stage(name)
    layout = load_layout(stage)
    assert layout is not None
    for part, place in layout.parts:
        own = stage.part(part)
        ways = [place]
        for _ in range(4):
            ways.append(moved(own, ways[-1], turns=1))
        assert replace(ways[4], label="") == replace(place, label="")
        assert len({(p.along, p.across) for p in ways}) == (
            2 if own.kind in ("opamp", "transformer") or own.kind.startswith("output-t") else 4)
        twice = moved(own, moved(own, place, mirrored=True), mirrored=True)
        assert replace(twice, label="") == replace(place, label="")
        for a, b in pairwise(ways):  # about the middle: no part jumps
            mid = [[sum(axis) / len(axis) for axis in zip(*pins(own, p), strict=True)]
                   for p in (a, b)]
            assert abs(mid[0][0] - mid[1][0]) <= 2
            assert abs(mid[0][1] - mid[1][1]) <= 2


def test_what_fits_of_a_drawing_is_read(tmp_path: Path) -> None:
    path = tmp_path / "small.drawing.yaml"
    path.write_text(layout_text(DRAWN), encoding="utf-8")
    # R2 is gone, R3 has become a transistor, vcc is called otherwise
    other = Stage(
        "other", (resistor("R1", "vpp", "b", 1e3), Part("C1", "film", ("b", "out"), 1e-6),
                  Part("R3", "npn", ("out", "b", "0"))),
        rails=(Rail("vpp", 12.0),), input="b", output="out",
    )
    found = load_what_fits(other, path)
    assert [name for name, _ in found.parts] == ["R1", "C1"]
    assert found.rails == ()
    assert found.wires == DRAWN.wires
    assert mismatches(arranged(other, found), other) == ()
    path.write_text("drawing: x\nparts: 7\n", encoding="utf-8")
    with pytest.raises(InputError):
        load_what_fits(other, path)
