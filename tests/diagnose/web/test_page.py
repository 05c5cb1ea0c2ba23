"""The whole job in a real browser, from a blank sheet to the report, and what may come between."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

from diagnose.sheet.case import load_case
from tests.diagnose.web.browsing import name_of, saved, until

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]


def value(page: Any, reading: str) -> Any:
    """The field of a reading by the words that a screen reader says."""
    return page.get_by_role("textbox", name=re.compile(f"^{re.escape(reading)} "))


def ranked(page: Any) -> None:
    page.get_by_role("link", name="Suspects", exact=True).click()
    page.wait_for_selector("#curves[data-suspect]")


def test_the_whole_job_from_a_blank_sheet_to_the_report(
    page: Any, served: Any, tmp_path: Path
) -> None:
    page.goto("/")
    page.get_by_role("radio", name=re.compile("Rumble filter")).check()
    page.wait_for_selector("#about svg.stage-drawing [data-part=C1]")
    page.get_by_label("Name of the case").fill("Rumble filter has lost its slope")
    page.get_by_role("button", name="Begin the sheet").click()
    page.wait_for_url("**/sheet/rumble*")
    page.wait_for_selector("#form:not([aria-busy])")
    rows = page.locator("#readings .row")
    assert rows.count() >= 15
    # of the stage's own test points; values of a unit that is in order but for the gain
    value(page, "gain 1 kHz").fill("-26 dB")
    value(page, "noise").fill("9 uV")
    page.get_by_role("button", name="+ limit").click()
    page.locator("#f-limits-0-min").fill("-1 dB")
    page.locator("#f-limits-0-max").fill("1 dB")
    saved(page)
    assert page.locator(".problem.beside").count() == 0
    kept = served.sheets / name_of(page) / "sheet.yaml"
    case = load_case(kept)
    assert [m.value for m in case.readings if m.reading.quantity == "gain"] == [-26.0]

    ranked(page)
    verdict = page.locator("table.verdict tbody tr")
    assert verdict.count() == 1
    assert "NOT MET" in verdict.inner_text()
    first = page.locator(".suspect").first
    assert first.locator(".bar .share").count() == 1
    assert float(first.locator(".bar .share").first.get_attribute("width")) > 0.0
    assert page.locator("#drawing .part.lit").count() >= 1

    page.get_by_role("link", name="Report", exact=True).click()
    page.wait_for_selector("article.report")
    with page.expect_download() as download:
        page.get_by_role("link", name="Save as one file").click()
    report = tmp_path / "report.html"
    download.value.save_as(report)
    text = report.read_text(encoding="utf-8")
    assert "Rumble filter has lost its slope" in text
    assert not re.search(r"(src|href)=", text.replace("xlink:href", ""))


def test_the_sheet_is_the_case_file_that_the_command_line_reads(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    saved(opened)
    with opened.expect_download() as download:
        opened.get_by_role("link", name="Save the case file").click()
    packed = tmp_path / "sheet.zip"  # with the stage file that it names
    download.value.save_as(packed)
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(tmp_path)
    (case,) = [p for p in tmp_path.glob("*/*.yaml") if p.name != "coupling.yaml"]
    run = subprocess.run([sys.executable, "-m", "diagnose", "rank", case, "--json"], text=True,
                         capture_output=True, env=served.environment, cwd=tmp_path, check=False,
                         timeout=60)
    assert run.returncode == 0, run.stderr
    assert load_case(case).readings == load_case(ROOT / "tests/data/coupling-dry.yaml").readings


def test_a_wrong_value_is_explained_beside_its_field_and_kept(opened: Any, served: Any) -> None:
    field = opened.locator("#f-readings-0-values-0")
    field.fill("3 ohm")
    saved(opened)
    problem = opened.locator("[data-row='readings/0'] .problem")
    problem.wait_for()
    assert "ohm" in problem.inner_text()
    assert "expected" in problem.inner_text()
    assert field.get_attribute("aria-invalid") == "true"
    assert problem.get_attribute("id") == field.get_attribute("aria-describedby")
    opened.reload()
    opened.wait_for_selector("#form:not([aria-busy])")
    assert field.input_value() == "3 ohm"
    assert problem.count() == 1
    # nothing can be ranked until it is right, and the page says where to go
    opened.get_by_role("link", name="Suspects", exact=True).click()
    opened.wait_for_selector("#progress .problem")
    opened.get_by_role("link", name="To the sheet").click()
    opened.wait_for_selector("#form:not([aria-busy])")
    field.fill("-3 dB")
    saved(opened)
    problem.wait_for(state="detached")


def test_a_reload_in_mid_typing_loses_nothing(opened: Any, served: Any) -> None:
    field = opened.locator("#f-readings-0-values-0")
    field.fill("")
    field.press_sequentially("-2.75")
    opened.reload()  # before the pause after which it is saved
    opened.wait_for_selector("#form:not([aria-busy])")
    assert field.input_value() == "-2.75"
    saved(opened)
    assert "-2.75" in (served.sheets / name_of(opened) / "sheet.yaml").read_text(encoding="utf-8")


def test_what_a_crash_of_the_server_leaves_in_the_browser_comes_back(opened: Any) -> None:
    opened.route("**/data", lambda route: route.abort())
    field = opened.locator("#f-readings-0-values-0")
    field.fill("-7.5 dB")
    until(opened, "document.getElementById('status').textContent.includes('not saved')")
    opened.unroute("**/data")
    opened.reload()
    opened.wait_for_selector("#form:not([aria-busy])")
    assert field.input_value() == "-7.5 dB"
    saved(opened)


def test_a_suspect_is_chosen_in_the_drawing_and_its_curve_drawn(opened: Any) -> None:
    saved(opened)
    ranked(opened)
    series = opened.locator("#curves g.series")
    measured = opened.locator("#curves g.series[data-label=measured]").first
    assert series.count() >= 2
    xs = [float(x) for x in measured.get_attribute("data-x").split()]
    assert xs == sorted(xs)
    assert opened.locator("#curves path.band").count() >= 1
    part = opened.locator("#drawing .part[data-part=C1]")
    part.focus()
    part.press("Enter")
    assert opened.locator(".suspect.picked").count() >= 1
    assert "C1" in opened.locator("#picked").inner_text()


def test_the_next_reading_is_entered_in_place_and_ranks_again(opened: Any, served: Any) -> None:
    kept = served.sheets / name_of(opened) / "sheet.yaml"
    for k in range(2):  # with the two readings that show the fault taken away, it is open again
        opened.locator(f"#f-readings-{k}-values-0").fill("")
    saved(opened)
    before = len(load_case(kept).readings)
    ranked(opened)
    form = opened.locator("form.enter").first
    form.locator("input").fill("3 bananas")
    form.locator("button").click()
    form.locator(".problem").wait_for()
    assert len(load_case(kept).readings) == before
    unit = "ohm" if "resistance" in opened.locator(".next li b").first.inner_text() else ""
    shown = opened.evaluate("document.getElementById('answer').dataset.shown")
    plain = {"ohm": "10 kohm", "": "1"}[unit]
    form.locator("input").fill(plain)
    form.locator("button").click()
    until(opened, "s => document.getElementById('answer').dataset.shown !== s", shown)
    assert len(load_case(kept).readings) == before + 1


def test_a_slow_simulation_shows_its_progress_and_is_cancelled(page: Any, served: Any) -> None:
    page.goto("/")
    page.set_input_files("#files", [ROOT / "tests" / "data" / "slow-drive.yaml"])
    page.wait_for_url("**/sheet/*")
    page.goto(f"/sheet/{name_of(page)}/suspects")
    # the good unit comes first and is one run; to be cancelled is what follows
    until(page, "[...document.querySelectorAll('#progress progress')]"
                ".some((bar) => bar.max > 1 && bar.value > 0)")
    bar = page.locator("#progress progress").last
    page.get_by_role("button", name="Cancel").click()
    until(page, "document.querySelector('#progress [role=status]').textContent.startsWith('Canc')")
    assert int(bar.get_attribute("value")) < int(bar.get_attribute("max"))
    assert page.get_by_role("button", name="Rank again").is_visible()


def test_a_study_is_driven_from_the_keyboard(opened: Any) -> None:
    saved(opened)
    opened.get_by_role("link", name="Study", exact=True).click()
    opened.wait_for_selector("#rows tr")
    opened.get_by_label("Part", exact=True).select_option("C1")
    opened.get_by_label("fails by").select_option("capacitance loss")
    slider = opened.get_by_role("slider", name="How far")
    slider.focus()
    for k in range(12):
        slider.press("ArrowRight" if k % 3 else "ArrowLeft")
    slider.press("End")
    shown = "document.getElementById('study').dataset.shown === 'C1:capacitance loss:100'"
    until(opened, shown)
    curve = opened.locator("#curve g.series").first
    ys = [float(y) for y in curve.get_attribute("data-y").split()]
    # a coupling capacitor that has lost its value takes the bass (first-order high-pass)
    assert ys[0] < ys[len(ys) // 2] - 3.0
    assert opened.locator("#rows tr.moved").count() >= 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_narrow_screen_shows_everything_without_scrolling_sideways(
    opened: Any, scheme: str
) -> None:
    saved(opened)
    opened.emulate_media(color_scheme=scheme)
    opened.set_viewport_size({"width": 360, "height": 740})
    base = f"/sheet/{name_of(opened)}"
    for path in ("/", base, base + "/suspects", base + "/study", base + "/report"):
        opened.goto(path)
        if path.endswith(("suspects", "report")):
            opened.wait_for_selector("#curves svg, article.report")
        assert opened.evaluate("document.documentElement.scrollWidth") <= 360, path


def test_no_page_has_a_serious_finding_of_an_accessibility_checker(opened: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    saved(opened)
    base = f"/sheet/{name_of(opened)}"
    script = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    for path in ("/", base, base + "/suspects", base + "/study", base + "/report"):
        opened.goto(path)
        if path.endswith(("suspects", "report")):
            opened.wait_for_selector("#curves svg, article.report")
        opened.wait_for_load_state("networkidle")
        opened.evaluate(f"() => {{ {script} }}")  # by the debugger, which no policy binds
        found = opened.evaluate("async () => (await axe.run()).violations")
        serious = [(v["id"], v["nodes"][0]["html"]) for v in found
                   if v["impact"] in ("serious", "critical")]
        assert serious == [], path


def test_two_tabs_do_not_undo_each_other(opened: Any, served: Any) -> None:
    saved(opened)
    other = opened.context.new_page()
    other.goto(opened.url)
    other.wait_for_selector("#form:not([aria-busy])")
    opened.locator("#f-readings-0-values-0").fill("-1 dB")
    saved(opened)
    other.locator("#f-readings-1-values-0").fill("-9 dB")
    other.locator("#banner button").first.wait_for()
    kept = served.sheets / name_of(opened) / "sheet.yaml"
    assert "-1 dB" in kept.read_text(encoding="utf-8")
    assert "-9 dB" not in kept.read_text(encoding="utf-8")
    assert other.locator("#f-readings-1-values-0").input_value() == "-9 dB"
    before = other.url
    other.get_by_role("button", name="Keep mine as a sheet of its own").click()
    other.wait_for_url(lambda url: url != before)
    other.wait_for_selector("#form:not([aria-busy])")
    assert other.locator("#f-readings-1-values-0").input_value() == "-9 dB"
    other.close()
