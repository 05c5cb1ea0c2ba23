"""Drawings against the stages that they draw, and a font's measures."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from circuits.drawing import drawn_stages
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.stage import Part, Stage, Supply
from diagnose.show.stage import kept
from diagnose.show.stage.canvas import LEVELS, value_text
from diagnose.show.stage.kept import layout_of
from diagnose.show.stage.picture import render
from tests.diagnose.show.geometry import CAPITAL, SVG, bodies, groups, overlaps, texts, touch, wires
from tests.small import resistor

ROOT = Path(__file__).resolve().parents[3]


def drawn(stage: Stage, lit: dict[str, float] | None = None) -> ET.Element:
    return ET.fromstring(render(stage, lit))


@pytest.mark.parametrize("name", drawn_stages())
def test_a_drawing_shows_every_part_and_test_point_once(name: str) -> None:
    stage = load_stage(name)
    root = drawn(stage)
    shown = Counter(g.get("data-part") for g in groups(root, "part"))
    assert shown == Counter(part.name for part in (*stage.parts, *stage.supply_parts))
    for group in groups(root, "part"):
        assert group.get("id") == "part-" + group.get("data-part", "").replace(" ", "_")
        assert group.findtext(f"{SVG}text", "?") in group.get("data-part", "")
    probed = Counter(g.get("data-node") for g in groups(root, "test-point"))
    rails = {rail.name for rail in stage.rails}
    assert set(probed) == {node for node, _ in stage.test_points}
    assert all(count == 1 for node, count in probed.items() if node not in rails)
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))


@pytest.mark.slow
@pytest.mark.parametrize("name", drawn_stages())
def test_no_text_touches_a_text_a_wire_or_a_foreign_part(name: str) -> None:
    root = drawn(load_stage(name))
    assert len(texts(root)) > 20
    assert overlaps(root) == []


@pytest.mark.parametrize("name", drawn_stages())
def test_a_drawing_can_be_read_on_a_telephone_and_on_a4(name: str) -> None:
    text = render(load_stage(name))
    root = ET.fromstring(text)
    width, height = float(root.get("width", "")), float(root.get("height", ""))
    # at its natural size, scrolled on 360 pixels: 12 px is the usual least size of web pages
    sizes = [float(x) for x in re.findall(r"font(?:-size)?: ([0-9.]+)px", text)]
    assert min(sizes) >= 12.0
    # A4 (ISO 216) with margins of 10 mm, upright or lying; ISO 3098's smallest lettering, 1.8 mm
    scale = max(min(190.0 / width, 277.0 / height), min(277.0 / width, 190.0 / height))
    assert scale * CAPITAL * min(sizes) >= 1.8


@pytest.fixture
def undrawable(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if no stage could be drawn by itself."""
    monkeypatch.setattr(kept, "drawn_by_itself", lambda _: None)
    monkeypatch.setattr(kept, "_keep", lambda *_: None)
    monkeypatch.setattr(kept, "default_folder", lambda: Path("/nowhere"))
    kept.made_by_itself.cache_clear()


@pytest.mark.usefixtures("undrawable")
def test_somebodys_own_stage_of_a_known_name_is_not_drawn_as_the_known_one() -> None:
    stage = load_stage("phono-opamp")
    assert layout_of(stage) is not None
    moved = replace(stage.part("R7"), nodes=("o1", "0"))
    assert layout_of(stage.with_part(moved)) is None
    assert layout_of(replace(stage, parts=stage.parts[:-1])) is None
    root = drawn(stage.with_part(moved))
    assert Counter(g.get("data-part") for g in groups(root, "part")) == Counter(
        part.name for part in stage.parts
    )


def test_a_drawing_shows_the_values_of_the_unit() -> None:
    stage = load_stage("phono-opamp")
    changed = stage.with_part(replace(stage.part("C4"), value=15e-9))
    (group,) = (g for g in groups(drawn(changed), "part") if g.get("data-part") == "C4")
    assert [t.text for t in group.findall(f"{SVG}text")] == ["C4", "15nF"]


@pytest.mark.parametrize(
    ("part", "words"),
    [
        # as circuit diagrams have it (common practice)
        (Part("R1", "carbon-film", ("a", "b"), 4700.0), "4.7k"),
        (Part("R1", "carbon-film", ("a", "b"), 1e6), "1M"),
        (Part("R1", "carbon-film", ("a", "b"), 680.0), "680Ω"),
        (Part("R1", "wirewound", ("a", "b"), 0.33), "0.33Ω"),
        (Part("C1", "film", ("a", "b"), 4.7e-9), "4.7nF"),
        (Part("C1", "electrolytic", ("a", "b"), 4.7e-3), "4700µF"),
        (Part("Z1", "zener", ("a", "b"), 6.2), "6.2V"),
        (Part("J1", "connector", ("a", "b"), 0.02), ""),
        (Part("Q1", "npn", ("a", "b", "c")), ""),
    ],
)
def test_values_are_short(part: Part, words: str) -> None:
    assert value_text(part) == words


@pytest.mark.parametrize(("share", "words"), [
    (0.9999, "over 99 %"), (0.994, "99 %"), (1.2, "over 99 %"), (0.001, "under 1 %")])
def test_nothing_is_quite_sure_in_a_drawing(share: float, words: str) -> None:
    """A list says so too; of several suspects of one part the shares are added up."""
    (c4,) = (g for g in groups(drawn(load_stage("phono-opamp"), {"C4": share}), "part")
             if g.get("data-part") == "C4")
    title = c4.find(f"{SVG}title")
    assert title is not None
    assert str(title.text).endswith(f": {words}")


