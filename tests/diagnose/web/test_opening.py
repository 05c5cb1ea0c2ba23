"""What the page saves, it opens: packed sheets, and sheets whose files did not come along.

The outside truths are the `zipfile` of the standard library, the loader of case files, and what a
program that unpacks may never do (write outside its folder, unpack without end).
"""

from __future__ import annotations

import io
import os
import time
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from circuits.errors import InputError
from diagnose.sheet.case import load_case
from diagnose.web import packing
from diagnose.web.desk import KEY
from diagnose.web.labels import Label
from diagnose.web.packing import packed, unpacked
from diagnose.web.shelf import Shelf
from tests.diagnose.web.test_own_stage import DIVIDER, DIVIDER_DRAWN
from tests.recordings import tones, write

DATA = Path(__file__).resolve().parents[2] / "data"
STAGE = (DATA / "coupling.yaml").read_bytes()
DRY = (DATA / "coupling-dry.yaml").read_bytes()
DRAWING = DIVIDER_DRAWN.encode()
SWEEP = b"20;-5.4\n50;-1.2\n1000;0\n"
ROW = b"  - {quantity: response, reference: 1 kHz, file: my sweep 3.csv}\n"
WITH_SWEEP = DRY.replace(b"limits:", ROW + b"limits:")


@pytest.fixture
def shelf(app: Flask) -> Shelf:
    found = app.extensions[KEY].shelf
    assert isinstance(found, Shelf)
    return found


def sent(client: FlaskClient, files: Mapping[str, bytes], **fields: str) -> tuple[int, Any]:
    given = [(io.BytesIO(body), name) for name, body in files.items()]
    answer = client.post("/sheets/open?large", data={"files": given, **fields},
                         content_type="multipart/form-data")
    return answer.status_code, answer.get_json()


def zipped(files: Mapping[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, body in files.items():
            archive.writestr(name, body)
    return made.getvalue()


def beside(shelf: Shelf, name: str) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in shelf.files(name)}


@pytest.mark.slow
def test_a_sheet_with_all_that_lies_beside_it_is_saved_and_opened_again(
    client: FlaskClient, shelf: Shelf, tmp_path: Path
) -> None:
    """Of a stage of one's own with a drawing of its own, with a sweep and a recording."""
    _, made = sent(client, {"d.yaml": DIVIDER.encode(), "d.drawing.yaml": DRAWING})
    name = client.post(f"/stage/{made['stage']}/sheet").get_json()["sheet"]
    assert DRAWING in beside(shelf, name).values()
    client.post(f"/sheet/{name}/sweep", data={"file": (io.BytesIO(SWEEP), "my sweep 3.csv")})
    tone = tmp_path / "tone.wav"
    write(tone, tones({1000.0: 0.5}, seconds=1.0))  # of a size that stays in memory
    read = client.post(f"/sheet/{name}/recording",
                       data={"file": (io.BytesIO(tone.read_bytes()), "left side.wav")})
    assert read.status_code == 200, read.get_json()
    assert any("left-side.wav" in note for note in read.get_json()["notes"])
    shown = client.get(f"/sheet/{name}/data").get_json()
    shown["sheet"]["readings"].append({
        "quantity": "response", "conditions": [["reference", "1 kHz"]], "source": "file",
        "values": ["my-sweep-3.csv"]})
    saved = client.put(f"/sheet/{name}/data", json=shown)
    assert saved.get_json()["problems"] == []

    file = client.get(f"/sheet/{name}/case.yaml")
    assert file.mimetype == "application/zip"
    with zipfile.ZipFile(io.BytesIO(file.data)) as archive:
        assert archive.testzip() is None
        ends = {Path(inside).name.partition(".")[2] for inside in archive.namelist()}
    assert ends == {"yaml", "csv", "wav", "drawing.yaml"}

    status, opened = sent(client, {"as the browser calls it.zip": file.data})
    assert status == 200, opened
    again = opened["sheet"]
    assert again != name
    assert beside(shelf, again) == beside(shelf, name)
    assert shelf.load(again).sheet == shelf.load(name).sheet
    assert load_case(shelf.load(again).path) == load_case(shelf.load(name).path)
    # and so on, for ever
    third = client.get(f"/sheet/{again}/case.yaml").data
    with zipfile.ZipFile(io.BytesIO(file.data)) as a, zipfile.ZipFile(io.BytesIO(third)) as b:
        assert sorted(map(a.read, a.namelist())) == sorted(map(b.read, b.namelist()))


def test_a_stage_that_is_saved_opens_alone(client: FlaskClient) -> None:
    status, made = sent(client, {"coupling.yaml": STAGE})
    assert (status, set(made)) == (200, {"stage"})
    file = client.get(f"/stage/{made['stage']}/stage.yaml")
    kind = {"application/zip": "zip"}.get(file.mimetype, "yaml")
    status, again = sent(client, {f"saved.{kind}": file.data})
    assert (status, set(again)) == (200, {"stage"})
    parts = [client.get(f"/stage/{one['stage']}/data").get_json()["now"]["table"]["parts"]
             for one in (made, again)]
    assert parts[0] == parts[1]


def test_a_case_without_its_stage_asks_for_it_and_takes_it_or_another(
    client: FlaskClient, shelf: Shelf
) -> None:
    status, asked = sent(client, {"dry.yaml": DRY})
    assert (status, asked["stage"], asked["files"]) == (422, "coupling.yaml", [])
    assert "coupling.yaml" in asked["error"]
    assert shelf.labels() == []

    status, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE})
    assert status == 200
    assert load_case(shelf.load(made["sheet"]).path).stage.name == "coupling"

    _, own = sent(client, {"coupling.yaml": STAGE})
    assert own["stage"] in dict(sent(client, {"dry.yaml": DRY})[1]["stages"])
    status, made = sent(client, {"dry.yaml": DRY}, stage=own["stage"])
    assert status == 200
    assert load_case(shelf.load(made["sheet"]).path).stage.name == "coupling"
    assert shelf.linked(made["sheet"]) == own["stage"]

    status, made = sent(client, {"dry.yaml": DRY}, stage="filter-low")
    assert (status, shelf.load(made["sheet"]).sheet.stage) == (200, "filter-low")


