"""What becomes of a sheet while readings are taken onto it, and who may ask for them.

Sheets are read back by the loader of case files. That a request from another page is told by its
headers is in the Fetch metadata specification of the W3C.
"""

from __future__ import annotations

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.instruments import connection
from diagnose.sheet.case import load_case
from diagnose.soundcard import portaudio
from diagnose.soundcard.calibration import keep
from diagnose.web.desk import KEY
from diagnose.web.meter_run import measured
from diagnose.web.opened import from_file
from diagnose.web.runs import Run
from diagnose.web.taken import with_taken
from tests.diagnose.instruments.scpi_server import Voltages, serving
from tests.diagnose.soundcard.fake_card import FakeCard, Unit
from tests.diagnose.web.bench_sheets import HERE, OWN, PHONO, SHEET, dry, kept, plugged_in
from tests.diagnose.web.bench_walk import Walk

pytestmark = pytest.mark.usefixtures("own_bench")


def test_a_row_half_typed_keeps_no_reading_from_the_sheet() -> None:
    sheet = from_file("stage: coupling\nreadings:\n  - {quantity: gain, frequency: soon, value: }\n"
                      "  - {quantity: dc voltage, at: out, value: }\n", "sheet")

    def refused(text: str) -> str:
        raise InputError("a row is half typed")

    made = with_taken(sheet, refused, Reading("dc voltage", at="out"), "1.2 V", "")
    assert len(made.readings) == 3
    assert made.readings[2].values == ("1.2 V",)
    assert dict(made.readings[2].conditions) == {"at": "out"}
    assert made.readings[:2] == sheet.readings


@pytest.mark.slow
def test_what_was_typed_meanwhile_stays(app: Flask, client: FlaskClient) -> None:
    sheet = kept(app, PHONO)
    shelf = app.extensions[KEY].shelf
    walk = Walk(client, sheet.name)
    with serving(Voltages([0.0] * 8 + [1.4] * 60)) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        shelf.amend(sheet.name, lambda typed: from_file(
            sheet.path.read_text().replace("at: c1, value: ", "at: c1, value: 1.5 V"), "sheet"))
        assert "1.5 V" in sheet.path.read_text()
        walk.on("take")
        walk.until(lambda run: run["point"] == 1)
        walk.say("stop")
        walk.phase("ended")
    assert "1.5 V stays" in walk.run["remarks"][0]
    assert {m.value for m in load_case(sheet.path).readings} == {1.5}


