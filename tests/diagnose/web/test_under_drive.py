"""Good units under drive behind the plots of a sheet that is not ranked, made while others work.

A stand-in holds the process that simulates; once the real one is asked, on a stage whose good
units under drive hardly take a second.
"""

from __future__ import annotations

import io
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest
from flask.testing import FlaskClient

from diagnose.show.figure import Figure
from diagnose.web.opened import from_file
from diagnose.web.under_drive import Making, UnderDrive
from diagnose.web.worker import Stopped
from tests.diagnose.web.bench_server import bench_server
from tests.diagnose.web.test_bench_page import on_page

DATA = Path(__file__).resolve().parents[2] / "data"
SHEET = """\
case: Invented, bent a little
stage: {stage}
readings:
  - {{quantity: thd, frequency: 1 kHz, output level: 300 mV, value: 0.3 %}}
  - {{quantity: thd, frequency: 5 kHz, output level: 300 mV, value: 0.4 %}}
"""


class Held:
    """Simulates when it is let go; one that is stopped ends with `Stopped`, as a worker does."""

    def __init__(self) -> None:
        self.begun, self.go = threading.Event(), threading.Event()
        self.stopped: list[object] = []
        self.report: Callable[[str, int, int], None] | None = None

    def run(self, task: str, path: str, beside: str, report: Any, begin: Any) -> Figure:
        if not begin():
            raise Stopped
        assert (task, beside) == ("plotted", "driven")
        self.report = report
        self.begun.set()
        assert self.go.wait(20)
        if begin in self.stopped:
            raise Stopped
        return Figure(path, ())

    def stop(self, begin: object) -> None:
        self.stopped.append(begin)
        self.go.set()


def until(there: Callable[[], bool]) -> None:
    limit = time.monotonic() + 60.0
    while not there():
        assert time.monotonic() < limit
        time.sleep(0.01)


def held() -> tuple[Held, UnderDrive]:
    worker = Held()
    return worker, UnderDrive(cast(Any, worker))


def test_two_pages_wait_for_the_same_and_see_how_far_it_is() -> None:
    worker, made = held()
    one = made.start("a", Path("a.yaml"), 1)
    assert made.start("a", Path("a.yaml"), 1) is one
    assert worker.begun.wait(20)
    assert worker.report is not None
    worker.report("units", 3, 82)
    told = one.told()
    assert (told["state"], told["done"], told["total"]) == ("running", 3, 82)
    worker.go.set()
    until(lambda: one.over)
    assert one.state == "done"
    assert one.figure == Figure("a.yaml", ())
    assert made.of("a", 1) is one
    assert made.of("a", 2) is None


def test_a_sheet_that_has_changed_ends_what_was_made_of_it() -> None:
    worker, made = held()
    one = made.start("a", Path("a.yaml"), 1)
    assert worker.begun.wait(20)
    made.start("a", Path("a.yaml"), 2)
    assert worker.stopped == [one.begin]
    until(lambda: one.over)
    assert one.state == "stopped"


def test_what_nobody_looks_at_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    worker, made = held()
    one = made.start("a", Path("a.yaml"), 1)
    assert worker.begun.wait(20)
    assert worker.report is not None
    one.looked -= 3600.0
    worker.report("units", 4, 82)
    until(lambda: one.over)
    assert one.state == "stopped"
    late = Making(1)
    late.looked -= 3600.0
    assert not late.begin()


def opened(client: FlaskClient, text: str) -> str:
    sent = {"files": [(io.BytesIO(text.encode()), "sheet.yaml"),
                      (io.BytesIO((DATA / "coupling.yaml").read_bytes()), "coupling.yaml")]}
    return str(client.post("/sheets/open", data=sent).get_json()["sheet"])


@pytest.mark.slow
def test_a_sheet_that_is_not_ranked_has_good_units_under_drive(client: FlaskClient) -> None:
    name = opened(client, SHEET.format(stage="phono-two-transistor"))
    page = client.get(f"/sheet/{name}/plots").get_data(as_text=True)
    assert 'data-steps="measured good driven"' in page
    at_rest = client.get(f"/sheet/{name}/plots/drawn?step=good").get_data(as_text=True)
    assert "Good units under drive are not drawn yet." in at_rest
    assert client.get(f"/sheet/{name}/plots/driven").get_json() == {"state": "none"}
    assert client.post(f"/sheet/{name}/plots/driven").get_json()["state"] in ("waiting", "running")
    # other requests are answered meanwhile
    assert client.get(f"/sheet/{name}/plots/steps").get_json()["steps"] == [
        "measured", "good", "driven"]
    until(lambda: client.get(f"/sheet/{name}/plots/driven").get_json()["state"] == "done")
    drawn = client.get(f"/sheet/{name}/plots/drawn?step=driven").get_data(as_text=True)
    assert "good units" in drawn
    assert "not drawn yet" not in drawn
    assert client.delete(f"/sheet/{name}/plots/driven").get_json() == {"state": "stopped"}


def test_a_sheet_without_readings_under_drive_waits_for_none(client: FlaskClient) -> None:
    name = opened(client, (DATA / "coupling-dry.yaml").read_text(encoding="utf-8"))
    before = client.get(f"/sheet/{name}/plots/steps").get_json()
    assert before["steps"] == ["measured", "good"]
    assert before["written"].isdigit()


@pytest.mark.slow
def test_the_plots_of_a_page_go_on_to_good_units_under_drive_and_follow_the_sheet(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = SHEET.format(stage="phono-two-transistor")
    with bench_server(tmp_path / "sheets", monkeypatch, None) as bench, \
            on_page(chromium, bench, text) as (page, path):
        page.goto(f"/sheet/{path.parent.name}/plots")
        page.wait_for_selector("#plots[data-shown=driven]")
        assert page.locator("#driven").is_hidden()
        page.locator("#plots summary").click()
        row = page.locator("#plots tr", has_text="5 kHz")
        assert "0.4 %" in row.inner_text()
        assert "good units" in page.inner_text("#plots thead")
        # a reading that comes in meanwhile, as from a card, stands there by itself
        bench.shelf.amend(path.parent.name, lambda sheet: from_file(
            path.read_text(encoding="utf-8").replace("0.4 %", "0.7 %"), "sheet"))
        page.wait_for_selector("#plots tr:has-text('5 kHz') >> text=0.7 %")
        assert row.is_visible()  # the table that was opened stays open
