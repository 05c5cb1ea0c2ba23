"""Drawings that stages make of themselves, against the stages and the drawings made by hand.

What is asked of a diagram is common practice (IEC 61082-1, from memory): signal from left to
right, higher voltage above lower, few crossings, nothing that touches what it is not joined to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from circuits.drawing import Layout, load_layout
from circuits.drawing_nets import mismatches
from circuits.drawing_text import layout_text
from circuits.load import load_stage
from circuits.stage import Part, Rail, Stage
from diagnose.cli.main import main
from diagnose.show.stage import kept
from diagnose.show.stage.auto import MOST_PARTS, drawn_by_itself
from diagnose.show.stage.auto_words import with_room
from diagnose.show.stage.canvas import sheet
from diagnose.show.stage.schematic import schematic
from tests.diagnose.show.geometry import SVG, bodies, crossings, groups, overlaps, touch, wires
from tests.small import resistor

ALLOWANCE = 2
"""Crossings beside twice those of the hand drawing, of which many have none or one."""
DRAWN = ("line-triode", "output-complementary", "phono-shunt-feedback", "output-network",
         "phono-opamp")
"""What is drawn in three seconds or so; `tests/benchmarks/drawings.py` has them all."""


@pytest.fixture(scope="session")
def made() -> Mapping[str, Layout]:
    """The drawing that a shipped stage makes of itself."""
    found = {name: drawn_by_itself(load_stage(name)) for name in DRAWN}
    assert None not in found.values()
    return {name: layout for name, layout in found.items() if layout is not None}


def picture(stage: Stage, layout: Layout) -> ET.Element:
    members, area = schematic(stage, layout, {})
    return ET.fromstring(sheet(stage.name, area, members, {}))


def test_crossings_are_counted() -> None:
    """A cross, a corner on a wire and an end on a wire: only the first is a crossing."""
    assert crossings(Layout("x", (), (((0, 1), (4, 1)), ((2, 0), (2, 3))))) == 1
    assert crossings(Layout("x", (), (((0, 1), (4, 1)), ((2, 1), (2, 3))))) == 0
    assert crossings(Layout("x", (), (((0, 1), (4, 1)), ((2, 0), (2, 1), (3, 1))))) == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_it_connects_what_the_stage_connects(made: Mapping[str, Layout], name: str) -> None:
    assert mismatches(made[name], load_stage(name)) == ()


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_nothing_touches_that_is_not_joined(made: Mapping[str, Layout], name: str) -> None:
    stage = load_stage(name)
    root = picture(stage, made[name])
    assert len(groups(root, "part")) == len(stage.parts)
    assert overlaps(root) == []
    for owner, box in bodies(root):
        # a lead may meet its body; two pixels inside it no wire has anything to do
        inside = (box[0] + 2, box[1] + 2, box[2] - 2, box[3] - 2)
        assert not any(touch(inside, line) for line in wires(root)), owner


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_it_crosses_at_most_twice_as_often_as_one_made_by_hand(
    made: Mapping[str, Layout], name: str
) -> None:
    by_hand = load_layout(load_stage(name))
    assert by_hand is not None
    assert crossings(made[name]) <= 2 * crossings(by_hand) + ALLOWANCE


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_signal_goes_to_the_right_and_current_downwards(
    made: Mapping[str, Layout], name: str
) -> None:
    stage, layout = load_stage(name), made[name]
    ports = {flag.name: flag.at for flag in layout.ports}
    assert ports[stage.input][0] < ports[stage.output][0]
    # a part between a positive rail and ground, or ground and a negative one, hangs upright
    for part in stage.parts:
        volts = [0.0 if n == "0" else stage.rail(n).volts for n in part.nodes
                 if n == "0" or n in {rail.name for rail in stage.rails}]
        if len(part.nodes) == 2 == len(volts):
            way = dict(layout.parts)[part.name].along
            assert way == ("down" if volts[0] > volts[1] else "up")
    # devices stand with the higher of their two main pins above (common practice)
    for part in stage.parts:
        if part.kind in ("npn", "pnp", "njf", "nmos", "pmos", "triode"):
            assert dict(layout.parts)[part.name].across == (
                "down" if part.kind in ("pnp", "pmos") else "up")


@pytest.mark.slow
def test_a_test_point_has_its_mark(made: Mapping[str, Layout]) -> None:
    for name, layout in made.items():
        stage = load_stage(name)
        shown = {g.get("data-node") for g in groups(picture(stage, layout), "test-point")}
        assert shown == {node for node, _ in stage.test_points}


@pytest.mark.slow
def test_a_drawing_is_written_and_read_back(made: Mapping[str, Layout], tmp_path: Path) -> None:
    path = tmp_path / "one.drawing.yaml"
    for name, layout in made.items():
        path.write_text(layout_text(layout, ["made by itself"]), encoding="utf-8")
        assert load_layout(load_stage(name), path) == layout


DIVIDER = Stage(
    "divider",
    (resistor("R1", "in", "out", 1e3), resistor("R2", "out", "0", 1e3),
     Part("C1", "electrolytic", ("vcc", "0"), 1e-5)),
    rails=(Rail("vcc", 12.0),), test_points=(("out", ""), ("vcc", "")),
)


def test_a_small_stage_is_drawn() -> None:
    layout = drawn_by_itself(DIVIDER)
    assert layout is not None
    assert mismatches(layout, DIVIDER) == ()
    assert overlaps(picture(DIVIDER, layout)) == []
    assert dict(layout.parts)["R2"].along == "down"


def test_a_stage_of_too_many_parts_is_given_up() -> None:
    many = tuple(resistor(f"R{k}", f"n{k}", f"n{k + 1}", 1e3) for k in range(MOST_PARTS + 1))
    assert drawn_by_itself(Stage("many", many, input="n0", output="n5")) is None


def test_it_is_made_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path))
    kept.made_by_itself.cache_clear()
    first = kept.made_by_itself(DIVIDER)
    files = list((tmp_path / "drawings").iterdir())
    monkeypatch.setattr(kept, "drawn_by_itself", lambda _: None)
    kept.made_by_itself.cache_clear()
    assert kept.made_by_itself(DIVIDER) == first
    for file in files:
        file.write_text("drawing: half", encoding="utf-8")  # not to be trusted, so made anew
    kept.made_by_itself.cache_clear()
    assert kept.made_by_itself(DIVIDER) is None
    assert {file.read_text(encoding="utf-8") for file in files} == {""}
    kept.made_by_itself.cache_clear()


def test_other_values_and_names_move_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path))
    kept.made_by_itself.cache_clear()
    first = kept.made_by_itself(DIVIDER)
    assert first is not None
    with monkeypatch.context() as patched:
        patched.setattr(kept, "drawn_by_itself", lambda _: pytest.fail("it was drawn anew"))
        upper, lower, decoupling = DIVIDER.parts
        other = replace(
            DIVIDER, name="mine", rails=(Rail("vcc", 120.0),), parts=(
                replace(upper, name="R17", value=47.5e3), replace(lower, value=2.2e6), decoupling))
        assert kept.at_hand(other)
        made = kept.made_by_itself(other)
        assert made is not None
        assert mismatches(made, other) == ()
        assert overlaps(picture(other, made)) == []
        places = {name: replace(place, label="") for name, place in made.parts}
        assert list(places.values()) == [replace(place, label="") for _, place in first.parts]
        assert list(places) == ["R17", "R2", "C1"]
    # a circuit that is another is drawn anew
    lower = replace(lower, nodes=("out", "vcc"))
    for changed in (replace(DIVIDER, parts=(upper, lower, decoupling)),
                    replace(DIVIDER, rails=(Rail("vcc", -12.0),)),
                    replace(DIVIDER, test_points=())):
        assert not kept.at_hand(changed)
    # and so is one whose words have no room any more
    monkeypatch.setattr(kept, "with_room", lambda *_: None)
    assert not kept.at_hand(replace(other, name="another"))
    kept.made_by_itself.cache_clear()


@pytest.mark.slow
def test_words_have_room_where_they_were_made_for_and_longer_ones_are_seen(
    made: Mapping[str, Layout]
) -> None:
    """What was made of a stage has room for it; words as long as the sheet have none."""
    for name, layout in made.items():
        stage = load_stage(name)
        assert with_room(stage, layout) == layout
        long = replace(stage, parts=tuple(
            replace(part, name=part.name + "x" * 30) for part in stage.parts))
        renamed = replace(layout, parts=tuple((n + "x" * 30, p) for n, p in layout.parts))
        assert with_room(long, renamed) is None


STAGE = """
stage: own
rails: {vcc: {volts: 12}}
ports: {input: in, output: out}
parts:
  R1: {kind: carbon-film, nodes: [in, out], value: 1k}
  R2: {kind: carbon-film, nodes: [out, "0"], value: 1k}
  C1: {kind: electrolytic, nodes: [vcc, "0"], value: 10u}
