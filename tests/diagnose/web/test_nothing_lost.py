"""Nothing typed is ever lost, in a real browser: undone, merged, saved and opened, found again."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from diagnose.sheet.case import load_case
from tests.diagnose.web.browsing import name_of, saved, until

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
SOON = 5.0
"""Seconds in which a page says that its server is gone: the project's own goal."""


def loaded(page: Any) -> None:
    page.wait_for_selector("#form:not([aria-busy])")


def values(page: Any) -> list[str]:
    return [str(field.input_value()) for field in page.locator("#readings input.value").all()]


def another(page: Any) -> Any:
    """One more tab of the same browser on the same sheet."""
    made = page.context.new_page()
    made.set_default_timeout(60_000)
    made.goto(page.url)
    loaded(made)
    return made


def test_what_is_removed_or_changed_comes_back(opened: Any, served: Any) -> None:
    case = served.sheets / name_of(opened) / "sheet.yaml"
    first = values(opened)
    opened.get_by_role("button", name="+ curve").click()
    opened.locator("#f-readings-3-quantity").select_option("response")
    for k in range(8):
        opened.locator(f"#f-readings-3-points-{k}-0").fill(f"-{k}.5")
    full = values(opened)
    # one click on the cross of a curve
    opened.locator("#readings > .row > .ends-row > .remove").last.click()
    assert values(opened) == first
    told = opened.locator("#gone")
    assert "removed" in told.inner_text()
    told.get_by_role("button", name="Undo").click()
    assert values(opened) == full
    # the second channel goes and comes with what was read of it, also another evening
    opened.get_by_label("two channels").check()
    opened.locator("#f-readings-0-values-1").fill("-0.1 dB")
    opened.get_by_label("two channels").uncheck()
    saved(opened)
    assert [m.value for m in load_case(case).readings][:3] == [-5.48, -2.13, 0.0]
    opened.evaluate("sessionStorage.clear()")
    opened.reload()
    loaded(opened)
    opened.get_by_label("two channels").check()
    assert opened.locator("#f-readings-0-values-1").input_value() == "-0.1 dB"
    # by keys, back over another page, and forth again
    opened.locator("#f-readings-0-values-1").fill("-0.2 dB")
    saved(opened)
    opened.get_by_role("link", name="Study", exact=True).click()
    opened.wait_for_selector("#rows tr")
    opened.get_by_role("link", name="Sheet", exact=True).click()
    loaded(opened)
    opened.keyboard.press("Control+z")
    assert opened.locator("#f-readings-0-values-1").input_value() == "-0.1 dB"
    assert opened.evaluate("document.activeElement.id") == "f-readings-0-values-1"
    opened.keyboard.press("Control+z")
    assert not opened.get_by_label("two channels").is_checked()
    opened.keyboard.press("Control+Shift+Z")
    opened.keyboard.press("Control+Shift+Z")
    assert opened.locator("#f-readings-0-values-1").input_value() == "-0.2 dB"
    saved(opened)
    assert load_case(case).reference[0].value == -0.2


def test_two_tabs_are_merged_and_a_clash_is_shown_in_its_field(opened: Any, served: Any) -> None:
    case = served.sheets / name_of(opened) / "sheet.yaml"
    other = another(opened)
    opened.locator("#f-readings-0-values-0").fill("-1 dB")
    other.locator("#f-readings-1-values-0").fill("-2 dB")
    for page in (opened, other):
        until(page, "[...document.querySelectorAll('#readings input.value')].slice(0, 2)"
                    ".map((field) => field.value).join() === '-1 dB,-2 dB'")
        saved(page)
    # the same field of both, while one of them does not reach the server
    other.route("**/sheet/**", lambda route: route.abort())
    other.locator("#f-readings-0-values-0").fill("-7 dB")
    opened.locator("#f-readings-0-values-0").fill("-9 dB")
    saved(opened)
    until(other, "document.getElementById('status').textContent.startsWith('not saved')")
    other.locator("#f-readings-2-values-0").fill("-0.5 dB")
    other.unroute("**/sheet/**")
    clash = other.locator("[data-row='readings/0'] .clash")
    clash.wait_for()
    assert [one.inner_text() for one in clash.locator("b").all()] == ["-7 dB", "-9 dB"]
    until(other, "document.getElementById('status').textContent.startsWith('saved, but')")
    assert [m.value for m in load_case(case).readings][:3] == [-9.0, -2.0, -0.5]
    # the rows are as much the page's own as before
    other.locator("#readings > .row > .ends-row > .remove").last.click()
    assert len(values(other)) == 2
    other.keyboard.press("Control+z")
    assert values(other) == ["-7 dB", "-2 dB", "-0.5 dB"]
    until(other, "document.getElementById('status').textContent.startsWith('saved, but')")
    # nobody has chosen: so it is after a reload, and in a tab that takes this one's place
    url = other.url
    other.close()
    other = opened.context.new_page()
    other.goto(url)
    loaded(other)
    clash = other.locator("[data-row='readings/0'] .clash")
    clash.wait_for()
    assert opened.locator(".clash").count() == 0
    clash.get_by_role("button", name="Keep this").click()
    saved(other)
    until(opened, "document.getElementById('f-readings-0-values-0').value === '-7 dB'")
    assert load_case(case).readings[0].value == -7.0
    assert other.locator(".clash").count() == 0
    other.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    box = other.locator("#status").bounding_box()
    assert 0 <= box["y"] < 200  # how it stands is always in view


