"""The bench in a browser: a run with a meter and one with a card from the button to the ranking.

The meter is a server of this machine with words of SCPI-99, the card a closed form (a coupling
capacitor into a load); what comes in is a tone with harmonics and hum of known size. axe-core looks
at each state. That a lit point is told by more than its colour is WCAG 2, 1.4.1.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.sheet.case import load_case
from diagnose.web.opened import from_file
from tests.diagnose.instruments.scpi_server import Voltages, serving
from tests.diagnose.soundcard.fake_card import Unit
from tests.diagnose.web.accessible import violations
from tests.diagnose.web.bench_server import Bench, Played, bench_server
from tests.diagnose.web.bench_sheets import DATA, SHEET, dry
from tests.diagnose.web.conftest import PATIENCE

pytestmark = pytest.mark.slow
PHONO = """\
case: Invented phono stage
stage: phono-two-transistor
readings:
  - {quantity: dc voltage, at: c1, value: }
  - {quantity: dc voltage, at: c2, from: e2, value: }
  - {quantity: resistance, between: [e1, "0"], value: }
limits: [{quantity: dc voltage, at: c1, max: 2 V}]
"""

FREE_OF_RING = """() => {
  const ring = document.querySelector('.mark .lead-at .halo').getBoundingClientRect();
  const name = document.querySelector('.mark:has(.lead-at) text').getBoundingClientRect();
  const [x, y] = [(ring.left + ring.right) / 2, (ring.top + ring.bottom) / 2];
  const across = Math.max(name.left - x, x - name.right, 0);
  return Math.hypot(across, Math.max(name.top - y, y - name.bottom, 0)) / (ring.width / 2);
}"""
"""How far from the middle of the lit ring the name of its node begins, in radii of the ring."""


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "store"))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


@contextmanager
def on_page(chromium: Any, bench: Bench, text: str) -> Iterator[tuple[Any, Path]]:
    """A sheet of a server on a page, and its file; no error may have come by the end."""
    files = {"coupling.yaml": (DATA / "coupling.yaml").read_bytes()}
    kept = bench.shelf.add(from_file(text, "sheet"), files)
    context = chromium.new_context(base_url=bench.address, viewport={"width": 1280, "height": 900})
    context.add_cookies([bench.cookie])
    page = context.new_page()
    page.set_default_timeout(PATIENCE)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda told: errors.append(told.text) if told.type == "error" else None)
    page.goto(f"/sheet/{kept.name}")
    page.wait_for_selector("#form:not([aria-busy]) svg.stage-drawing")
    yield page, kept.path
    context.close()
    assert [text for text in errors if not text.startswith("Failed to load resource")] == []


def test_a_meter_is_followed_by_keys_with_its_point_lit(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter = Voltages([0.001], [9.9e37] * 3 + [4701.2] * 400)
    with bench_server(tmp_path / "sheets", monkeypatch, None) as bench, \
            on_page(chromium, bench, PHONO) as (page, path), serving(meter) as address:
        page.click("#by-meter")
        page.fill("#bench-address", address)
        page.click("#bench-begin")
        begin = page.locator("#bench-take")
        begin.wait_for()
        assert "Invented Bench meter 6" in page.inner_text("#bench")
        assert "Discharge each" in page.inner_text("#bench .cautions")
        assert violations(page) == []
        page.keyboard.press("Enter")  # the button that has been read is where the cursor is
        page.wait_for_selector("#bench .now")
        lit = page.locator('.mark[data-node="c1"] .lead-at')
        assert lit.count() == 1
        assert page.locator("svg.stage-drawing > .lead-at text").text_content() == "red"
        assert page.evaluate(FREE_OF_RING) >= 1.0  # nothing of the name lies in the ring
        assert "Q1 collector" in page.inner_text("#bench .do")
        page.wait_for_function("() => document.querySelector('#bench .now').textContent !== '…'")
        assert violations(page) == []
        # a space that is typed into a field takes nothing
        name = page.locator("#f-case")
        name.press("End")
        name.press("Space")
        name.press_sequentially("too")
        meter.left["VOLT:DC"] = [2.39214] * 12 + [0.001]
        page.wait_for_selector('.mark[data-node="e2"] .lead-at')
        assert lit.count() == 0
        assert page.locator('.mark[data-node="c1"] text').get_attribute("transform") is None
        assert name.evaluate("one => one === document.activeElement")
        said = page.locator(".read-so-far li")
        assert "2.39214 V" in said.inner_text()
        assert "NOT MET: at most 2 V" in said.inner_text()
        page.wait_for_function(
            "() => document.getElementById('f-readings-0-values-0').value === '2.39214 V'")
        assert name.input_value() == "Invented phono stage too"
        assert sorted(page.locator("svg.stage-drawing > .lead-at text").all_text_contents()) == [
            "black", "red"]
        page.locator("#bench h3").first.click()  # out of the field
        page.keyboard.press("s")
        page.wait_for_selector("#bench .do >> text=the unit is off")
        page.keyboard.press("Space")
        page.wait_for_selector("#bench-more")
        assert "2 readings taken and on the sheet" in page.inner_text("#bench")
        assert "skipped: dc voltage at c2 from e2" in page.inner_text("#bench")
        assert page.locator(".lead-at").count() == 0
        assert violations(page) == []
        page.wait_for_function("() => document.getElementById('status').textContent === 'saved'")
        case = load_case(path)
        assert case.name == "Invented phono stage too"
        assert [m.value for m in case.readings] == [
            pytest.approx(2.39214), pytest.approx(4701.2)]
        page.click("#bench-more")
        page.fill("#bench-address", "127.0.0.1:1")
        page.click("#bench-begin")
        page.wait_for_selector("#bench [role=alert] >> text=nothing answers")
        page.click("#bench-close")
        assert page.locator("#bench").is_hidden()


def test_a_card_is_walked_through_to_the_suspect(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = Unit(dry, hum={50.0: 0.003}, noise=1e-6, harmonics={2: 1e-3}, at=0.1)
    card = Played(Unit(), tone=0.1)  # a cable from output to input
    with bench_server(tmp_path / "sheets", monkeypatch, card) as bench, \
            on_page(chromium, bench, SHEET) as (page, path):
        page.click("#by-card")
        page.click("#bench-calibrate")
        page.wait_for_selector("#bench .do >> text=ohms of the card's input")
        assert violations(page) == []
        page.keyboard.type("ten")
        page.keyboard.press("Enter")
        page.wait_for_selector("#bench [role=alert] >> text=expected")
        for asked, typed in (("ohms", "10 kohm"), ("nothing else", "0.6325 V"),
                             ("cable", "0.6325 V")):
            page.wait_for_selector(f"#bench .do >> text={asked}")
            page.fill("#bench-typed", typed)
            page.keyboard.press("Enter")
        page.wait_for_selector("#bench >> text=kept: bench card, calibrated")
        card.unit = unit
        page.click("#bench-more")
        page.locator("#bench-device >> text=bench card, calibrated").wait_for(state="attached")
        assert violations(page) == []
        page.click("#bench-begin")
        page.wait_for_selector("#bench-go")
        assert "dc voltage at out: takes a voltmeter" in page.inner_text("#bench")
        page.click("#bench-go")
        page.wait_for_selector("#bench .spectrum svg")
        shown = page.inner_text("#bench .spectrum")
        for word in ("Hz", "dBFS", "1 kHz", "50", "harmonics, by number", "mains lines, Hz"):
            assert word in shown
        assert "-20.0 dBFS" in page.inner_text("#bench .incoming")
        page.wait_for_selector("#bench .warned >> text=hum at 50 Hz")
        assert violations(page) == []
        card.tone = 3.0
        page.wait_for_selector("#bench .warned >> text=CLIPS")
        card.tone = 0.0
        # another page of the sheet takes up the same run, and a reload loses nothing
        page.reload()
        page.wait_for_selector("#bench .do >> text=left input of the card")
        page.keyboard.press("Enter")
        page.wait_for_selector("#bench .do >> text=left output of the card")
        page.keyboard.press("Enter")
        page.wait_for_selector("#bench .do >> text=take gain")
        assert page.inner_text("#bench-go") == "Take it now"
        page.keyboard.press("Space")
        page.wait_for_selector("#bench-more")
        # what the take heard stays beside its readings: two tones around each, and the hum
        stays = page.inner_text("#bench .read-so-far .heard")
        for word in ("What the last take heard", "level, RMS", "V", "mains lines, Hz", "50"):
            assert word in stays
        text = page.inner_text("#bench .read-so-far")
        assert "gain at 20 Hz, into 10 kΩ" in text
        assert "NOT MET: at least -1 dB" in text
        page.wait_for_selector("#bench .read-so-far >> text=below good units")
        page.wait_for_function(
            "() => /^-5\\.\\d+ dB$/.test(document.getElementById('f-readings-1-values-0').value)")
        assert {m.reading.load for m in load_case(path).readings} == {10e3}
        page.click("#bench >> text=Rank the sheet")
        assert "C1" in page.locator(".suspect .name").first.inner_text()


def test_without_the_extra_the_buttons_say_what_to_install(
    chromium: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with bench_server(tmp_path / "sheets", monkeypatch, None) as bench, \
            on_page(chromium, bench, PHONO) as (page, path):
        before = path.read_text()
        for button, words in (("#by-card", "pip install sounddevice"), ("#by-meter", "[bench]")):
            page.click(button)
            page.wait_for_selector(f"#bench [role=alert] >> text={words}")
            page.locator("#bench-begin").wait_for(state="hidden")
        page.set_viewport_size({"width": 390, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        page.click("#bench-close")
        assert path.read_text() == before
