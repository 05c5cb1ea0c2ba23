"""A unit is drawn as its stages are, under its own names; it opens at the suspect."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from circuits.drawing import drawn_stages
from circuits.drawing_text import layout_text
from circuits.load import load_stage, unit_names
from circuits.stage import Stage
from circuits.values import with_values
from circuits.yamlfile import tree
from diagnose.cli.main import main
from diagnose.show.embedded import drawing
from diagnose.show.stage import kept
from diagnose.show.stage.blocks import blocks
from diagnose.show.stage.kept import at_hand, layout_of
from diagnose.show.stage.picture import render
from tests.diagnose.show.geometry import SVG, groups, overlaps

UNIT = load_stage("receiver-chain")
DATA = Path(__file__).parents[2] / "data" / "unit"
# as circuits/units/receiver-chain.yaml lists them
CHAIN = {"phono": "phono-two-transistor", "volume": "volume-contour", "line": "line-two-transistor",
         "tone": "tone-control", "output": "output-complementary"}
_FOLD = re.compile(
    r'<details class="member" data-member="([^"]+)"( open)?>.*?</details>', re.DOTALL)


def drawn(stage: Stage, lit: Mapping[str, float] | None = None) -> ET.Element:
    return ET.fromstring(render(stage, lit))


def folds(stage: Stage, lit: Mapping[str, float] | None = None) -> dict[str, tuple[bool, str]]:
    """Of each fold whether it is open, and what stands in it, in the order of the page."""
    return {found[1]: (bool(found[2]), found[0]) for found in _FOLD.finditer(drawing(stage, lit))}


def inside(fold: str) -> ET.Element:
    return ET.fromstring(fold[fold.index("<svg"):fold.index("</svg>") + len("</svg>")])


def lines(root: ET.Element) -> list[str]:
    return [line.get("points", "") for line in root.iter(f"{SVG}polyline")]


@pytest.mark.parametrize("name", unit_names())
def test_a_unit_shows_every_part_and_test_point_once(name: str) -> None:
    unit = load_stage(name)
    root = drawn(unit)
    shown = Counter(g.get("data-part") for g in groups(root, "part"))
    assert shown == Counter(part.name for part in (*unit.parts, *unit.supply_parts))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    probed = Counter(g.get("data-node") for g in groups(root, "test-point"))
    supplies = {rail.name for rail in unit.rails}
    assert set(probed) | supplies == {node for node, _ in unit.test_points}
    assert {n for n, count in probed.items() if count > 1} <= supplies


def test_each_stage_is_drawn_as_it_is_by_itself() -> None:
    found = folds(UNIT)
    assert list(found) == [*CHAIN, "supplies"]
    for name, stage in CHAIN.items():
        assert stage in drawn_stages()
        svg = inside(found[name][1])
        assert lines(svg) == lines(drawn(load_stage(stage)))
        for group in groups(svg, "part"):
            own = group.get("data-part", "").removeprefix(f"{name}.")
            assert group.get("id") == f"part-{name}.{own}"
            # what is written keeps the stage's own name, and fits its place
            assert group.findtext(f"{SVG}text") == own
            assert group.findtext(f"{SVG}title", "").startswith(f"{name}.{own} ")


@pytest.mark.parametrize("name", CHAIN)
def test_its_words_have_room(name: str) -> None:
    assert overlaps(inside(folds(UNIT)[name][1])) == []


def test_it_has_the_values_of_the_unit() -> None:
    node = tree("{phono.C3: 100u}", "values")
    changed = with_values(UNIT, node)  # type: ignore[arg-type]
    for root in (drawn(changed), inside(folds(changed)["phono"][1])):
        (group,) = (g for g in groups(root, "part") if g.get("data-part") == "phono.C3")
        assert [t.text for t in group.findall(f"{SVG}text")] == ["C3", "100µF"]


def test_a_rail_has_the_volts_of_the_supply_that_feeds_it() -> None:
    pair = load_stage(DATA / "pair.yaml")  # draws the stage for 24 V and feeds it with 20 V
    for block in blocks(pair):
        assert block.fed == (("vcc", "main"),)
        assert [rail.volts for rail in block.stage.rails] == [20.0]
    words = [t.text for g in groups(drawn(pair), "rail") for t in g.findall(f"{SVG}text")]
    assert words == ["vcc 20 V"] * 2
    assert {g.get("data-node") for g in groups(drawn(pair), "rail")} == {"main"}


def test_the_stages_stand_in_the_order_of_the_signal() -> None:
    root = drawn(UNIT)
    heads = groups(root, "member")
    assert [head.get("data-member") for head in heads] == list(CHAIN)
    heights = [float(head[0].get("y", "")) for head in heads]
    assert heights == sorted(heights)


@pytest.mark.parametrize(
    ("lit", "unfolded"),
    [
        ({}, {"phono"}),
        ({"tone.C11": 0.7, "output.C1": 0.25, "phono.C1": 0.04}, {"tone", "output"}),
        ({"line.Q1": 0.06, "phono.C1": 0.04}, {"line"}),
        ({"small reservoir": 0.9}, {"supplies"}),
        ({"phono.pickup": 0.9, "volume.RV2": 0.08}, {"volume"}),  # pick-up is no part of a drawing
    ],
)
def test_it_opens_at_the_suspect(lit: dict[str, float], unfolded: set[str]) -> None:
    found = folds(UNIT, lit)
    assert {name for name, (is_open, _) in found.items() if is_open} == unfolded
    for part, chance in lit.items():
        name = part.partition(".")[0] if "." in part else "supplies"
        told = "pickup" not in part and chance == max(
            p for other, p in lit.items() if other.startswith(name) or "." not in other)
        summary = re.search(r"<summary>.*?</summary>", found[name][1], re.DOTALL)
        assert summary is not None
        own = part if "." not in part else part.partition(".")[2]
        assert (f"{own} {100 * chance:.0f} %" in summary[0]) == told


def test_hatches_of_a_closed_fold_are_not_those_of_an_open_one() -> None:
    """A browser draws no pattern that stands in what is not shown (SVG 2, 13.3)."""
    found = folds(UNIT, {"tone.C11": 0.7, "phono.C1": 0.6})
    for name in ("tone", "phono"):
        text = found[name][1]
        used = set(re.findall(r"url\(#([^)]+)\)", text))
        assert used
        assert used <= set(re.findall(r'<pattern id="([^"]+)"', text))
    whole = drawing(UNIT, {"tone.C11": 0.7, "phono.C1": 0.6})
    ids = re.findall(r' id="([^"]+)"', whole)
    assert len(ids) == len(set(ids))


def test_a_stage_without_a_drawing_makes_one_of_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "default_folder", lambda: tmp_path)
    kept.made_by_itself.cache_clear()
    pair = load_stage(DATA / "pair.yaml")
    assert not at_hand(pair)
    root = drawn(pair)
    assert len(groups(root, "part")) == 6
    assert not groups(root, "box")
    assert {rect.get("class") for rect in root.iter(f"{SVG}rect")} == {"body"}  # symbols, no boxes
    assert at_hand(pair)
    assert layout_of(pair) is None  # it has one for each of its stages


def test_a_drawing_beside_the_file_of_a_stage_is_taken(tmp_path: Path) -> None:
    for name in ("pair.yaml", "fed.yaml"):
        (tmp_path / name).write_bytes((DATA / name).read_bytes())
    stage = load_stage(tmp_path / "fed.yaml")
    layout = layout_of(stage)
    assert layout is not None
    moved = replace(layout, parts=tuple(
        (name, replace(p, label="down" if p.along in ("left", "right") else "left"))
        for name, p in layout.parts))
    assert moved != layout
    (tmp_path / "fed.drawing.yaml").write_text(layout_text(moved), encoding="utf-8")
    for block in blocks(load_stage(tmp_path / "pair.yaml")):
        assert layout_of(block.stage) == moved


def test_a_unit_has_no_drawing_file_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stages", "receiver-chain", "--drawing"]) == 2
    assert "drawn by the drawings of its stages" in capsys.readouterr().err


def test_names_of_anybodys_unit_cannot_break_the_page() -> None:
    first, *others = blocks(UNIT)
    evil = replace(first.stage, title='"><script>')
    unit = replace(UNIT, members=(evil, *(block.stage for block in others)))
    assert "<script" not in drawing(unit)
    assert "<script" not in render(unit)