"""


def test_a_drawing_beside_the_stage_is_used_while_it_agrees(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "kept"))
    own, beside = tmp_path / "own.yaml", tmp_path / "own.drawing.yaml"
    own.write_text(STAGE, encoding="utf-8")
    stage = load_stage(own)
    assert main(["stages", str(own), "--drawing", "-o", str(beside)]) == 0
    capsys.readouterr()
    written = kept.layout_of(stage)
    assert written == kept.made_by_itself(stage)
    assert written is not None
    place = dict(written.parts)["C1"].at
    moved = replace(written, parts=tuple(
        (n, replace(p, at=(p.at[0] + 40, p.at[1])) if n == "C1" else p) for n, p in written.parts
    ), grounds=tuple((x + 40, y) if x == place[0] else (x, y) for x, y in written.grounds),
        rails=tuple(replace(f, at=(f.at[0] + 40, f.at[1])) for f in written.rails))
    beside.write_text(layout_text(moved), encoding="utf-8")
    assert kept.layout_of(stage) == moved
    assert kept.remarks(stage) == ()
    # a part that a person moved away without its ground is told of, and the drawing is not used
    beside.write_text(layout_text(replace(moved, grounds=written.grounds)), encoding="utf-8")
    assert kept.layout_of(stage) == written
    assert main(["stages", str(own)]) == 0
    assert "own.drawing.yaml is not used" in capsys.readouterr().err
    # the other place for it
    beside.unlink()
    (tmp_path / "drawings").mkdir()
    (tmp_path / "drawings" / "own.yaml").write_text(layout_text(moved), encoding="utf-8")
    assert kept.layout_of(stage) == moved
    assert main(["stages", str(own), "--drawing", "-o", str(own)]) == 2  # it exists
    assert SVG
