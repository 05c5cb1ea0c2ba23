"""Jobs closed on the page: the sheet, the log and the answers after it."""

from __future__ import annotations

import io
import json
import time
from pathlib import Path
from typing import Any

import pytest
import yaml
from flask.testing import FlaskClient

from diagnose.log.book import Log
from diagnose.log.folder import log_in
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from tests.diagnose.log.jobs import job
from tests.diagnose.web.accessible import violations

DATA = Path(__file__).resolve().parents[2] / "data"
pytestmark = pytest.mark.slow


@pytest.fixture
def client(tmp_path: Path, shared_store: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(shared_store))
    app = make_app(tmp_path, 0)
    yield app.test_client()
    app.extensions[KEY].close()


def opened(client: FlaskClient) -> str:
    with (DATA / "coupling-dry.yaml").open("rb") as one, (DATA / "coupling.yaml").open("rb") as two:
        answer = client.post("/sheets/open", data={"files": [one, two]}).get_json()
    return str(answer["sheet"])


def ranked(client: FlaskClient, name: str) -> str:
    until = time.monotonic() + 60.0
    while client.post(f"/sheet/{name}/rank").get_json()["state"] != "done":
        assert time.monotonic() < until
        time.sleep(0.05)
    return client.get(f"/sheet/{name}/answer").get_data(as_text=True)


SAID = {"found": "C1: open", "proved": "swapped", "minutes": "25", "followed": "yes"}


def test_a_job_is_closed_and_what_it_was_stands_beside_the_next(
    client: FlaskClient, tmp_path: Path
) -> None:
    first, second = opened(client), opened(client)
    refused = client.post(f"/sheet/{first}/close", json=SAID)
    assert refused.status_code == 422
    assert "not been ranked" in refused.get_json()["error"]
    assert "Like cases" not in ranked(client, first)
    for wrong in ({**SAID, "found": "C9: open"}, {**SAID, "proved": ""}, {**SAID, "minutes": "x"},
                  {**SAID, "found": 7}, ["a"], {**SAID, "proved": "readings after"}):
        assert client.post(f"/sheet/{first}/close", json=wrong).status_code == 422
    assert client.post(f"/sheet/{first}/close", json=SAID).status_code == 200
    record = yaml.safe_load((tmp_path / first / "sheet.yaml").read_text("utf-8"))["record"]
    with Log(log_in(tmp_path)) as log:
        (entry,) = log.entries()
    assert (record["found"], record["job"]) == ("C1: open", entry.job)
    assert (entry.minutes, entry.followed, entry.right) == (25.0, True, False)
    # what is typed into the record afterwards is what the log says
    client.put(f"/sheet/{first}/record", json={"serial": "42", "cause": "a dry joint"})
    with Log(log_in(tmp_path)) as log:
        (entry,) = log.entries()
    assert (entry.serial, entry.cause, entry.was) == ("42", "a dry joint", "C1 open")
    client.put(f"/sheet/{second}/record", json={"serial": "42"})
    text = ranked(client, second)
    for words in ("Like cases before", "This unit was here before", "without the log", "25 min"):
        assert words in text
    page = client.get("/log").get_data(as_text=True)
    assert "C1 open" in page
    assert f"/sheet/{first}/report" in page
    # the switch
    assert client.put("/log/left-out", json={"out": True}).status_code == 200
    third = opened(client)
    assert "without the log" not in ranked(client, third)


def test_logs_come_and_go_by_hand(client: FlaskClient, tmp_path: Path) -> None:
    name = opened(client)
    ranked(client, name)
    client.post(f"/sheet/{name}/close", json=SAID)
    for form in ("jsonl", "csv"):
        given = client.get(f"/log/log.{form}").data
        sent = {"file": (io.BytesIO(given), f"theirs.{form}")}
        assert client.post("/log", data=sent).get_json() == {"added": 0, "known": 1, "newer": 0}
    entry = json.loads(client.get("/log/log.jsonl").data)
    entry["job"] = entry["job"][:-1] + ("0" if entry["job"][-1] != "0" else "1")
    sent = {"file": (io.BytesIO(json.dumps(entry).encode()), "theirs.jsonl")}
    assert client.post("/log", data=sent).get_json()["added"] == 1
    for bad in ((b"{", "a.jsonl"), (b"x", "a.exe"), (b"", "../../a.csv")):
        sent = {"file": (io.BytesIO(bad[0]), bad[1])}
        assert client.post("/log", data=sent).status_code == 422
    assert client.get("/log/log.exe").status_code == 422
    assert client.post("/log/strike", json={"job": entry["job"]}).status_code == 200
    assert client.post("/log/strike", json={"job": "zz"}).status_code == 422
    with Log(log_in(tmp_path)) as log:
        assert log.count() == 1


def test_a_damaged_log_is_told_on_the_page(client: FlaskClient, tmp_path: Path) -> None:
    log_in(tmp_path).parent.mkdir()
    log_in(tmp_path).write_bytes(b"what is this " * 99)
    assert "damaged" in client.get("/log").get_data(as_text=True)
    assert "left out" in ranked(client, opened(client))


def test_the_page_of_closed_jobs_in_a_browser(page: Any, served: Any) -> None:
    """Nothing that axe-core finds wrong; a job is struck out by a second click, not the first."""
    with Log(log_in(served.sheets)) as log:
        log.merge([job(n, followed=bool(n % 2)) for n in range(12)])
    page.goto("/log")
    page.wait_for_selector(".charts svg")
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    assert violations(page) == []
    rows = page.locator("#jobs tbody tr")
    assert rows.count() == 12
    button = rows.first.get_by_role("button")
    button.click()
    assert rows.count() == 12
    with page.expect_navigation():
        button.click()
    assert page.locator("#jobs tbody tr").count() == 11
    with Log(log_in(served.sheets)) as log:
        assert log.count() == 11
        for entry in log.entries():
            log.strike(entry.job)