def test_a_unit_whose_stages_did_not_come_along_asks_for_them(client: FlaskClient) -> None:
    unit = b"unit: u\nchain:\n  - {name: a, stage: coupling.yaml}\n"
    status, asked = sent(client, {"case.yaml": b"stage: u.yaml\nreadings:\n", "u.yaml": unit})
    assert (status, asked["stage"]) == (422, "coupling.yaml")
    status, _ = sent(client, {"case.yaml": b"stage: u.yaml\nreadings:\n", "u.yaml": unit,
                              "coupling.yaml": STAGE})
    assert status == 200


def test_a_sweep_that_did_not_come_along_is_asked_for_or_done_without(
    client: FlaskClient, shelf: Shelf
) -> None:
    files = {"dry.yaml": WITH_SWEEP, "coupling.yaml": STAGE}
    status, asked = sent(client, files)
    assert (status, asked["stage"], asked["files"]) == (422, "", ["my sweep 3.csv"])
    # a file is kept under a plain name, and the sheet then says that one
    status, made = sent(client, {**files, "my sweep 3.csv": SWEEP})
    assert status == 200
    assert shelf.load(made["sheet"]).sheet.readings[-1].values == ("my-sweep-3.csv",)
    assert client.get(f"/sheet/{made['sheet']}/data").get_json()["problems"] == []
    status, made = sent(client, files, without="1")
    assert status == 200
    told = client.get(f"/sheet/{made['sheet']}/data").get_json()["problems"]
    assert [problem["field"] for problem in told] == ["readings/3/values/0"]


def test_a_file_in_a_folder_is_found_by_its_name(client: FlaskClient, shelf: Shelf) -> None:
    case = DRY.replace(b"coupling.yaml", b"stages/coupling.yaml")
    status, made = sent(client, {"all.zip": zipped({
        "mine/dry.yaml": case, "mine/stages/coupling.yaml": STAGE, "mine/.hidden": b"x",
        "__MACOSX/mine/._dry.yaml": b"\x00"})})
    assert status == 200, made
    assert load_case(shelf.load(made["sheet"]).path).stage.name == "coupling"


@pytest.mark.parametrize("name", [
    "../../evil.csv", "/etc/evil.csv", "..\\evil.csv", "a/../../evil.csv",
])
def test_nothing_is_unpacked_outside(client: FlaskClient, shelf: Shelf, name: str) -> None:
    status, made = sent(client, {"all.zip": zipped({"dry.yaml": DRY, "coupling.yaml": STAGE,
                                                    name: SWEEP})})
    assert status == 200, made
    everywhere = list(shelf.folder.parent.rglob("*evil*"))
    assert [path.parent.name for path in everywhere] == [made["sheet"]]


