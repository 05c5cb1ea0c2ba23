"""What is printed: a report of two pages, and the sheet for the clip-board, by a real browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from diagnose.sheet.case import load_case
from tests.diagnose.web.browsing import name_of, saved, until

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
TYPED = {
    "complaint": "Hums between the songs and sounds thin; got worse over the winter, says the "
                 "caretaker, and a knock on the lid changes nothing.",
    "unit": "Hall amplifier (invented)", "serial": "0042", "customer": "Village hall, job 17",
    "received": "3 March", "technician": "the bench by the window", "finished": "5 March",
    "cause": "C3 dried out; the earth connection of the input socket had corroded.",
    "parts": "C3 220 µF 25 V, new\nJ2 cleaned",
}


def pages(pdf: bytes) -> int:
    """Pages of a file that chromium printed (ISO 32000: each is an object of the type Page)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def opened_example(page: Any) -> str:
    page.goto("/")
    page.set_input_files("#files", [ROOT / "examples" / "hall-record-hum.yaml"])
    page.wait_for_url("**/sheet/*")
    return str(page.url)


def test_the_record_is_typed_kept_and_printed_on_two_pages(page: Any, served: Any) -> None:
    base = opened_example(page)
    page.goto(f"{base}/report")
    page.wait_for_selector("article.report .steer")
    assert pages(page.pdf(format="A4", prefer_css_page_size=True)) == 2
    for word, text in TYPED.items():
        page.locator(f"#r-{word}").fill(text)
    until(page, "document.querySelector('article.report blockquote') !== null")
    until(page, "document.querySelector('article.report .done').innerText.includes('C3 220')")
    until(page, "document.getElementById('record-status').textContent === 'saved'")
    said = page.locator("article.report").inner_text()
    for text in "\n".join(TYPED.values()).splitlines():
        assert text in said
    record = load_case(served.sheets / name_of(page) / "sheet.yaml").record
    assert {word: record.of(word) for word in TYPED if word != "parts"} == {
        word: text for word, text in TYPED.items() if word != "parts"}
    assert record.parts == tuple(TYPED["parts"].splitlines())
    for paper in ("A4", "Letter"):
        assert pages(page.pdf(format=paper, prefer_css_page_size=True)) == 2, paper
    # what is only for the screen is not printed
    page.emulate_media(media="print")
    assert page.locator("#record, .curve .tools, header.top").evaluate_all(
        "all => all.filter((one) => one.offsetHeight > 0).length") == 0


def test_the_sheet_for_the_clip_board_has_the_drawing_and_what_to_expect(opened: Any) -> None:
    # a reading that nobody has a value of yet is to be taken too
    opened.get_by_role("button", name="+ reading").click()
    row = opened.locator("#readings .row").last
    row.locator("select").first.select_option("output impedance")
    row.locator("input[id$=-frequency]").fill("1 kHz")
    saved(opened)
    opened.goto(f"/sheet/{name_of(opened)}/paper")
    opened.wait_for_selector("article.paper")
    heads = opened.locator(".takes th[scope=row]").all_inner_texts()
    assert [head.partition("⚠")[0].strip() for head in heads] == [
        "gain at 10 Hz", "gain at 20 Hz", "gain at 1 kHz", "output impedance at 1 kHz"]
    expected = opened.locator(".takes tbody td:nth-child(3)").all_inner_texts()[:3]
    # 10 uF into 10 kohm: corner 1.59 Hz, so -0.11, -0.03 and 0.00 dB (first-order high-pass);
    # the ends of nine in ten good units are on either side, or 0.02 dB of the generator's own
    for text, true in zip(expected, (-0.11, -0.03, 0.0), strict=True):
        low, high = (float(v) for v in re.findall(r"-?[\d.]+", text)[:2])
        assert low - 0.01 <= true - 0.017 <= high + 0.01
    assert opened.locator(".drawing [data-part=C1]").count() == 1
    assert pages(opened.pdf(format="A4")) == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_and_record_have_no_finding_of_an_accessibility_checker(
    opened: Any, scheme: str
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    script = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    saved(opened)
    opened.emulate_media(color_scheme=scheme)
    for path, there in ((f"/sheet/{name_of(opened)}/paper", "article.paper"),
                        ("/stages/phono-opamp/paper", "article.paper"),
                        (f"/sheet/{name_of(opened)}/report", "article.report .steer")):
        opened.goto(path)
        opened.wait_for_selector(there)
        opened.evaluate(f"() => {{ {script} }}")  # by the debugger, which no policy binds
        found = opened.evaluate("async () => (await axe.run()).violations")
        assert [(v["id"], v["nodes"][0]["html"]) for v in found] == [], path
        opened.set_viewport_size({"width": 360, "height": 740})
        assert opened.evaluate("document.documentElement.scrollWidth") <= 360, path
        opened.set_viewport_size({"width": 1280, "height": 900})
