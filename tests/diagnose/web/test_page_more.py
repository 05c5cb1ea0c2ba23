"""The page in a browser, further: two channels, files, a repair, other pages, dark and light."""

from __future__ import annotations

import base64
import re
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnose.sheet.case import load_case
from diagnose.sheet.sections import SECTIONS
from tests.diagnose.web.browsing import name_of, saved, until

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
DOT = ("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNk+A8AAQUBAScY42YAAAAA"
       "SUVORK5CYII=")
"""A picture of one dot."""


def test_two_channels_are_typed_side_by_side(opened: Any, served: Any) -> None:
    opened.get_by_label("two channels").check()
    for row, (left, right) in enumerate((("-5.4 dB", "-0.1 dB"), ("-2.1 dB", "0 dB"))):
        opened.locator(f"#f-readings-{row}-values-0").fill(left)
        opened.locator(f"#f-readings-{row}-values-1").fill(right)
    opened.get_by_label("under suspicion").select_option("left")
    saved(opened)
    assert opened.locator(".problem:visible").count() == 0
    case = load_case(served.sheets / name_of(opened) / "sheet.yaml")
    assert case.suspect == "left"
    assert [m.value for m in case.readings[:2]] == [-5.4, -2.1]
    assert [m.value for m in case.reference] == [-0.1, 0.0]


