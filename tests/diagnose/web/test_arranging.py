"""The drawing of one's own stage is arranged: moved, undone, kept, and it follows the stage."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.drawing import load_layout, own_drawing
from circuits.drawing_nets import mismatches
from circuits.load import load_stage
from diagnose.show.stage.kept import layout_of
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from diagnose.web.stage_shelf import FOLDER
from tests.diagnose.web.test_own_stage import DIVIDER, DIVIDER_DRAWN

STAGE = "phono-two-transistor"
"""One whose drawing ships, so that none has to be made."""


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    made = make_app(tmp_path_factory.mktemp("shelf") / "sheets", workers=0, cached=False)
    yield made
    made.extensions[KEY].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


class Own:
    """A stage of one's own on the shelf, as a page sees it."""

    def __init__(self, client: FlaskClient, stage: str = STAGE) -> None:
        self.client = client
        self.name = client.post("/stages/new", data={"stage": stage}).json["stage"]
        self.mark = ""
        self.see()

    def see(self) -> str:
        svg = self.client.get(f"/stage/{self.name}/drawing").text
        found = re.search(r'data-mark="(\w+)"', svg)
        self.mark = found[1] if found else ""
        return svg

    def does(self, what: str, **sent: Any) -> Any:
        answer = self.client.post(f"/stage/{self.name}/drawing/{what}",
                                  json={"mark": self.mark, **sent})
        if answer.status_code == 200:
            self.see()
        return answer

    def type(self, old: str, new: str) -> None:
        """Change the text of the stage file."""
        told = self.client.get(f"/stage/{self.name}/data").json
        assert old in told["text"]
        sheet = {"base": told["text"].replace(old, new), "table": None}
        answer = self.client.put(f"/stage/{self.name}/data",
                                 json={"revision": told["revision"], "sheet": sheet})
        assert answer.status_code == 200
        assert answer.json["usable"], answer.json["problems"]
        self.see()

    @property
    def path(self) -> Path:
        return Path(self.client.application.extensions[KEY].stages.folder) / self.name

    def places(self) -> dict[str, Any]:
        """Where parts stand by the file, which agrees with the stage."""
        stage = load_stage(self.path / "stage.yaml")
        file = own_drawing(stage)
        assert file is not None
        layout = load_layout(stage, file)
        assert layout is not None
        assert mismatches(layout, stage) == ()
        return dict(layout.parts)


@pytest.fixture
def own(client: FlaskClient) -> Own:
    return Own(client)


def shipped() -> dict[str, Any]:
    layout = load_layout(load_stage(STAGE))
    assert layout is not None
    return dict(layout.parts)


@pytest.mark.slow
def test_a_part_that_is_moved_stays_there(own: Own) -> None:
    x, y = shipped()["R3"].at
    answer = own.does("move", part="R3", by=[0, 2])
    assert answer.status_code == 200
    assert 'data-own=""' in answer.text
    assert 'data-undo=""' in answer.text
    assert own.see() == answer.text
    places = own.places()
    assert places["R3"].at == (x, y + 2)
    assert {n: p for n, p in places.items() if n != "R3"} == {
        n: p for n, p in shipped().items() if n != "R3"}
    # everything else that draws the stage has the same drawing, from the file beside it
    layout = layout_of(load_stage(own.path / "stage.yaml"))
    assert layout is not None
    assert dict(layout.parts) == places
    svg = own.client.get(f"/stage/{own.name}/drawing.svg").text
    assert 'id="part-R3"' in svg
    assert own.does("move", part="R3", turns=2).status_code == 200
    assert own.places()["R3"].along == "up"
    # a sheet for the stage, and a copy of it, take the drawing along
    copy = own.client.post(f"/stage/{own.name}/copy").json["stage"]
    assert (own.path.parent / copy / "stage.drawing.yaml").is_file()


def test_a_part_that_would_lie_on_another_stays(own: Own) -> None:
    before = own.see()
    answer = own.does("move", part="C3", by=[6, -3])
    assert answer.status_code == 422
    assert answer.json["error"] == "C3 has no room there: it would lie on R9"
    assert own.see() == before


@pytest.mark.slow
def test_moves_are_undone_one_by_one_and_the_automatic_drawing_comes_back(own: Own) -> None:
    first = own.see()
    own.does("move", part="R3", by=[0, 2])
    second = own.see()
    own.does("move", part="R3", by=[1, 0])
    third = own.see()
    assert len({first, second, third}) == 3
    picture = re.compile("data-undo=\"\" |data-own=\"\" |data-mark=\"\\w+\" ")
    assert picture.sub("", own.does("anew").text) == picture.sub("", first)
    assert own_drawing(load_stage(own.path / "stage.yaml")) is None
    for there in (third, second, first):
        assert own.does("undo").status_code == 200
        assert own.see() == there
    assert own.does("undo").status_code == 422