def test_a_suspected_part_is_seen_without_its_colour() -> None:
    stage = load_stage("phono-opamp")
    root = drawn(stage, {"C4": 0.83, "C3": 0.12, "R2": 0.02, "R1": 0.004})
    found = {g.get("data-part", ""): g for g in groups(root, "part")}
    levels = {n: found[n].get("class", "").split()[2:] for n in ("C4", "C3", "R2", "R1", "C7")}
    assert levels == {
        "C4": ["lit-high"], "C3": ["lit-middle"], "R2": ["lit-low"], "R1": [], "C7": [],
    }
    looks = set()
    patterns = {p.get("id"): p for p in root.iter(f"{SVG}pattern")}
    for name in ("C4", "C3", "R2"):
        (field,) = (r for r in found[name].findall(f"{SVG}rect") if r.get("class") == "field")
        hatch = patterns[field.get("fill", "")[5:-1]][0].get("d")
        looks.add((hatch, field.get("stroke-dasharray")))
    assert len({hatch for hatch, _ in looks}) == 3
    assert len({dash for _, dash in looks}) == 3
    title = found["C4"].find(f"{SVG}title")
    assert title is not None
    assert title.text == "C4 film 12 nF, RIAA network bass capacitor: 83 %"
    (legend,) = groups(root, "legend")
    assert [t.text for t in legend.iter(f"{SVG}text")] == [one.words for one in LEVELS]
    assert not groups(drawn(stage), "legend")
    with pytest.raises(InputError, match="no part 'C44'"):
        render(stage, {"C44": 0.5})


def test_a_drawing_takes_the_colour_of_its_page() -> None:
    text = render(load_stage("phono-opamp"), {"C4": 0.9})
    assert 'stroke="currentColor"' in text
    assert set(re.findall(r"#[0-9A-Fa-f]{3,6}\b", text)) == {"#D55E00"}
    assert not re.search(r"\b(black|white)\b", text)


def test_two_drawings_on_a_page_share_no_id() -> None:
    stage = load_stage("phono-opamp")
    left, right = (set(re.findall(r' id="([^"]+)"', render(stage, {"C4": 0.9}, prefix=side)))
                   for side in ("left-", "right-"))
    assert left
    assert not left & right


OWN = replace(load_stage("output-complementary"), name="own")


@pytest.mark.usefixtures("undrawable")
def test_a_stage_without_a_drawing_is_shown_as_parts_and_neighbours() -> None:
    root = drawn(OWN, {"Q3": 0.6})
    assert Counter(g.get("data-part") for g in groups(root, "part")) == Counter(
        part.name for part in OWN.parts
    )
    assert {g.get("data-node") for g in groups(root, "test-point")} == {
        node for node, _ in OWN.test_points if node not in ("vcc", "vee")
    }
    boxes = bodies(root)
    for k, (owner, box) in enumerate(boxes):
        for other, there in boxes[k + 1 :]:
            assert not touch(box, there), f"{owner} / {other}"
    # a line for every pin that is neither on ground nor on a rail
    still = {"0", "vcc", "vee"}
    wanted = sum(len(set(part.nodes) - still) for part in OWN.parts)
    assert len(wires(root)) == wanted


def test_names_of_anybodys_stage_cannot_break_the_page() -> None:
    part = replace(resistor("R<1>&", "in", "out", 1e3), role='"><script>')
    own = Stage("own", (part, resistor("R2", "out", "0", 1e3)), title="<b>")
    text = render(own, {"R<1>&": 0.5})
    root = ET.fromstring(text)
    assert "<script" not in text
    assert {g.get("id") for g in groups(root, "part")} == {"part-R_1__", "part-R2"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["line-triode", "own"])
def test_the_same_stage_is_the_same_picture_in_every_process(name: str, tmp_path: Path) -> None:
    code = (
        "import sys, hashlib; from dataclasses import replace;"
        "from circuits.load import load_stage;"
        "from diagnose.show.stage.picture import render;"
        "s = replace(load_stage('line-triode'), name=sys.argv[1]); t = render(s, {'C4': 0.5});"
        "print(hashlib.sha256(t.encode()).hexdigest(), 'matplotlib' in sys.modules)"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", code, name], capture_output=True, text=True, cwd=ROOT,
            check=True, timeout=60,
            env={"PYTHONHASHSEED": seed, "PATH": "", "AMP_DIAGNOSE_CACHE": str(tmp_path / seed)},
        ).stdout
        for seed in ("1", "2")
    }
    assert len(said) == 1
    assert said.pop().split()[1] == "False"  # its pyplot alone would take longer than the drawing


def test_the_supply_behind_a_rail_is_a_row_of_boxes() -> None:
    behind = (
        Part("transformer", "winding", ("w", "0"), 2.0),
        Part("rectifier diode", "rectifier", ("w", "raw")),
        Part("reservoir", "electrolytic", ("raw", "0"), 1e-3),
    )
    stage = load_stage("phono-opamp")
    rail = replace(stage.rail("vcc"), supply=Supply("bridge", behind, behind))
    powered = stage.with_rail(rail)
    root = drawn(powered, {"vcc reservoir": 0.4})
    found = {g.get("data-part"): g for g in groups(root, "part")}
    assert set(found) == {p.name for p in (*stage.parts, *powered.supply_parts)}
    reservoir = found["vcc reservoir"]
    assert reservoir.get("id") == "part-vcc_reservoir"
    assert reservoir.get("class") == "part lit lit-middle"
    assert [t.text for t in reservoir.findall(f"{SVG}text")] == ["reservoir", "1000µF"]
    boxes = bodies(root)
    assert not any(touch(a, b) for k, (_, a) in enumerate(boxes) for _, b in boxes[k + 1 :])