def test_a_sweep_that_is_dropped_becomes_a_curve(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    sweep = tmp_path / "analyser 3.csv"
    rows = "\n".join(f"{f};{-0.1 * k:.1f}" for k, f in enumerate((20, 50, 100, 1000, 10000)))
    sweep.write_text("Frequency (Hz);Level (dB)\n" + rows + "\n", encoding="utf-8")
    opened.set_input_files("#file", sweep)
    opened.get_by_label("it is").select_option("response")
    opened.get_by_role("button", name="Put it on the sheet").click()
    opened.locator("[data-field$='values/0']", has_text="analyser-3.csv").wait_for()
    saved(opened)
    assert opened.locator(".problem:visible").count() == 0
    case = load_case(served.sheets / name_of(opened) / "sheet.yaml")
    response = [m.value for m in case.readings if m.reading.quantity == "response"]
    assert response == [0.0, -0.1, -0.2, -0.3, -0.4]
    # one that is none is told so beside the row, with the line of the file
    sweep.write_text("20;much\n", encoding="utf-8")
    opened.set_input_files("#file", sweep)
    opened.get_by_label("it is").select_option("phase")
    opened.get_by_role("button", name="Put it on the sheet").click()
    opened.locator("#readings .row").last.locator(".problem").wait_for()


def test_a_table_of_both_channels_makes_a_sheet_of_two(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    """What stands on the sheet stays, of the channel that it is said to be of."""
    table = tmp_path / "both.csv"
    table.write_text("Frequency (Hz);Left gain (dB);Right gain (dB)\n2000;-0.2;-0.3\n"
                     "5000;-0.4;-0.6\n", encoding="utf-8")
    opened.set_input_files("#file", table)
    opened.wait_for_selector("#own")
    assert opened.locator("#what").input_value() == "gain"
    assert opened.locator("#column").input_value() == ""  # both channels
    opened.locator("#own").select_option("right")
    opened.get_by_role("button", name="Put it on the sheet").click()
    opened.locator("#drop [role=status]").wait_for()
    saved(opened)
    assert opened.locator(".problem:visible").count() == 0
    case = load_case(served.sheets / name_of(opened) / "sheet.yaml")
    assert case.suspect == "right"
    assert [m.value for m in case.readings] == [-5.48, -2.13, 0.0, -0.3, -0.6]
    assert [m.value for m in case.reference] == [-0.2, -0.4]


def test_a_recording_gives_readings_in_the_words_of_the_sheet(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    path = tmp_path / "tone.wav"
    t = np.arange(2 * 48000) / 48000.0
    # 1 % of third harmonic: -40 dB, by the definition of the decibel
    tone = 0.5 * (np.sin(2 * np.pi * 1000 * t) + 0.01 * np.sin(2 * np.pi * 3000 * t))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(48000)
        file.writeframes(np.int16(np.round(tone * 32767)).tobytes())
    opened.set_input_files("#file", path)
    opened.get_by_role("button", name="Read it").click()
    opened.get_by_text(re.compile("tone.wav: [0-9]+ readings? added")).wait_for()
    saved(opened)
    case = load_case(served.sheets / name_of(opened) / "sheet.yaml")
    thd = [m.value for m in case.readings if m.reading.quantity == "thd"]
    assert len(thd) == 1
    assert abs(thd[0] - 0.01) < 1e-4


def test_a_repair_is_judged_and_reported_with_readings_before_and_after(opened: Any) -> None:
    opened.get_by_role("button", name="+ repair").click()
    opened.get_by_label("part repaired").select_option("C1")
    opened.get_by_role("button", name="Read again what was read before").click()
    for row, value in enumerate(("-0.1 dB", "0 dB", "0 dB")):
        opened.locator(f"#f-repaired-0-readings-{row}-values-0").fill(value)
    saved(opened)
    assert opened.locator(".problem:visible").count() == 0
    opened.goto(f"/sheet/{name_of(opened)}/report")
    said = opened.locator("article.report .repairs")
    said.wait_for()
    text = said.inner_text()
    assert "The fault is gone" in text
    assert re.search(r"gain at 10 Hz\s+-5.48 dB\s+-0.10 dB", text)


def test_rows_of_a_section_are_typed_as_it_is_described(opened: Any, served: Any) -> None:
    """Every section of plain rows: a row typed, saved, read by the command line, in the report."""
    before = {name: opened.locator(f'[data-row^="{name}/"]').count() for name in SECTIONS}
    for name, section in SECTIONS.items():
        opened.get_by_role("button", name=section.add, exact=True).click()
        for column in section.columns:
            field = opened.locator(f"#f-{name}-{before[name]}-{column.word}")
            if column.part:
                field.select_option("C1")
            elif column.choices:
                assert field.input_value() == column.choices[0]
                field.select_option(column.choices[-1])
            else:
                field.fill("a word: with a colon")
    saved(opened)
    assert opened.locator(".problem:visible").count() == 0
    case = load_case(served.sheets / name_of(opened) / "sheet.yaml")
    opened.goto(f"/sheet/{name_of(opened)}/report")
    told = opened.locator("article.report")
    told.wait_for()
    for name, section in SECTIONS.items():
        row = getattr(case, name)[-1]
        for column in section.columns:
            typed = column.choices[-1] if column.choices else "a word: with a colon"
            expected = "C1" if column.part else typed
            assert getattr(row, column.word) == expected
            assert expected in told.inner_text()


def test_light_and_dark_are_the_users_choice_and_stay(opened: Any) -> None:
    opened.emulate_media(color_scheme="light")
    ground = "getComputedStyle(document.body).backgroundColor"
    light = opened.evaluate(ground)
    opened.get_by_role("button", name="Light or dark").click()
    dark = opened.evaluate(ground)
    assert sum(map(int, re.findall(r"\d+", dark))) < sum(map(int, re.findall(r"\d+", light))) / 3
    opened.reload()
    assert opened.evaluate(ground) == dark


def test_the_keyboard_reaches_everything_and_walks_the_values(opened: Any) -> None:
    saved(opened)
    opened.evaluate("document.activeElement.blur()")

    def pressed(*keys: str) -> list[str]:
        been = []
        for key in keys:
            opened.keyboard.press(key)
            been.append(opened.evaluate(
                "document.activeElement.id || document.activeElement.textContent.trim()"))
        return been

    wanted = ["To the content", "Bench sheets", "Sheet", "Suspects", "Study", "Report", "theme",
              "f-case", "f-mains", "f-readings-0-values-0", "f-readings-1-values-0",
              "f-readings-2-values-0"]
    assert [word for word in pressed(*["Tab"] * 24) if word in wanted] == wanted
    value = opened.locator("#f-readings-1-values-0")
    value.focus()
    value.select_text()
    assert pressed("Enter", "ArrowUp", "ArrowUp") == [
        f"f-readings-{k}-values-0" for k in (2, 1, 0)]
    # what stands beside a value lies to its left and right
    assert pressed("ArrowLeft", "ArrowLeft", "ArrowLeft")[1:] == [
        "f-readings-0-frequency", "f-readings-0-quantity"]
    kind = opened.locator("#f-readings-0-quantity")
    assert pressed("ArrowDown") == ["f-readings-1-values-0"]  # and changes nothing
    assert kind.input_value() == "gain"
    kind.focus()
    opened.keyboard.type("phase")
    assert kind.input_value() == "phase"
    # a block from a spreadsheet, with a heading that says the unit
    value.focus()
    opened.evaluate("""() => {
        const data = new DataTransfer();
        data.setData("text/plain", "Level (dB)\\n-2.5\\n-0,1\\n");
        document.activeElement.dispatchEvent(
            new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
    }""")
    assert [opened.locator(f"#f-readings-{k}-values-0").input_value() for k in (1, 2)] == [
        "-2.5 dB", "-0,1 dB"]
    assert opened.locator("#pasted").inner_text() == "2 values pasted"
    saved(opened)
    for k in (1, 2):
        assert opened.locator(f"[data-row='readings/{k}'] .problem").count() == 0


def test_what_was_understood_stands_beside_its_field_and_in_the_drawing(
    opened: Any, served: Any, tmp_path: Path
) -> None:
    """``2k2`` is 2.2 kohm (IEC 60062); a passive stage gains nothing, least of all 120 dB."""
    saved(opened)
    opened.locator("#drawing, .drawing").locator(".mark[data-node=out]").first.click()
    row = opened.locator("#readings .row").first
    assert row.get_attribute("aria-label") == "dc voltage out"
    assert opened.evaluate("document.activeElement.id") == "f-readings-0-values-0"
    opened.keyboard.type("2m5")
    shown = opened.locator(".mark[data-node=out] .read").first
    assert shown.text_content() == "2m5"  # at once, and then as it was understood
    until(opened, "document.querySelector('.mark[data-node=out] .read').textContent === '2.5 mV'")
    assert row.locator(".as").inner_text() == "= 2.5 mV"
    opened.locator(".drawing .part[data-part=R1]").click()
    opened.keyboard.type("2k2")
    gain = opened.locator("#f-readings-3-values-0")
    gain.fill("120 dB")
    opened.locator("#told a", has_text="gain 1 kHz").wait_for()
    assert opened.locator(".part[data-part=R1] .value").text_content() == "2.2k"
    assert "only lose" in opened.locator("[data-row='readings/3'] .doubt").inner_text()
    opened.locator("#told a", has_text="gain 1 kHz").click()
    assert opened.evaluate("document.activeElement.id") == "f-readings-3-values-0"
    # what stands beside a value: how sure it is, a note, and a photo that is made small here
    opened.locator("#f-readings-3-more").click()
    opened.locator("#f-readings-3-uncertainty").fill("1 dB")
    opened.locator("#f-readings-3-note").fill("cable moved")
    picture = tmp_path / "meter 1.png"
    picture.write_bytes(base64.b64decode(DOT))
    opened.get_by_label("photo of gain 1 kHz", exact=True).set_input_files(picture)
    opened.get_by_alt_text("photo of gain 1 kHz").wait_for()
    saved(opened)
    folder = served.sheets / name_of(opened)
    text = (folder / "sheet.yaml").read_text(encoding="utf-8")
    assert "uncertainty: 1 dB, photo: meter-1.jpg}  # cable moved" in text
    assert (folder / "meter-1.jpg").read_bytes().startswith(b"\xff\xd8\xff")
    assert load_case(folder / "sheet.yaml").readings[-1].uncertainty == 1.0
    # and what the sheet asks about, the answer says first
    opened.goto(f"/sheet/{name_of(opened)}/suspects")
    opened.wait_for_selector("#curves[data-suspect]")
    assert "gain at 1 kHz: 120.0 dB" in opened.locator(".reread").first.inner_text()
    opened.get_by_role("link", name="Look at the field").first.click()
    opened.wait_for_selector("#form:not([aria-busy]) svg")
    assert opened.evaluate("document.activeElement.id") in (
        "f-readings-3-values-0", "f-readings-0-values-0")


def test_a_study_follows_the_slider_to_its_last_place_and_shows_nothing_stale(opened: Any) -> None:
    saved(opened)
    opened.goto(f"/sheet/{name_of(opened)}/study?part=C1&mode=capacitance+loss")
    opened.wait_for_selector("#rows tr")
    asked: list[str] = []
    opened.on("request", lambda request: asked.append(request.method))
    shown = opened.evaluate("""async () => {
        const size = document.getElementById("size"), form = document.getElementById("study");
        const shown = [];
        const note = () => shown.push(Number(form.dataset.shown.split(":")[2]));
        const look = new MutationObserver(note);
        look.observe(form, { attributes: true, attributeFilter: ["data-shown"] });
        for (let place = 0; place <= 100; place += 1) {
            size.value = place;
            size.dispatchEvent(new Event("input", { bubbles: true }));
            await new Promise((done) => setTimeout(done, 4));
        }
        while (shown.at(-1) !== 100) await new Promise((done) => setTimeout(done, 20));
        return shown;
    }""")
    # the fault only ever grows on the screen, as the slider did, and the last place is shown
    assert shown == sorted(shown)
    assert shown[-1] == 100
    # one request at a time: moves that came meanwhile are not asked for one by one
    assert len(asked) < 101


def test_another_page_in_the_same_browser_can_do_nothing(opened: Any, served: Any) -> None:
    saved(opened)
    sheet = served.sheets / name_of(opened) / "sheet.yaml"
    before = sheet.read_text(encoding="utf-8")
    other = opened.context.new_page()  # with the cookie in the jar
    answers: dict[str, int] = {}
    other.on("response", lambda answer: answers.update({answer.url: answer.status}))
    elsewhere = served.address.replace("127.0.0.1", "localhost")  # another origin
    other.goto("about:blank")
    target = f"{served.address}/sheet/{name_of(opened)}/rank"
    other.set_content(f'<form method=post action="{target}"></form>'
                      f'<iframe src="{served.address}/"></iframe>')
    other.wait_for_load_state("networkidle")
    framed = [frame.content() for frame in other.frames[1:]]
    assert len(framed) == 1
    assert "Bench sheets" not in framed[0]
    with other.expect_navigation(url=target):
        other.evaluate("document.forms[0].submit()")
    assert answers[target] == 403
    other.goto(elsewhere + "/")
    refused = other.evaluate(
        "url => fetch(url, {method: 'DELETE'}).then(() => 'answered', () => 'refused')", target
    )
    assert refused == "refused"
    other.close()
    assert sheet.read_text(encoding="utf-8") == before


def test_what_to_mind_stands_above_the_readings_and_beside_each_that_is_live(
    opened: Any, served: Any
) -> None:
    folder = ROOT / "tests" / "data" / "valve"
    opened.goto(served.address)
    opened.set_input_files("#files", [folder / "own-triode-case.yaml", folder / "own-triode.yaml"])
    opened.wait_for_url("**/sheet/*")
    opened.wait_for_selector("#form:not([aria-busy]) svg")
    box = opened.locator("section.cautions")
    assert box.count() == 1
    # its stage file says nothing of 290 V; common practice: above 50 V d.c. can kill
    assert box.locator("li").first.inner_text().startswith("290 V at ht can kill")
    above, below = (opened.locator(name).bounding_box() for name in (".cautions", "#readings"))
    assert above["y"] + above["height"] <= below["y"]
    marks = opened.locator("#readings .row .caution")
    assert marks.count() == 3
    assert all("live, 290 V" in text for text in marks.all_inner_texts())