@pytest.mark.slow
def test_a_drawing_follows_the_stage(own: Own) -> None:
    own.does("move", part="R3", by=[0, 2])
    places = own.places()
    # values, roles and devices do not move anything
    own.type("value: 220k,", "value: 1.234567 Mohm,")
    own.type("low-noise-npn", "small-signal-npn")
    assert own.places() == places
    # a part that is called otherwise stands where it stood
    own.type("  R3:", "  R33:")
    assert own.places() == {("R33" if n == "R3" else n): p for n, p in places.items()}
    # one that is new stands somewhere free, one that is taken away leaves the others where they are
    own.type("  R33:", "  R90: {kind: carbon-film, nodes: [c2, \"0\"], value: 1 Mohm}\n  R33:")
    more = own.places()
    assert set(more) - set(places) == {"R33", "R90"}
    assert {n: p for n, p in more.items() if n not in ("R33", "R90")} == {
        n: p for n, p in places.items() if n != "R3"}
    own.does("move", part="R90", by=[0, 0], turns=2)
    stood = own.places()["R90"]
    own.type("  R90: {kind: carbon-film, nodes: [c2, \"0\"], value: 1 Mohm}\n", "")
    assert "R90" not in own.places()
    # and put back, it stands where it stood
    own.type("  R33:", "  R90: {kind: carbon-film, nodes: [c2, \"0\"], value: 2 Mohm}\n  R33:")
    assert own.places()["R90"] == stood
    # joined otherwise: the wires are others, the places are not
    before = own.places()
    own.type("nodes: [c2, \"0\"], value: 2 Mohm", "nodes: [c1, \"0\"], value: 2 Mohm")
    assert own.places() == before


def test_two_tabs_do_not_undo_each_others_moves(client: FlaskClient, own: Own) -> None:
    late = own.mark
    own.does("move", part="R3", by=[0, 2])
    there = own.places()
    for what in ("move", "undo", "anew"):
        answer = client.post(f"/stage/{own.name}/drawing/{what}",
                             json={"mark": late, "part": "R3", "by": [1, 0]})
        assert answer.status_code == 409
        assert "drawing was changed elsewhere" in answer.json["error"]
    assert own.places() == there


def test_what_is_half_typed_keeps_the_arrangement_and_moves_nothing(own: Own) -> None:
    own.does("move", part="R3", by=[0, 2])
    there, mark = own.places(), own.mark
    told = own.client.get(f"/stage/{own.name}/data").json
    text = told["text"].replace("  R4: {kind: carbon-film", "  R4: {kind: carbon-fil")
    assert text != told["text"]
    own.client.put(f"/stage/{own.name}/data", json={
        "revision": told["revision"], "sheet": {"base": text, "table": None}})
    svg = own.see()
    assert 'data-part="R3"' in svg
    assert 'data-part="R4"' not in svg
    assert "data-mark" not in svg
    answer = own.client.post(f"/stage/{own.name}/drawing/move",
                             json={"mark": mark, "part": "R3", "by": [1, 0]})
    assert answer.status_code == 422
    assert "once the mistakes" in answer.json["error"]
    own.client.put(f"/stage/{own.name}/data", json={
        "revision": told["revision"] + 1, "sheet": {"base": told["text"], "table": None}})
    assert own.places() == there


@pytest.mark.parametrize(("sent", "words"), [
    ({"part": "R99", "by": [1, 0]}, "no part 'R99'"),
    ({"part": ["R3"], "by": [1, 0]}, "no part"),
    ({"part": "R3", "by": [1.5, 0]}, "no number of steps"),
    ({"part": "R3", "by": [10**9, 0]}, "no number of steps"),
    ({"part": "R3", "by": "1"}, "no way to move"),
    ({"part": "R3", "by": [1, 0], "turns": "x"}, "no number of steps"),
    ({"part": "R3", "by": [200, 0]}, ""),
])
def test_what_is_no_move_is_refused(own: Own, sent: dict[str, Any], words: str) -> None:
    before = own.see()
    answer = own.does("move", **sent)
    if words:
        assert answer.status_code == 422
        assert words in answer.json["error"]
        assert own.see() == before
    else:
        assert answer.status_code == 200
    assert own.client.post(f"/stage/{own.name}/drawing/else", json={}).status_code == 422
    assert own.client.post(f"/stage/{own.name}/drawing/move", json=[]).status_code == 422


def test_a_drawing_that_came_with_a_stage_is_shown_and_arranged(client: FlaskClient) -> None:
    files = [(io.BytesIO(text.encode()), name) for name, text in (
        ("d.yaml", DIVIDER), ("d.drawing.yaml", DIVIDER_DRAWN))]
    own = Own.__new__(Own)
    own.client = client
    own.name = client.post("/sheets/open", data={"files": files}).json["stage"]
    assert 'data-own=""' in own.see()
    assert own.places()["R1"].at == (10, 2)
    assert own.does("move", part="R2", by=[0, 3]).status_code == 200
    assert own.places()["R2"].at == (10, 10)
    assert own.does("undo").status_code == 200
    assert (own.path / "stage.drawing.yaml").read_text(encoding="utf-8") == DIVIDER_DRAWN
    assert FOLDER in str(own.path)
