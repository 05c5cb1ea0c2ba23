"""Units of several stages among one's own: opened with their stages, listed, made longer, used.

What a unit is stands in circuits/README.md; what two dividers in a row read, in Ohm's law.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.bench.take import take
from circuits.drawing_text import layout_text
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.sheet.case import load_case
from diagnose.show.stage.kept import layout_of
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from tests.diagnose.web.test_own_stage import DIVIDER, given

UNIT = """\
unit: pair          # of the tests
title: Two dividers in a row
chain:
  - {name: first, stage: parts/divider.yaml}
  - name: second
    stage: divider.yaml   # the same once more
"""


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    made = make_app(tmp_path_factory.mktemp("shelf") / "sheets", workers=0, cached=False)
    yield made
    made.extensions[KEY].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def folder(client: FlaskClient, name: str) -> Path:
    return Path(client.application.extensions[KEY].stages.folder) / name


def opened(client: FlaskClient) -> str:
    answer = given(client, ("pair.yaml", UNIT), ("divider.yaml", DIVIDER))
    assert answer.status_code == 200, answer.json
    return str(answer.json["stage"])


def test_a_unit_is_opened_with_its_stages(client: FlaskClient) -> None:
    name = opened(client)
    stage = load_stage(folder(client, name) / "stage.yaml")
    assert {part.name for part in stage.parts} >= {"first.R1", "second.C2"}
    told = client.get(f"/stage/{name}/data").json
    assert told["usable"]
    assert told["sheet"]["table"] is None
    assert told["text"] == UNIT.replace("parts/divider.yaml", "divider.yaml")
    assert told["unit"] == [
        {"name": word, "stage": "divider.yaml", "title": "A divider of the tests", "parts": 4,
         "problem": ""} for word in ("first", "second")]
    assert "Two dividers in a row" in client.get("/").text
    # all files go along: into a copy, a file to be saved, and a sheet that is ranked as one unit
    copy = client.post(f"/stage/{name}/copy").json["stage"]
    assert client.get(f"/stage/{copy}/data").json["usable"]
    packed = client.get(f"/stage/{name}/stage.yaml")
    with zipfile.ZipFile(io.BytesIO(packed.data)) as archive:
        assert sorted(Path(one).name for one in archive.namelist()) == sorted(
            [f"{name}.yaml", "divider.yaml"])


@pytest.mark.slow
def test_a_unit_is_drawn_from_its_stages_drawings_that_come_along(
    client: FlaskClient, tmp_path: Path
) -> None:
    (tmp_path / "divider.yaml").write_text(DIVIDER, encoding="utf-8")
    layout = layout_of(load_stage(tmp_path / "divider.yaml"))
    assert layout is not None
    text = layout_text(layout, ["Of the tests."])
    answer = given(client, ("pair.yaml", UNIT), ("divider.yaml", DIVIDER),
                   ("divider.drawing.yaml", text))
    name = str(answer.json["stage"])
    shown = client.get(f"/stage/{name}/drawing").text
    assert re.findall(r'data-member="([^"]+)"', shown) == ["first", "second"]
    assert 'data-part="second.C2"' in shown
    assert "data-mark" not in shown  # parts are moved where the stage is at home
    copy = client.post(f"/stage/{name}/copy").json["stage"]
    sheet = client.post(f"/stage/{name}/sheet").json["sheet"]
    there = Path(client.application.extensions[KEY].shelf.folder) / sheet
    for where in (folder(client, name), folder(client, copy), there):
        assert (where / "divider.drawing.yaml").read_text(encoding="utf-8") == text
    assert client.get(f"/sheet/{sheet}/drawing").text == shown
    told = client.get(f"/sheet/{sheet}/data").json["choices"]["stage"]["chain"]
    assert told == {"supplies": [], "members": [
        [word, "A divider of the tests", f"{word}.out"] for word in ("first", "second")]}


def test_a_stage_of_ones_own_brings_its_drawing_into_a_unit(client: FlaskClient) -> None:
    unit = client.post("/stages/new", data={"unit": "1"}).json["stage"]
    own = given(client, ("d.yaml", DIVIDER)).json["stage"]
    svg = client.get(f"/stage/{own}/drawing").text
    mark = re.search(r'data-mark="([^"]*)"', svg)
    assert mark is not None
    moved = client.post(f"/stage/{own}/drawing/move", json={
        "part": "R1", "by": [-2, 0], "turns": 0, "mirrored": False, "mark": mark[1]})
    assert moved.status_code == 200, moved.json
    revision = client.get(f"/stage/{unit}/data").json["revision"]
    for _ in range(2):
        answer = client.post(f"/stage/{unit}/chain", json={"stage": own, "revision": revision})
        revision = answer.json["revision"]
    drawing = (folder(client, own) / "stage.drawing.yaml").read_bytes()
    assert (folder(client, unit) / "divider.drawing.yaml").read_bytes() == drawing
    shown = client.get(f"/stage/{unit}/drawing").text
    points = re.findall(r'points="([^"]+)"', moved.text)
    assert re.findall(r'points="([^"]+)"', shown) == 2 * points


def test_a_stage_that_is_missing_is_named_and_nothing_is_kept(client: FlaskClient) -> None:
    before = client.get("/").text.count("data-stage=")
    text = UNIT.replace("divider.yaml   #", "far/other.yaml   #")
    answer = given(client, ("pair.yaml", text))
    assert answer.status_code == 422
    said = answer.json["error"]
    assert "pair.yaml:4:" in said
    assert "the stage 'parts/divider.yaml' of this unit is not among the files" in said
    assert "pair.yaml:6:" in said
    assert "the stage 'far/other.yaml' of this unit is not among the files" in said
    assert client.get("/").text.count("data-stage=") == before


def test_a_unit_grows_by_stages_that_ship_and_by_ones_own(client: FlaskClient) -> None:
    unit = client.post("/stages/new", data={"unit": "1"}).json["stage"]
    own = given(client, ("d.yaml", DIVIDER)).json["stage"]
    told = client.get(f"/stage/{unit}/data").json
    assert told["unit"] == []
    assert [p["text"] for p in told["problems"]] == ["there are no stages in the chain yet"]
    assert own in {word for word, _ in told["others"]}
    assert unit not in {word for word, _ in told["others"]}
    revision = told["revision"]
    for source in (own, own, "volume-contour"):
        answer = client.post(f"/stage/{unit}/chain", json={"stage": source, "revision": revision})
        assert answer.status_code == 200, answer.json
        revision = answer.json["revision"]
    assert [(one["name"], one["stage"], one["problem"]) for one in answer.json["unit"]] == [
        ("divider", "divider.yaml", ""), ("s2-divider", "divider.yaml", ""),
        ("volume-contour", "volume-contour", "")]
    assert answer.json["usable"], answer.json["problems"]
    late = client.post(f"/stage/{unit}/chain", json={"stage": own, "revision": revision - 1})
    assert late.status_code == 409
    for source, words in ((unit, "this is a unit itself"), ("../x", "there is no stage")):
        answer = client.post(f"/stage/{unit}/chain", json={"stage": source, "revision": revision})
        assert answer.status_code in (404, 422)
        assert words in answer.json["error"]
    answer = client.post(f"/stage/{own}/chain", json={"stage": own, "revision": 1})
    assert "no unit" in answer.json["error"]
    stage = load_stage(folder(client, unit) / "stage.yaml")
    assert len(stage.parts) == 8 + len(load_stage("volume-contour").parts)


def test_a_unit_that_ships_is_changed_into_ones_own(client: FlaskClient) -> None:
    name = client.post("/stages/new", data={"stage": "receiver-chain"}).json["stage"]
    told = client.get(f"/stage/{name}/data").json
    assert told["usable"]
    assert [one["stage"] for one in told["unit"]] == [
        "phono-two-transistor", "volume-contour", "line-two-transistor", "tone-control",
        "output-complementary"]


def test_a_slip_in_the_chain_is_told_with_its_place(client: FlaskClient) -> None:
    name = opened(client)
    told = client.get(f"/stage/{name}/data").json
    for bad, words in (("nowhere.yaml", "nowhere.yaml"), ("../../x.yaml", "leads out"),
                       ("phono-two-transisto", "there is no stage")):
        text = told["text"].replace("stage: divider.yaml   #", f"stage: {bad}   #")
        answer = client.put(f"/stage/{name}/data", json={
            "revision": told["revision"], "sheet": {"base": text, "table": None}}).json
        told["revision"] = answer["revision"]
        assert not answer["usable"]
        assert words in answer["problems"][0]["text"]
        assert answer["problems"][0]["place"].startswith("line 6")
        assert answer["unit"][1]["problem"]
        assert answer["unit"][0]["problem"] == ""


@pytest.mark.slow
def test_a_sheet_of_a_unit_of_ones_own_reads_as_its_stages_in_series(client: FlaskClient) -> None:
    name = opened(client)
    answer = client.post(f"/stage/{name}/sheet")
    assert answer.status_code == 200, answer.json
    sheets = Path(client.application.extensions[KEY].shelf.folder)
    case: Any = load_case(sheets / answer.json["sheet"] / "sheet.yaml")
    assert case.stage.chain is not None
    (gain,) = take(case.stage, [Reading("gain", frequency=1e3)])
    # at 1 kHz the capacitors are wires: 1 kohm into both dividers and the load side by side
    ohms = 1e3 / (2 / 5.0 + 1 / 47.0)
    assert gain == pytest.approx(20 * math.log10(ohms / (1e3 + ohms)), abs=0.05)
