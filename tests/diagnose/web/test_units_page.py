"""A unit of several stages in a real browser: its sheet folds, its drawing folds and is moved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.diagnose.web.accessible import violations
from tests.diagnose.web.browsing import saved, until

pytestmark = pytest.mark.slow

DATA = Path(__file__).resolve().parents[2] / "data" / "unit"
# Two dividers across 20 V, 10 kohm over 20 kohm and 10 kohm over 10 kohm: 13.33 V and 10 V. The
# second reads what it has with its upper arm at 30 kohm: 20 V · 10/40 (Ohm's law). Coupling
# capacitors of 10 uF are wires at 1 kHz.
CASE = """\
case: The second stage is low
stage: pair.yaml
readings:
  - {quantity: dc voltage, at: main, value: 20 V}
  - {quantity: dc voltage, at: first.out, value: 13.33 V}
  - {quantity: dc voltage, at: second.out, value: 5.00 V}
  - {quantity: gain, frequency: 1 kHz, at: first.out, value: -0.1 dB}
  - {quantity: gain, frequency: 1 kHz, value: -0.1 dB}
  - {quantity: dc voltage, at: second.in, value: }
"""


@pytest.fixture
def unit(page: Any, tmp_path: Path) -> Any:
    page.goto("/")
    case = tmp_path / "low.yaml"
    case.write_text(CASE, encoding="utf-8")
    page.set_input_files("#files", [DATA / "pair.yaml", DATA / "fed.yaml", case])
    page.wait_for_url("**/sheet/*")
    page.wait_for_selector("#form:not([aria-busy])")
    page.wait_for_selector(".side .members svg")
    return page


def unfolded(page: Any, folds: str) -> list[str]:
    return page.evaluate(  # type: ignore[no-any-return]
        "folds => [...document.querySelectorAll(folds)].filter((f) => f.open)"
        ".map((f) => f.id || f.dataset.member)", folds)


def counts(page: Any) -> dict[str, str]:
    return page.evaluate(  # type: ignore[no-any-return]
        "Object.fromEntries([...document.querySelectorAll('#readings > details')].map((fold) =>"
        " [fold.id, fold.querySelector('.count').textContent]))")


def test_a_units_sheet_folds_by_stage_and_counts_what_was_read(unit: Any) -> None:
    saved(unit)
    # signal tracing first, then the stages in the order of the signal
    assert list(counts(unit).items()) == [
        ("fold-tracing", "2 of 2 read"), ("fold-stage-first", "1 of 1 read"),
        ("fold-stage-second", "1 of 2 read"), ("fold-supplies", "1 of 1 read")]
    assert unfolded(unit, "#readings > details") == ["fold-tracing"]
    second = unit.locator("#fold-stage-second")
    second.locator("summary").focus()
    unit.keyboard.press("Enter")
    field = second.locator("#f-readings-5-values-0")
    field.fill("0.3 bananas")
    assert counts(unit)["fold-stage-second"] == "2 of 2 read"
    saved(unit)
    # folded again, a mistake in it opens it
    second.locator("summary").click()
    assert not field.is_visible()
    unit.locator("#f-readings-3-values-0").fill("-0.2 dB")
    saved(unit)
    until(unit, "document.getElementById('fold-stage-second').open")
    assert second.locator(".problem.beside").is_visible()
    field.fill("")
    saved(unit)
    # a reading that is moved to another stage is found where it belongs, and goes on being typed
    unit.locator("#f-readings-5-at").select_option("first.out")
    assert counts(unit)["fold-stage-first"] == "1 of 2 read"
    assert unit.evaluate("document.activeElement.id") == "f-readings-5-at"
    assert unit.locator("#fold-stage-first #f-readings-5-at").is_visible()
    # part values stand by stage as well; one that differs is counted
    unit.locator("#d-values > summary").click()
    assert unit.locator("#parts-second #f-values-second-R1").count() == 1
    assert violations(unit) == []
    for wide in (1366, 360):
        unit.set_viewport_size({"width": wide, "height": 768})
        assert unit.evaluate("document.documentElement.scrollWidth") <= wide


def test_the_drawing_of_a_unit_opens_at_the_suspect_and_is_moved_about(unit: Any) -> None:
    assert unfolded(unit, ".side .member") == ["first"]
    saved(unit)
    unit.get_by_role("link", name="Suspects", exact=True).click()
    unit.wait_for_selector("#curves[data-suspect]")
    assert unfolded(unit, "#drawing .member") == ["second"]
    assert "second" in unit.locator(".suspect").first.get_attribute("data-part")
    frame = unit.locator("#drawing .member[open] .frame")
    assert frame.locator(".part.lit").count() >= 1
    svg = frame.locator("svg")
    natural = float(svg.get_attribute("width"))

    def wide() -> float:
        return float(svg.evaluate("svg => svg.getBoundingClientRect().width"))

    def scrolled() -> list[float]:
        return frame.evaluate("f => [f.scrollLeft, f.scrollTop]")  # type: ignore[no-any-return]

    assert violations(unit) == []
    # by keys: larger, smaller, and the whole of it
    frame.focus()
    before = wide()
    for _ in range(6):
        unit.keyboard.press("+")
    assert wide() > 2.0 * before
    # what does not fit is scrolled, in both directions and to its very ends: nothing is cut off
    over = frame.evaluate("f => { f.scrollTo(1e6, 1e6); const r = f.getBoundingClientRect();"
                          " const s = f.querySelector('svg').getBoundingClientRect();"
                          " const end = [s.right - r.right, s.bottom - r.bottom];"
                          " f.scrollTo(0, 0); const b = f.querySelector('svg')"
                          ".getBoundingClientRect(); return [...end, r.left - b.left]; }")
    assert all(edge <= 1.0 for edge in over), over
    # by the mouse: a drag moves it and chooses no part
    frame.evaluate("frame => frame.scrollIntoView({block: 'center'})")
    box = frame.bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    unit.mouse.move(*middle)
    unit.mouse.down()
    unit.mouse.move(middle[0] - 60, middle[1] - 20, steps=4)
    unit.mouse.up()
    assert scrolled()[0] == pytest.approx(60.0, abs=2.0)
    assert unit.locator("#drawing .part.chosen").count() == 0
    # by the wheel with Ctrl, about the pointer: what is under it stays there
    spot = ("([x, y]) => { const s = document.querySelector('#drawing .member[open] svg')"
            ".getBoundingClientRect(); return [(x - s.left) / s.width, (y - s.top) / s.height]; }")
    there, before = unit.evaluate(spot, middle), wide()
    unit.keyboard.down("Control")
    unit.mouse.wheel(0, -100)
    unit.keyboard.up("Control")
    until(unit, "([w]) => document.querySelector('#drawing .member[open] svg')"
                ".getBoundingClientRect().width > 1.1 * w", [before])
    assert unit.evaluate(spot, middle) == pytest.approx(there, abs=0.02)
    frame.focus()
    unit.keyboard.press("0")
    assert wide() <= box["width"]
    assert scrolled() == [0.0, 0.0]
    # by buttons, and by two fingers
    frame.get_by_role("button", name="Smaller drawing").click()
    before = wide()
    frame.evaluate("frame => frame.scrollIntoView({block: 'center'})")
    box = frame.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = unit.context.new_cdp_session(unit)
    for word, apart in (("touchStart", 40), ("touchMove", 60), ("touchMove", 80)):
        touch.send("Input.dispatchTouchEvent", {"type": word, "touchPoints": [
            {"x": x - apart / 2, "y": y, "id": 0}, {"x": x + apart / 2, "y": y, "id": 1}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert wide() == pytest.approx(2.0 * before, rel=0.05)
    # the stage that is folded opens when one of its parts is chosen on the list
    unit.locator("#drawing .member[data-member=second] > summary").click()
    unit.locator(".suspect .name").first.click()
    until(unit, "document.querySelector('#drawing .member[data-member=second]').open")
    # on a telephone the drawing scrolls in its frame, and its words can be read
    unit.set_viewport_size({"width": 360, "height": 740})
    unit.reload()
    unit.wait_for_selector("#curves[data-suspect]")
    assert unit.evaluate("document.documentElement.scrollWidth") <= 360
    assert wide() >= 0.6 * natural
    room = unit.locator("#drawing .member[open] .frame").evaluate(
        "f => { const part = f.querySelector('.part.lit').getBoundingClientRect();"
        " const r = f.getBoundingClientRect();"
        " return part.left >= r.left - 1 && part.right <= r.right + 1; }")
    assert room
