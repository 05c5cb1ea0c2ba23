"""Stages of one's own, asked for without a browser: kept, imported, read when healthy, used.

Sources: Ohm's law for the divider, SPICE's rule that what follows a number and its scale factor is
passed over (ngspice manual, 2.1.3, from memory), and what a file server may never hand out.
"""

from __future__ import annotations

import io
import json
import re
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.load import load_stage, stage_file
from diagnose.sheet.case import load_case
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from diagnose.web.stage_shelf import FOLDER

DIVIDER = """\
stage: divider
title: A divider of the tests
rails:
  vcc: {volts: 24 V}
ports: {input: in, output: out}
source impedance: 1 kohm
load: 47 kohm
signal: {input level: 100 mV}
parts:
  R1: {kind: metal-film, nodes: [vcc, b], value: 10 kohm, role: upper}
  R2: {kind: metal-film, nodes: [b, "0"], value: 10 kohm, role: lower}
  C1: {kind: film, nodes: [in, b], value: 1 uF, role: input coupling}
  C2: {kind: film, nodes: [b, out], value: 1 uF, role: output coupling}
test points: {b: the middle}
"""
DIVIDER_DRAWN = """\
drawing: divider
parts: {R1: [10, 2, down], R2: [10, 7, down], C1: [4, 6, right], C2: [14, 6, right]}
wires:
  - 10,5 10,7
  - 7,6 10,6
  - 10,6 14,6
grounds: 10,10
rails: {vcc: [10, 2, up]}
ports: {in: [4, 6, left], out: [17, 6, right]}
test points: {b: [12, 6, up]}
"""
NETLIST = """\
an amplifier
V1 vcc 0 24
Vin in 0 AC 1
C1 in b 4u7
R1 vcc b 470k
R2 b 0 100k
R3 vcc c 4.7k
R4 e 0 1k
Q1 c b e m
C2 c out 10u
RL out 0 47k
.model m npn(BF=180)
.control
shell touch /tmp/never
.endc
.end
"""


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    made = make_app(tmp_path_factory.mktemp("shelf") / "sheets", workers=0, cached=False)
    yield made
    made.extensions[KEY].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def given(client: FlaskClient, *files: tuple[str, str | bytes]) -> Any:
    """What opening files is answered with."""
    sent = [(io.BytesIO(body.encode() if isinstance(body, str) else body), name)
            for name, body in files]
    return client.post("/sheets/open", data={"files": sent})


@pytest.fixture
def own(client: FlaskClient) -> str:
    """A stage of one's own, from its file alone."""
    return str(given(client, ("divider.yaml", DIVIDER)).json["stage"])


def typed(client: FlaskClient, name: str, **changes: Any) -> Any:
    """Save a table with fields of its first part changed."""
    told = client.get(f"/stage/{name}/data").json
    told["now"]["table"]["parts"][0].update(changes)
    return client.put(f"/stage/{name}/data",
                      json={"sheet": told["now"], "revision": told["revision"]})


def test_a_stage_alone_opens_and_its_file_is_what_was_opened(client: FlaskClient, own: str) -> None:
    told = client.get(f"/stage/{own}/data").json
    assert told["text"] == DIVIDER
    assert told["problems"] == []
    assert told["usable"] is True
    assert client.get(f"/stage/{own}").status_code == 200
    assert client.get(f"/stage/{own}/stage.yaml").text == DIVIDER
    assert f"/stage/{own}" in client.get("/").text


def test_a_stage_that_ships_is_changed_as_a_copy(client: FlaskClient) -> None:
    name = client.post("/stages/new", data={"stage": "filter-high"}).json["stage"]
    assert client.get(f"/stage/{name}/data").json["text"] == stage_file("filter-high")
    svg = client.get(f"/stage/{name}/drawing").text
    assert 'data-part="Q1"' in svg
    assert typed(client, name, value="1 ohm").status_code == 200
    assert load_stage("filter-high").part("J1").value == 0.02
    assert client.post("/stages/new", data={"stage": "../../x"}).status_code in (404, 422)


def test_what_is_wrong_is_kept_and_told_at_its_row(client: FlaskClient, own: str) -> None:
    told = typed(client, own, value="ten volts").json
    assert [(p["field"], p["kind"]) for p in told["problems"]] == [("parts/0/value", "mistake")]
    assert told["usable"] is False
    again = client.get(f"/stage/{own}/data").json
    assert again["now"]["table"]["parts"][0]["value"] == "ten volts"
    assert 'data-part="R2"' in client.get(f"/stage/{own}/drawing").text
    refused = client.post(f"/stage/{own}/sheet")
    assert refused.status_code == 422
    assert "mistakes still" in refused.json["error"]