def test_what_cannot_be_unpacked_is_told(client: FlaskClient, shelf: Shelf,
                                         monkeypatch: pytest.MonkeyPatch) -> None:
    whole = zipped({"dry.yaml": DRY, "coupling.yaml": STAGE})
    locked = bytearray(whole)
    locked[6] |= 1  # the bit "encrypted" of the local header and of the directory (APPNOTE 4.4.4)
    locked[whole.index(b"PK\x01\x02") + 8] |= 1
    broken = bytearray(whole)
    broken[60] ^= 0xFF
    for body in (b"no zip at all", whole[:50], bytes(locked), bytes(broken)):
        status, told = sent(client, {"all.zip": body})
        assert status == 422
        assert "all.zip" in told["error"]
    status, told = sent(client, {"all.zip": zipped({"a/x.csv": b"1;2", "b/x.csv": b"3;4"})})
    assert (status, "two files" in told["error"]) == (422, True)
    monkeypatch.setattr(packing, "_MOST_BYTES", 1000)
    with pytest.raises(InputError, match="too large unpacked"):
        unpacked({"all.zip": zipped({"x.csv": bytes(1001)})})
    with pytest.raises(InputError, match="61 files"):
        unpacked({"all.zip": zipped({f"{k}.csv": b"" for k in range(61)})})
    assert shelf.labels() == []


def test_what_is_packed_is_unpacked(tmp_path: Path) -> None:
    files = {"a.csv": b"20;1\n", "b.wav": os.urandom(5000), "c.drawing.yaml": b"drawing: c\n"}
    for name, body in files.items():
        (tmp_path / name).write_bytes(body)
    body = packed("sheet", b"stage: c\n", sorted(tmp_path.iterdir()))
    assert unpacked({"x.ZIP": body, "d.csv": b"1"}) == {
        **files, "sheet.yaml": b"stage: c\n", "d.csv": b"1"}


def test_what_is_long_is_refused_at_once_unless_it_is_said_to_have_recordings(
    client: FlaskClient
) -> None:
    head = b'--x\r\nContent-Disposition: form-data; name="files"; filename="long.wav"\r\n\r\n'
    answer = client.post("/sheets/open", data=head + bytes(5 << 20) + b"\r\n--x--\r\n",
                         content_type="multipart/form-data; boundary=x")
    assert answer.status_code == 413


def test_a_sheet_whose_stage_is_gone_takes_it_again_or_another(
    client: FlaskClient, shelf: Shelf
) -> None:
    _, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE})
    name = made["sheet"]
    assert client.get(f"/sheet/{name}/data").get_json()["lacks"] == {}
    (shelf.folder / name / "coupling.yaml").unlink()
    assert client.get(f"/sheet/{name}/data").get_json()["lacks"]["stage"] == "coupling.yaml"
    put = client.post(f"/sheet/{name}/beside", data={
        "files": [(io.BytesIO(STAGE), "called otherwise.yaml")]})
    assert put.status_code == 200
    told = client.get(f"/sheet/{name}/data").get_json()
    assert (told["lacks"], told["problems"]) == ({}, [])
    assert told["revision"] == put.get_json()["revision"]
    client.post(f"/sheet/{name}/beside", data={"stage": "filter-low"})
    assert load_case(shelf.load(name).path).stage.name == "filter-low"
    _, own = sent(client, {"coupling.yaml": STAGE})
    client.post(f"/sheet/{name}/beside", data={"stage": own["stage"]})
    assert load_case(shelf.load(name).path).stage.name == "coupling"
    assert client.post(f"/sheet/{name}/beside", data={"stage": "none"}).status_code == 404


def test_a_recording_is_taken_away_and_had_back_for_a_day(
    client: FlaskClient, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE, "tone.wav": b"RIFF"})
    name = made["sheet"]
    path = f"/sheet/{name}/beside/tone.wav"
    assert "tone.wav" in beside(shelf, name)
    assert client.delete(path).status_code == 200
    assert "tone.wav" not in beside(shelf, name)
    assert client.delete(path).status_code == 422
    Shelf(shelf.folder)  # started again within the day
    assert client.post(f"{path}/restore").status_code == 200
    assert beside(shelf, name)["tone.wav"] == b"RIFF"
    for other in ("coupling.yaml", "sheet.yaml", "..%2Ftone.wav", "none.wav"):
        assert client.delete(f"/sheet/{name}/beside/{other}").status_code in (404, 422)
    assert "coupling.yaml" in beside(shelf, name)
    client.delete(path)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 2 * 86400.0)
    Shelf(shelf.folder)
    assert not list((shelf.folder / name).glob("*tone.wav"))