class Server:
    """A server that can be killed and started again at the same port."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder = folder
        self.environment = environment
        self.port = 0
        self.begin()

    def begin(self) -> None:
        command = [sys.executable, "-m", "diagnose", "serve", "--port", str(self.port),
                   "--no-browser"]
        self.process = subprocess.Popen(command, env=self.environment, cwd=self.folder, text=True,
                                        stderr=subprocess.PIPE)
        assert self.process.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)\S*", self.process.stderr.readline())
        assert found
        self.address, self.port = found[0], int(found[1])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(20)
        assert self.process.stderr is not None
        self.process.stderr.close()


@pytest.fixture
def server(tmp_path: Path, served: Any) -> Iterator[Server]:
    made = Server(tmp_path, {
        **served.environment, "AMP_DIAGNOSE_SHEETS": str(tmp_path / "sheets"),
        "AMP_DIAGNOSE_CACHE": str(tmp_path / "cache"),
    })
    yield made
    if made.process.poll() is None:
        made.process.send_signal(signal.SIGCONT)
        made.process.terminate()
        made.process.wait(20)
    assert made.process.stderr is not None
    made.process.stderr.close()


def test_a_server_that_dies_while_it_ranks_is_told_found_again_and_the_ranking_goes_on(
    chromium: Any, server: Server
) -> None:
    context = chromium.new_context()
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(server.address)
    page.set_input_files("#files", [DATA / "coupling-dry.yaml", DATA / "coupling.yaml"])
    page.wait_for_url("**/sheet/*")
    loaded(page)
    # a ranking of some seconds: how far it is comes from here, that it is over from the server
    steps = {"state": "running", "revision": 1, "steps": [["faults", 3, 9]], "text": ""}
    page.route("**/rank", lambda route: route.fulfill(json=steps)
               if route.request.method == "GET" else route.continue_())
    page.get_by_role("link", name="Suspects", exact=True).click()
    page.wait_for_selector("#progress progress")
    said = "document.querySelector('#progress [role=status]').textContent.includes('not answer')"
    # frozen: connections are taken, and nothing comes
    os.kill(server.process.pid, signal.SIGSTOP)
    page.unroute("**/rank")
    began = time.monotonic()
    until(page, said)
    assert time.monotonic() - began < SOON
    # and dead
    server.kill()
    page.wait_for_timeout(1500)
    assert page.evaluate(said)
    server.begin()
    page.wait_for_selector("#curves[data-suspect]")
    assert page.locator(".suspect").count() >= 1
    # on the sheet as well, though nothing is typed
    page.get_by_role("link", name="Sheet", exact=True).click()
    loaded(page)
    began = time.monotonic()
    server.kill()
    until(page, "document.getElementById('status').textContent.includes('not answer')")
    assert time.monotonic() - began < SOON
    server.begin()
    saved(page)
    context.close()


def test_the_list_of_sheets_is_searched_renamed_copied_and_deleted_with_undo(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    name = name_of(opened)
    opened.locator("#f-case").fill("Hall amplifier, thin")
    saved(opened)
    with opened.expect_download() as download:
        opened.get_by_role("link", name="Save the case file").click()
    packed = tmp_path / "saved.zip"
    download.value.save_as(packed)
    # a case without its stage asks for it; a packed sheet has it along
    opened.goto("/")
    opened.set_input_files("#files", [DATA / "coupling-dry.yaml"])
    opened.get_by_label(re.compile("Add coupling.yaml")).wait_for()
    opened.goto("/")
    opened.set_input_files("#files", [packed])
    opened.wait_for_url("**/sheet/hall-amplifier*")
    loaded(opened)
    assert opened.locator(".problem:visible").count() == 0
    again = name_of(opened)
    opened.goto("/")
    item = opened.locator(f"[data-sheet='{again}']")
    assert "being read" in item.inner_text()
    assert "coupling.yaml" in item.inner_text()
    assert re.search(r"\d+ \w{3} 20\d\d, \d\d:\d\d", item.inner_text())
    item.get_by_role("button", name=re.compile("Rename")).click()
    opened.keyboard.type("Of the balcony")
    opened.keyboard.press("Enter")
    item.get_by_role("link", name="Of the balcony", exact=True).wait_for()
    opened.reload()
    opened.evaluate("document.querySelector('.find').hidden = false")
    opened.get_by_label("Search").fill("READ balc")
    visible = opened.locator(".sheets > li:visible")
    assert [one.get_attribute("data-sheet") for one in visible.all()] == [again]
    item.get_by_role("button", name=re.compile("Delete")).click()
    item.get_by_role("button", name="Undo").wait_for()
    assert not (served.sheets / again).exists()
    item.get_by_role("button", name="Undo").click()
    item.get_by_role("link", name="Of the balcony", exact=True).wait_for()
    assert (served.sheets / again / "sheet.yaml").is_file()
    item.get_by_role("button", name=re.compile("Copy")).click()
    opened.wait_for_url("**/sheet/of-the-balcony-copy*")
    assert (served.sheets / name).is_dir()