def test_a_row_without_a_name_and_a_broken_file_are_not_lost(client: FlaskClient, own: str) -> None:
    told = client.get(f"/stage/{own}/data").json
    now = told["now"]
    now["table"]["parts"].append({"was": -1, "name": "", "kind": "npn", "nodes": "c b e"})
    saved = client.put(f"/stage/{own}/data", json={"sheet": now, "revision": 1}).json
    assert saved["problems"][0]["field"] == "parts/4/name"
    again = client.get(f"/stage/{own}/data").json["now"]["table"]["parts"]
    assert again[-1]["nodes"] == "c b e"
    broken = {"base": DIVIDER + "  what: [is\n", "table": None}
    told = client.put(f"/stage/{own}/data", json={"sheet": broken, "revision": 2}).json
    assert told["table"] is None
    assert told["problems"][0]["place"].startswith("line ")
    assert client.get(f"/stage/{own}/data").json["now"] == broken


def test_a_save_from_an_older_revision_is_refused(client: FlaskClient, own: str) -> None:
    now = client.get(f"/stage/{own}/data").json["now"]
    assert client.put(f"/stage/{own}/data", json={"sheet": now, "revision": 1}).status_code == 200
    late = client.put(f"/stage/{own}/data", json={"sheet": now, "revision": 1})
    assert late.status_code == 409
    assert late.json["revision"] == 2


@pytest.mark.parametrize("sent", ["[]", "{", "null", '{"revision": 1}', '{"revision": 1, "sheet": '
                                  '{"base": 3}}', '{"revision": 1, "sheet": {"base": "a\\u0000"}}'])
