"""The page of a healthy unit, asked for without a browser: what the command tells, as tables."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient

from diagnose.web.app import make_app
from diagnose.web.desk import KEY


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    app = make_app(tmp_path_factory.mktemp("sheets"), cached=False)
    yield app.test_client()
    app.extensions[KEY].close()


def rows(text: str) -> dict[str, list[str]]:
    found = re.findall(r'<tr><th scope="row">(.*?)</th>(.*?)</tr>', text)
    return {name: re.findall(r"<td[^>]*>(.*?)</td>", cells) for name, cells in found}


def test_the_healthy_unit_of_a_stage(page: FlaskClient) -> None:
    answer = page.get("/stages/filter-high/healthy")
    assert answer.status_code == 200
    told = rows(answer.text)
    assert {"vcc", "b1", "Q1", "R1"} & told.keys() >= {"vcc", "b1", "Q1"}
    assert told["Q1"][0].endswith("mA")
    assert "Nothing cut off, saturated" in answer.text
    assert '<a href="/stages/filter-high/healthy">' in page.get("/stages/filter-high").text


def test_the_healthy_unit_of_a_sheet(page: FlaskClient) -> None:
    made = page.post("/sheets", data={"stage": "filter-low", "case": "made up"})
    assert made.status_code == 200
    answer = page.get(f"/sheet/{made.json['sheet']}/healthy")
    assert answer.status_code == 200
    assert rows(answer.text)["Q1"][0].endswith("mA")


def test_a_stage_that_does_not_ship_has_no_page(page: FlaskClient) -> None:
    assert page.get("/stages/..%2Fsecret/healthy").status_code >= 400
    assert page.get("/stages/nothing/healthy").status_code >= 400
