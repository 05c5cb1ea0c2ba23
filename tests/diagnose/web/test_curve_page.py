"""A curve on the page, looked at by pointer and keys, and saved: in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from tests.diagnose.web.browsing import name_of, saved, until

pytestmark = pytest.mark.slow

SVG = "{http://www.w3.org/2000/svg}"
REACH = "document.querySelector('#curves svg.chart').dataset.reach"


def ends(page: Any) -> tuple[float, float]:
    low, high, *_ = map(float, page.evaluate(REACH).split())
    return low, high


@pytest.fixture
def curve(opened: Any) -> Any:
    """The curve of the smallest stage's answer: gain at 10, 20 Hz and 1 kHz."""
    saved(opened)
    opened.goto(f"/sheet/{name_of(opened)}/suspects")
    opened.wait_for_selector("#curves .steer")
    return opened


def test_keys_read_the_curve_and_zoom_it_and_the_focus_stays(curve: Any) -> None:
    steer = curve.locator("#curves .steer")
    steer.focus()
    steer.press("Home")
    words = steer.get_attribute("aria-valuetext")
    # what the sheet says was read at its lowest frequency
    assert words.startswith("10 Hz: measured -5.48 dB; C1 capacitance loss ")
    assert "; good units " in words
    shown = curve.locator("#curves .at.here")
    assert shown.count() == 1
    assert "-5.48 dB" in shown.locator(".told").text_content()
    steer.press("ArrowRight")
    assert curve.locator("#curves .at.here").get_attribute("data-x") != "10"
    steer.press("Home")
    whole = ends(curve)
    steer.press("+")
    until(curve, f"{REACH}.split(' ')[1] < {whole[1]}")
    # the place under the cursor stayed, at the same share of a narrower range
    low, high = ends(curve)
    assert low < 10.0 < high < 0.5 * whole[1]
    assert curve.evaluate("document.activeElement.className") == "steer"
    assert curve.locator("#curves .at.here").get_attribute("data-x") == "10"
    curve.keyboard.press("Escape")
    until(curve, f"Math.abs({REACH}.split(' ')[1] / {whole[1]} - 1) < 1e-4")


def test_a_drag_zooms_into_what_it_went_over(curve: Any) -> None:
    curve.locator("#curves svg.chart").scroll_into_view_if_needed()
    box = curve.locator("#curves svg.chart").bounding_box()
    low, high = ends(curve)
    left, right, top, _ = (box["x"] + v if k < 2 else box["y"] + v for k, v in enumerate(
        map(float, curve.evaluate("document.querySelector('#curves svg.chart').dataset.plot")
            .split())))
    quarter = (right - left) / 4.0
    curve.mouse.move(left + quarter, top + 30)
    curve.mouse.down()
    curve.mouse.move(right - quarter, top + 34, steps=3)
    curve.mouse.up()
    until(curve, f"{REACH}.split(' ')[1] < {0.9 * high}")
    now = ends(curve)
    # the middle half of a logarithmic axis: a quarter of its decades off either end
    assert now[0] == pytest.approx(low**0.75 * high**0.25, rel=0.05)
    assert now[1] == pytest.approx(low**0.25 * high**0.75, rel=0.05)
    # it stays when another suspect is looked at
    curve.locator(".suspect .name").last.click()
    curve.wait_for_load_state("networkidle")
    assert ends(curve) == pytest.approx(now, rel=1e-3)


def test_a_curve_is_saved_as_it_is_looked_at(curve: Any, tmp_path: Path) -> None:
    for kind in ("SVG", "PNG"):
        with curve.expect_download() as coming:
            curve.get_by_role("button", name=f"Save as {kind}: gain").click()
        assert coming.value.suggested_filename.endswith(f"-gain.{kind.lower()}")
        coming.value.save_as(tmp_path / f"gain.{kind.lower()}")
    root = ET.parse(tmp_path / "gain.svg").getroot()
    lines = [g.get("data-label") for g in root.iter(f"{SVG}g") if g.get("data-label")]
    assert lines[0] == "measured"
    assert root.find(f"{SVG}title").text == "gain"
    assert not [g for g in root.iter() if g.get("class") in ("at", "sweep")]
    head = (tmp_path / "gain.png").read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948
    wide, high = (int.from_bytes(head[k : k + 4]) for k in (16, 20))
    assert (wide, high) == tuple(2 * float(root.get(k)) for k in ("width", "height"))


def test_a_report_in_one_file_has_the_cursor_without_a_script(curve: Any) -> None:
    curve.goto(f"/sheet/{name_of(curve)}/report")
    curve.wait_for_selector(".report .steer")
    curve.goto(f"/sheet/{name_of(curve)}/report.html")
    assert curve.locator("script").count() == 0
    told = curve.locator(".at[data-x='20'] .told")
    assert told.evaluate("one => getComputedStyle(one).visibility") == "hidden"
    curve.locator(".at[data-x='20'] .catch").hover()
    assert told.evaluate("one => getComputedStyle(one).visibility") == "visible"
    assert "-2.13 dB" in told.text_content()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_curve_under_its_cursor_has_no_finding_of_an_accessibility_checker(
    curve: Any, scheme: str
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    script = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    curve.emulate_media(color_scheme=scheme)
    for page in ("suspects", "study", "report"):
        curve.goto(f"/sheet/{name_of(curve)}/{page}")
        curve.wait_for_selector(".curve .steer")
        curve.locator(".curve .steer").first.press("Home")
        curve.evaluate(f"() => {{ {script} }}")  # by the debugger, which no policy binds
        found = curve.evaluate("async () => (await axe.run('.curve')).violations")
        assert [(v["id"], v["nodes"][0]["html"]) for v in found] == [], page