# -- the list of sheets ----------------------------------------------------------------------------


def labelled(shelf: Shelf) -> Label:
    (label,) = shelf.labels()
    return label


def test_a_sheet_is_called_otherwise_copied_deleted_and_had_back(
    client: FlaskClient, shelf: Shelf
) -> None:
    _, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE})
    name = made["sheet"]
    revision = shelf.revision(name)
    told = client.post(f"/sheet/{name}/title", json={"title": "  Hall,\n\x07left "}).get_json()
    assert told["title"] == "Hall, left"
    assert told["revision"] == revision + 1  # so that a page that is open takes it over
    assert labelled(shelf).case == "Hall, left"
    assert client.post(f"/sheet/{name}/title", json={"title": " "}).status_code == 422
    copied = client.post(f"/sheet/{name}/copy").get_json()["sheet"]
    assert shelf.load(copied).sheet.case == "Hall, left (copy)"
    assert beside(shelf, copied) == beside(shelf, name)
    before = {path.name: path.read_bytes() for path in (shelf.folder / name).iterdir()
              if path.is_file()}
    assert client.post(f"/sheet/{name}/delete").status_code == 200
    assert [label.name for label in shelf.labels()] == [copied]
    assert [label.name for label in shelf.binned()] == [name]
    assert client.get(f"/sheet/{name}/data").status_code == 404
    assert client.post(f"/sheet/{name}/restore").status_code == 200
    after = {path.name: path.read_bytes() for path in (shelf.folder / name).iterdir()
             if path.is_file()}
    assert after == before
    assert client.post(f"/sheet/{name}/restore").status_code == 404


def test_the_list_says_how_far_the_work_is_and_when_it_was_done(
    client: FlaskClient, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE})
    name = made["sheet"]
    assert (labelled(shelf).state, labelled(shelf).stage) == ("being read", "coupling.yaml")
    kept = shelf.load(name)
    shelf.note_ranked(name, kept.revision, "C1 dry (97 %)")
    assert (labelled(shelf).state, labelled(shelf).told) == ("ranked", "C1 dry (97 %)")
    assert not labelled(shelf).since
    shown = client.get(f"/sheet/{name}/data").get_json()
    shown["sheet"]["repaired"] = [{"part": "C1", "how": "replaced", "readings": []}]
    assert client.put(f"/sheet/{name}/data", json=shown).status_code == 200
    assert labelled(shelf).state == "repaired"
    assert labelled(shelf).since
    os.utime(kept.path, (1e9, 1e9))
    monkeypatch.setenv("TZ", "UTC")
    # 10^9 s of POSIX time are 2001-09-09T01:46:40Z
    assert labelled(shelf).stamp.startswith("2001-09-0")
    page = client.get("/").get_data(as_text=True)
    assert "2001" in page
    assert "repaired" in page


def test_what_was_set_aside_stays_in_the_file_and_is_no_reading(
    client: FlaskClient, shelf: Shelf
) -> None:
    _, made = sent(client, {"dry.yaml": DRY, "coupling.yaml": STAGE})
    path = shelf.load(made["sheet"]).path
    before = load_case(path)
    shown = client.get(f"/sheet/{made['sheet']}/data").get_json()
    aside = '{"channels":["left","right"],"suspect":"left","readings":[],"odd":"\u2028 # é"}'
    shown["sheet"]["aside"] = aside
    client.put(f"/sheet/{made['sheet']}/data", json=shown)
    assert load_case(path) == before
    again = client.get(f"/sheet/{made['sheet']}/data").get_json()["sheet"]["aside"]
    assert again.isascii()
    assert "\\u2028 # \\u00e9" in again
    # it goes with the file
    file = client.get(f"/sheet/{made['sheet']}/case.yaml").data
    _, other = sent(client, {"x.zip": file})
    assert shelf.load(other["sheet"]).sheet.aside == again
    for odd in ("{", "[" * 5000, "7", "\n"):
        shown = client.get(f"/sheet/{made['sheet']}/data").get_json()
        shown["sheet"]["aside"] = odd
        assert client.put(f"/sheet/{made['sheet']}/data", json=shown).status_code == 200
        assert shelf.load(made["sheet"]).sheet.aside == ""
