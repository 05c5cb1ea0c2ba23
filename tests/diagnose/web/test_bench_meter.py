"""Readings taken by meter through requests of the page.

The meter is a server on this machine that speaks the words of SCPI-99 (from memory).
"""

from __future__ import annotations

import threading

import pytest
from flask import Flask
from flask.testing import FlaskClient

from diagnose.sheet.case import load_case
from diagnose.web import runs
from diagnose.web.desk import KEY
from tests.diagnose.instruments.scpi_server import Voltages, serving
from tests.diagnose.web.bench_sheets import PHONO, kept
from tests.diagnose.web.bench_walk import Walk

pytestmark = pytest.mark.usefixtures("own_bench")


@pytest.mark.slow
def test_a_meter_is_followed_from_point_to_point(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    volts = [0.001] * 4 + [1.39214] * 13 + [0.002] * 4 + [9.9e37] * 60
    with serving(Voltages(volts)) as address:
        walk.begin(kind="meter", address=address)
        listed = walk.phase("listed")
        assert "Invented Bench meter 6" in listed["title"]
        assert any("Discharge" in text for text in listed["cautions"])
        assert [point["label"] for point in listed["points"]] == [
            "dc voltage at c1", "dc voltage at e2"]
        assert listed["points"][0]["lit"] == [["c1", "red"], ["0", "black"]]
        assert "Q1 collector" in listed["points"][0]["where"]
        assert walk.say("take")
        walk.until(lambda run: run["phase"] == "point" and run["point"] == 1)
        walk.phase("ended")
    assert walk.run["error"] == ""
    assert [(one["value"], one["kept"]) for one in walk.run["readings"]] == [
        ("1.39214 V", True), ("> 1 kV", True)]
    found = {m.reading.at: m for m in load_case(sheet.path).readings}
    assert found["c1"].value == pytest.approx(1.39214)
    assert (found["e2"].bound, found["e2"].value) == (">", 1000.0)


@pytest.mark.slow
def test_keys_take_what_stands_skip_and_go_back(app: Flask, client: FlaskClient) -> None:
    """Leads in the air read about nothing, so only a word takes them (as the command has it)."""
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    with serving(Voltages([0.004])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.on("take")
        walk.until(lambda run: run["shown"])
        assert walk.on("take")["point"] == 1
        assert walk.on("again")["point"] == 0
        assert walk.on("skip")["point"] == 1
        walk.on("stop")
        walk.phase("ended")
    assert walk.run["text"] == "1 reading taken and on the sheet"
    (only,) = load_case(sheet.path).readings
    assert (only.reading.at, only.value) == ("c1", pytest.approx(0.004))


@pytest.mark.slow
def test_a_cable_that_is_pulled_loses_nothing_and_it_goes_on(
    app: Flask, client: FlaskClient
) -> None:
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    with serving(Voltages([1.39214] * 15 + [0.0] * 9, pulled=20)) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.say("take")
        walk.phase("ended")
    assert "does not answer any more" in walk.run["error"]
    assert walk.run["error"].count("expected:") == 1
    assert [m.reading.at for m in load_case(sheet.path).readings] == ["c1"]
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        assert [p["label"] for p in walk.phase("listed")["points"]] == ["dc voltage at e2"]
        walk.say("stop")
        walk.phase("ended")


@pytest.mark.slow
def test_of_two_channels_the_one_that_is_named_is_read(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, """\
stage: phono-two-transistor
channels:
  left: {readings: [{quantity: dc voltage, at: c1, value: }]}
  right: {readings: [{quantity: dc voltage, at: c1, value: 1.5 V}]}
suspect: right
""")
    walk = Walk(client, sheet.name)
    with serving(Voltages([1.39214])) as address:
        walk.begin(kind="meter", address=address, channel="centre")
        walk.phase("ended")
        assert "no channel 'centre'" in walk.run["error"]
    with serving(Voltages([0.0] * 4 + [1.39214])) as address:
        walk.begin(kind="meter", address=address, channel="left")
        walk.phase("listed")
        walk.say("take")
        walk.phase("ended")
    assert {name: [m.value for m in read] for name, read in load_case(sheet.path).channels} == {
        "left": [pytest.approx(1.39214)], "right": [1.5]}


def test_the_end_of_the_server_ends_a_run(app: Flask, client: FlaskClient) -> None:
    walk = Walk(client, kept(app, PHONO).name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        run = app.extensions[KEY].runs.of(walk.run["sheet"])
        app.extensions[KEY].close()
        assert run.over


@pytest.mark.parametrize(("address", "words"), [
    ("127.0.0.1:1", "nothing answers at 127.0.0.1:1"), ("", "which meter"),
    ("what", "no line to what"),
])
def test_an_address_without_a_meter_is_one_message(
    app: Flask, client: FlaskClient, address: str, words: str
) -> None:
    walk = Walk(client, kept(app, PHONO).name)
    walk.begin(kind="meter", address=address)
    walk.phase("ended")
    assert words in walk.run["error"]


@pytest.mark.slow
def test_a_meter_is_not_read_while_nobody_looks(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a value would be taken that nobody saw."""
    sheet = kept(app, PHONO)
    walk = Walk(client, sheet.name)
    meter = Voltages([0.0])
    with serving(meter) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        walk.on("take")
        monkeypatch.setattr(runs, "WATCHED", 0.0)
        run = app.extensions[KEY].runs.of(sheet.name)
        threading.Event().wait(0.3)
        before = meter.read
        threading.Event().wait(0.3)
        assert meter.read == before
        monkeypatch.setattr(runs, "WATCHED", 10.0)
        monkeypatch.setattr(runs, "FORGOTTEN", 0.0)
        run.wait(10.0)
    assert run.over
    assert "half an hour" in run.now()["remarks"][-1]