def test_what_is_no_stage_changes_nothing(client: FlaskClient, own: str, sent: str) -> None:
    answer = client.put(f"/stage/{own}/data", data=sent, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert client.get(f"/stage/{own}/data").json["revision"] == 1


def test_renamed_copied_deleted_and_back(client: FlaskClient, own: str) -> None:
    assert client.post(f"/stage/{own}/title", json={"title": "Bench divider"}).status_code == 200
    text = client.get(f"/stage/{own}/stage.yaml").text
    assert text == DIVIDER.replace("A divider of the tests", "Bench divider")
    twin = client.post(f"/stage/{own}/copy").json["stage"]
    assert twin != own
    assert client.get(f"/stage/{twin}/stage.yaml").text == text
    assert client.post(f"/stage/{own}/delete").status_code == 200
    assert client.get(f"/stage/{own}").status_code == 404
    assert f'data-stage="{own}"' in client.get("/").text  # in the bin
    assert client.post(f"/stage/{own}/restore").status_code == 200
    assert client.get(f"/stage/{own}/stage.yaml").text == text


@pytest.mark.parametrize("name", ["..", "..%2F..%2Fetc", "_bin", ".hidden", "A", "x" * 80])
def test_a_name_of_a_stage_cannot_lead_elsewhere(client: FlaskClient, name: str) -> None:
    for path in ("data", "stage.yaml", "stage.cir", "healthy", "drawing"):
        assert client.get(f"/stage/{name}/{path}").status_code == 404
    assert client.post(f"/stage/{name}/delete").status_code in (404, 405)


def test_a_stage_that_names_a_file_outside_is_refused_with_a_clear_word(
    client: FlaskClient, tmp_path: Path
) -> None:
    secret = tmp_path / "secret.lib"
    secret.write_text(".model m npn(BF=100)\n", encoding="utf-8")
    for word in (str(secret), "../../secret.lib", "/etc/passwd"):
        text = DIVIDER + f'devices: "{word}"\n'
        name = given(client, ("divider.yaml", text)).json["stage"]
        told = client.get(f"/stage/{name}/data").json
        assert "in the folder of this stage" in told["problems"][0]["text"]
        assert client.get(f"/stage/{name}/stage.cir").status_code == 422


def test_devices_and_a_drawing_that_come_with_a_stage_stay_with_it(client: FlaskClient) -> None:
    drawing = "parts: {}\n"
    text = DIVIDER.replace("parts:\n", "devices: mine.lib\nparts:\n  Q1: {kind: npn, nodes: "
                           '[vcc, b, e], model: m}\n  R9: {kind: metal-film, nodes: [e, "0"], '
                           "value: 10k}\n")
    name = given(client, ("d.yaml", text), ("mine.lib", ".model m npn(BF=123)\n"),
                 ("d.drawing.yaml", drawing)).json["stage"]
    assert client.get(f"/stage/{name}/data").json["problems"] == []
    packed = zipfile.ZipFile(io.BytesIO(client.get(f"/stage/{name}/stage.yaml").data))
    assert {Path(one).name for one in packed.namelist()} == {
        "mine.lib", f"{name}.yaml", f"{name}.drawing.yaml"}
    twin = client.post(f"/stage/{name}/copy").json["stage"]
    assert client.get(f"/stage/{twin}/data").json["problems"] == []


@pytest.mark.slow
def test_what_a_healthy_one_reads_is_what_the_divider_divides(
    client: FlaskClient, own: str
) -> None:
    """24 V over two equal resistors is 12 V between them (Ohm's law)."""
    rows = dict(re.findall(r'<th scope="row">(\w+)</th>.*?<td class="n">(.*?)</td>',
                           client.get(f"/stage/{own}/healthy").text))
    assert rows["b"] == "12 V"


@pytest.mark.slow
def test_a_sheet_for_the_stage_and_what_the_manual_expects_beside(
    app: Flask, client: FlaskClient, own: str
) -> None:
    name = client.post(f"/stage/{own}/sheet").json["sheet"]
    told = client.get(f"/sheet/{name}/data").json
    assert (told["own"], told["newer"], told["problems"]) == (own, False, [])
    path = app.extensions[KEY].shelf.load(name).path
    assert load_case(path).stage.part("R1").value == 10e3
    # a manual's meter of 20 kohm/V on its 30 V range has 600 kohm: it reads 0.8 % less than 12 V
    path.write_text(path.read_text(encoding="utf-8").replace("expected: []\n", """expected:
  - {quantity: dc voltage, at: b, value: 12 V, meter: 20 kohm/V, range: 30 V}
  - {quantity: dc voltage, at: b, value: 6 V}
"""), encoding="utf-8")
    page = client.get(f"/sheet/{name}/healthy").text
    beside = page[page.index("manual-head"):page.index("found-head")]
    said = re.findall(r'n strong">([\d.]+ V).*?<td class="n">([\d.]+) V</td>.*?<td>(. \w+)',
                      beside, re.DOTALL)
    assert [(manual, verdict) for manual, _, verdict in said] == [
        ("12 V", "✓ they"), ("6 V", "✗ they")]
    assert float(said[0][1]) == pytest.approx(12 * 600 / 605, abs=0.02)
    # the stage is changed: the sheet has it as it was until somebody says otherwise
    assert typed(client, own, value="20 kohm").status_code == 200
    assert client.get(f"/sheet/{name}/data").json["newer"] is True
    assert load_case(path).stage.part("R1").value == 10e3
    assert client.post(f"/sheet/{name}/stage").status_code == 200
    assert load_case(path).stage.part("R1").value == 20e3
    assert client.get(f"/sheet/{name}/data").json["newer"] is False


@pytest.mark.slow
def test_a_netlist_is_a_stage_whose_guesses_are_asked(client: FlaskClient, own: str) -> None:
    name = given(client, ("my amp.cir", NETLIST)).json["stage"]
    told = client.get(f"/stage/{name}/data").json
    assert told["problems"] == []
    said = told["said"]
    part, written, read, meant, _, line = said["asked"][0]
    assert (part, written, read, meant, line) == ("C1", "4u7", "4 µF", "4.7 µF", 4)
    marked = {tuple(pair) for pair in told["now"]["table"]["guessed"]}
    assert {("C1", "kind"), ("stage", "output")} <= marked
    assert marked <= {(of, word) for of, word, *_ in said["guesses"]}  # each has its question
    assert any("control" in what for what, *_ in said["left"])
    assert not Path("/tmp/never").exists()
    left = client.post(f"/stage/{name}/said", json={"part": "C1"}).json["said"]["asked"]
    assert left == []
    # confirmed is off the file's list
    now = told["now"]
    now["table"]["guessed"] = []
    client.put(f"/stage/{name}/data", json={"sheet": now, "revision": told["revision"]})
    assert "guessed:" not in client.get(f"/stage/{name}/stage.yaml").text.split("\nstage:")[1]
    # out as a netlist and in again it is the same stage, and nothing of it is guessed
    out = client.get(f"/stage/{own}/stage.cir").text
    back = given(client, ("back.cir", out)).json["stage"]
    again = client.get(f"/stage/{back}/data").json
    assert again["now"]["table"]["guessed"] == []
    assert {row["name"]: row["value"] for row in again["now"]["table"]["parts"]}["R1"] == "10 kohm"


@pytest.mark.slow
@pytest.mark.parametrize(("body", "says"), [
    ("amp\nR1 a b\n.end\n", "bad.cir:2:1: R1 has no value\n    R1 a b\n    ^"),
    ("amp\n.include /etc/passwd\nR1 a b 1k\n.end\n", "leads out of the folder of the netlist"),
    ("amp\n.end\n", "this netlist has no parts"),
])
def test_a_netlist_that_cannot_be_read_is_told_with_its_place(
    client: FlaskClient, body: str, says: str
) -> None:
    before = client.get("/").text.count("data-act=sheet")
    answer = given(client, ("bad.cir", body))
    assert answer.status_code == 422
    assert says in answer.json["error"]
    assert "/tmp" not in answer.json["error"]
    assert client.get("/").text.count("data-act=sheet") == before


@pytest.mark.slow
def test_a_netlist_that_says_no_ends_asks_for_them(client: FlaskClient) -> None:
    body = "amp\nR1 left x 10k\nR2 x 0 10k\nR3 x right 1k\nR4 right 0 1k\n.end\n"
    refused = given(client, ("ends.cir", body))
    assert refused.status_code == 422
    assert "its input node below" in refused.json["error"]
    answer = client.post("/sheets/open", data={
        "files": [(io.BytesIO(body.encode()), "ends.cir")], "input": "left", "output": "right"})
    head = client.get(f"/stage/{answer.json['stage']}/data").json["now"]["table"]["head"]
    assert (head["input"], head["output"]) == ("left", "right")


def test_a_netlist_of_ten_megabytes_is_refused_at_once(client: FlaskClient) -> None:
    for size, code in ((1_100_000, 422), (10_000_000, 413)):
        began = time.monotonic()
        head = b'--x\r\nContent-Disposition: form-data; name="files"; filename="big.cir"\r\n\r\n'
        body = head + b"R1 a b 1k\n" * (size // 10) + b"\r\n--x--\r\n"
        answer = client.post("/sheets/open", data=body,
                             content_type="multipart/form-data; boundary=x")
        assert answer.status_code == code
        assert time.monotonic() - began < 10.0


def test_markup_that_is_typed_stays_text(client: FlaskClient) -> None:
    evil = "<img src=x onerror=alert(1)>"
    text = DIVIDER
    for word in ("A divider of the tests", "upper"):
        text = text.replace(word, json.dumps(evil))
    name = given(client, ("evil.yaml", text)).json["stage"]
    for path in ("/", f"/stage/{name}", f"/stage/{name}/drawing", f"/stage/{name}/drawing.svg"):
        assert evil not in client.get(path).text


@pytest.mark.parametrize("headers", [{"Origin": "http://evil.example"},
                                     {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}])
def test_another_page_can_do_nothing_with_a_stage(
    app: Flask, client: FlaskClient, own: str, headers: dict[str, str]
) -> None:
    before = sorted((app.extensions[KEY].shelf.folder / FOLDER).iterdir())
    for method, path in (("PUT", "data"), ("POST", "copy"), ("POST", "delete"), ("POST", "title"),
                         ("POST", "sheet"), ("POST", "said"), ("GET", "data")):
        answer = client.open(f"/stage/{own}/{path}", method=method, headers=headers,
                             base_url="http://127.0.0.1:8426", json={})
        assert answer.status_code == 403, path
    answer = client.post("/stages/new", headers=headers, base_url="http://127.0.0.1:8426")
    assert answer.status_code == 403
    assert sorted((app.extensions[KEY].shelf.folder / FOLDER).iterdir()) == before


def test_mistakes_of_wiring_stand_at_their_rows_all_at_once(client: FlaskClient) -> None:
    name = given(client, ("d.yaml", DIVIDER)).json["stage"]
    told = client.get(f"/stage/{name}/data").json
    table = told["sheet"]["table"]
    table["parts"][0]["nodes"] = "vcc, bb"
    table["parts"][3]["nodes"] = "b, b"
    table["head"]["output"] = "out"
    answer = client.put(f"/stage/{name}/data", json={
        "revision": told["revision"], "sheet": {"base": told["sheet"]["base"], "table": table}})
    found = {problem["field"]: problem["text"] for problem in answer.json["problems"]}
    assert "only R1 is connected to the node 'bb'" in found["parts/0/nodes"]
    assert "every pin of C2 is on the node 'b'" in found["parts/3/nodes"]
    assert "the output port is on the node 'out'" in found["head/output"]