@pytest.mark.slow
def test_what_was_typed_while_a_card_was_at_it_stays_until_the_step_is_repeated(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(OWN)
    # a second step, of noise, stands behind that of the gains: there the first is repeated
    sheet = kept(app, SHEET.replace("limits:", "  - {quantity: noise, value: }\nlimits:"))
    shelf = app.extensions[KEY].shelf
    walk = Walk(client, sheet.name)

    def low() -> float:
        return next(float(m.value) for m in load_case(sheet.path).readings
                    if m.reading.frequency == 20.0)

    with plugged_in(monkeypatch, FakeCard(Unit(dry))):
        walk.begin(kind="card")
        walk.phase("listed")
        walk.on("go")
        while not walk.run["steps"][walk.run["step"]]["takes"]:
            walk.on("go")
        shelf.amend(sheet.name, lambda typed: from_file(sheet.path.read_text().replace(
            "frequency: 20 Hz, value: ", "frequency: 20 Hz, value: -9 dB"), "sheet"))
        assert low() == -9.0
        walk.on("go")
        assert low() == -9.0
        assert "-9 dB stays" in walk.run["remarks"][-1]
        assert [one["label"] for one in walk.run["readings"]] == ["gain at 1 kHz, into 10 kΩ"]
        # what the take heard stays at the step after it, until that is gone on with
        (heard,) = walk.run["heard"]
        for word in ("1 kHz", "level, RMS", "harmonics, by number", "mains lines, Hz"):
            assert word in heard["spectrum"]
        assert walk.run["fresh"] == 2
        assert walk.on("again")["heard"] == []
        walk.on("go")
        walk.say("stop")
        walk.phase("ended")
    assert low() == pytest.approx(20.0 * np.log10(abs(dry(np.array([20.0]))[0])), abs=0.1)


def test_a_sheet_with_a_mistake_is_not_begun(app: Flask, client: FlaskClient) -> None:
    walk = Walk(client, kept(app, PHONO.replace("at: c1", "at: nowhere")).name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("ended")
    assert "nowhere" in walk.run["error"]


@pytest.mark.parametrize(("word", "bound", "value"), [
    ("1.392 V", "", 1.392), ("> 1 kV", ">", 1000.0), ("< -1 kV", "<", -1000.0),
    ("OL", ">", float("inf")),
])
def test_a_value_in_words_is_what_limits_are_held_against(
    word: str, bound: str, value: float
) -> None:
    made = measured(Reading("dc voltage", at="c1"), word)
    assert (made.bound, made.value) == (bound, value)


def test_one_bench_has_one_run(app: Flask, client: FlaskClient) -> None:
    first, second = kept(app, PHONO), kept(app, SHEET)
    walk = Walk(client, first.name)
    with serving(Voltages([0.0])) as address:
        walk.begin(kind="meter", address=address)
        walk.phase("listed")
        answer = Walk(client, second.name).post(kind="meter", address=address)
        assert answer.status_code == 422
        assert first.name in answer.json["error"]
        assert client.get(f"/sheet/{second.name}/bench").json == {"run": None}
        walk.say("stop")
        walk.phase("ended")
    assert client.get(f"/sheet/{first.name}/bench").json["run"]["phase"] == "ended"


@pytest.mark.parametrize("headers", [
    {"Origin": "http://evil.example"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"},
])
def test_another_page_opens_no_device(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch, headers: dict[str, str]
) -> None:
    def touched(*given: object) -> None:
        raise AssertionError("a device was touched")

    for word in ("card", "devices", "look_again", "library"):
        monkeypatch.setattr(portaudio, word, touched)
    monkeypatch.setattr(connection, "_pyvisa", touched)
    name = kept(app, PHONO).name
    for path in ("", "/devices", "/look", "/word"):
        for kind in ("card", "meter"):
            answer = client.post(f"/sheet/{name}/bench{path}", base_url=HERE, headers=headers,
                                 json={"kind": kind, "address": "127.0.0.1:1", "after": 0})
            assert answer.status_code == 403, path
            # as a page of the address line, or a link: nothing is opened by reading
            assert client.get(f"/sheet/{name}/bench{path}").status_code in (200, 405), path
    assert app.extensions[KEY].runs.free


@pytest.mark.parametrize("sent", ["[]", "{", "3", '{"kind": "oven"}', '{"kind": 3}',
                                  '{"kind": "card", "rate": 1}', '{"kind": "card", "device": 7}',
                                  '{"kind": "meter", "address": "a\\u0000b"}'])
def test_what_is_no_request_is_told_so(app: Flask, client: FlaskClient, sent: str) -> None:
    name = kept(app, PHONO).name
    answer = client.post(f"/sheet/{name}/bench", data=sent, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert answer.json["error"]
    assert app.extensions[KEY].runs.free


def test_a_sheet_that_is_not_there_has_no_bench(client: FlaskClient) -> None:
    assert client.get("/sheet/none/bench").status_code == 404
    assert client.post("/sheet/none/bench", json={"kind": "card"}).status_code == 404


def test_a_fault_of_the_program_ends_a_run_and_is_told() -> None:
    def broken(run: Run) -> None:
        raise ZeroDivisionError

    run = Run("sheet", "card")
    run.start(broken)
    run.wait(5.0)
    assert run.over
    assert "fault of the program" in run.now()["error"]
