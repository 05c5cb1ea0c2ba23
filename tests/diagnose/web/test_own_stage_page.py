"""The page of a stage of one's own in a browser: typed, imported, confirmed, asked, used."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from circuits.load import load_stage
from tests.diagnose.web.browsing import saved, until
from tests.diagnose.web.test_own_stage import DIVIDER, NETLIST
from tests.diagnose.web.test_own_units import UNIT

pytestmark = pytest.mark.slow
READY = "#form:not([aria-busy]) .drawing svg"


def stage_path(page: Any, served: Any) -> Path:
    """The file of the stage that a page is of."""
    name = page.evaluate("document.body.dataset.stage")
    return Path(served.sheets / "_stages" / name / "stage.yaml")


@pytest.fixture
def divider(page: Any, tmp_path: Path) -> Any:
    """A stage alone, opened by its file."""
    path = tmp_path / "divider.yaml"
    path.write_text(DIVIDER, encoding="utf-8")
    page.goto("/")
    page.set_input_files("#files", path)
    page.wait_for_url("**/stage/*")
    page.wait_for_selector(READY)
    return page


def test_a_stage_is_typed_and_the_drawing_follows(divider: Any, served: Any) -> None:
    page = divider
    page.get_by_role("button", name="+ part").click()
    page.keyboard.type("carbon-film")
    assert page.locator("#f-parts-4-name").input_value() == "R3"  # the next that is free
    page.locator("#f-parts-4-value").fill("1 V")
    page.locator("#f-parts-4-nodes").fill("b, 0")
    page.locator("[data-row='parts/4'] .problem", has_text="is in V").wait_for()
    page.locator("#f-parts-4-value").fill("10 kohm")
    page.locator(".drawing [data-part=R3]").wait_for()
    saved(page)
    assert page.locator(".problem:visible").count() == 0
    assert load_stage(stage_path(page, served)).part("R3").value == 10e3
    # down a column by Enter, and one more row at its end
    page.locator("#f-parts-3-value").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "f-parts-4-value"
    page.keyboard.press("ArrowUp")
    assert page.evaluate("document.activeElement.id") == "f-parts-3-value"
    # a block from a spreadsheet goes to the right and down
    ends = page.locator("#f-parts-4-nodes").input_value()
    was = [page.locator(f"#f-parts-3-{word}").input_value() for word in ("value", "nodes")]
    page.evaluate("""text => {
        const data = new DataTransfer();
        data.setData("text/plain", text);
        document.activeElement.dispatchEvent(
            new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
    }""", "\t".join(was) + f"\n0.01 Mohm\t{ends}\n")
    assert page.locator("#f-parts-4-value").input_value() == "0.01 Mohm"
    saved(page)
    assert load_stage(stage_path(page, served)).part("R3").value == 10e3
    # a part of the drawing leads to its row
    page.locator(".drawing [data-part=R1]").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "f-parts-0-value"
    # rows in another order: by keys, and dragged
    page.get_by_role("button", name="move R3, row 5").focus()
    page.keyboard.press("ArrowUp")
    assert page.locator("#f-parts-3-name").input_value() == "R3"
    assert page.evaluate("document.activeElement.id") == "f-parts-3-grip"
    page.locator("#f-parts-3-grip").hover()
    page.mouse.down()
    page.locator("#f-parts-4-name").hover()
    page.mouse.up()
    assert page.locator("#f-parts-4-name").input_value() == "R3"
    saved(page)
    # gone and back
    page.get_by_role("button", name="remove R3").click()
    until(page, "!document.querySelector('.drawing [data-part=R3]')")
    page.locator("#gone").get_by_role("button", name="Undo").click()
    page.locator(".drawing [data-part=R3]").wait_for()
    saved(page)
    # the whole file: the table follows what is typed there, and the other way round
    page.get_by_text("The whole file").click()
    text = page.locator("#file").input_value()
    page.locator("#file").fill(text.replace("10 kohm, role: upper", "22 kohm, role: upper"))
    until(page, "document.getElementById('f-parts-0-value').value === '22 kohm'")
    page.locator("#file").fill(text + "what: [is\n")
    page.get_by_text("cannot be read as a table as it stands").wait_for()
    saved(page)
    page.reload()
    page.wait_for_selector("#form:not([aria-busy])")
    assert page.locator("#file").input_value().endswith("what: [is\n")
    page.locator("#file").fill(text)
    page.locator("#f-parts-4-name").wait_for()
    saved(page)
    assert stage_path(page, served).read_text(encoding="utf-8") == text


def test_what_is_typed_while_the_server_is_away_is_there_after_it(divider: Any) -> None:
    page = divider
    page.context.set_offline(True)
    page.locator("#f-parts-0-value").fill("33 kohm")
    until(page, "document.getElementById('status').textContent.startsWith('not saved')")
    page.context.set_offline(False)
    page.reload()
    page.wait_for_selector(READY)
    assert page.locator("#f-parts-0-value").input_value() == "33 kohm"
    saved(page)


def test_a_netlist_is_dropped_confirmed_asked_and_used(
    page: Any, served: Any, tmp_path: Path
) -> None:
    page.goto("/")
    page.evaluate("""text => {
        const data = new DataTransfer();
        data.items.add(new File([text], "amp.cir"));
        document.dispatchEvent(new DragEvent("drop", { dataTransfer: data }));
    }""", NETLIST)
    page.wait_for_url("**/stage/*")
    page.wait_for_selector(READY)
    path = stage_path(page, served)
    asked = page.locator(".asked li", has_text="4u7")
    asked.get_by_role("button", name="it is 4.7 µF").click()
    assert page.locator("#f-parts-0-value").input_value() == "4.7 µF"
    assert page.locator(".asked").count() == 0
    page.get_by_role("button", name="confirm kind of C1, electrolytic").click()
    page.locator("#f-parts-1-role").fill("base feed")  # typed is said
    saved(page)
    stage = load_stage(path)
    assert stage.part("C1").value == pytest.approx(4.7e-6)
    assert dict(stage.guessed)["C1"] == ("polarity", "role")
    assert "role" not in dict(stage.guessed)["R1"]
    page.get_by_role("button", name="Confirm all").click()
    until(page, "document.getElementById('guesses').textContent.startsWith('Nothing')")
    saved(page)
    assert load_stage(path).guessed == ()
    page.get_by_role("button", name="What a healthy one reads").click()
    page.locator("#healthy table").first.wait_for()
    assert page.locator("#healthy .cautions li").count() > 0
    assert "90 % of good units" in page.locator("#healthy").inner_text()
    page.get_by_role("button", name="New sheet for this stage").click()
    page.wait_for_url("**/sheet/*")
    page.wait_for_selector("#form:not([aria-busy]) svg")
    assert page.locator(".problem:visible").count() == 0
    page.get_by_role("link", name="Change the stage").click()
    page.wait_for_url("**/stage/*")
    page.wait_for_selector(READY)  # a click before would be lost
    page.get_by_role("button", name="Delete").click()
    page.wait_for_url("**/?deleted=*")
    page.get_by_role("button", name="Put an amplifier back").click()
    mine = page.get_by_role("region", name="Stages of your own")
    mine.get_by_role("link", name="an amplifier", exact=True).wait_for()
    page.get_by_role("button", name="Rename an amplifier").click()
    page.keyboard.type("Bench amplifier")
    page.keyboard.press("Enter")
    mine.get_by_role("link", name="Bench amplifier", exact=True).wait_for()
    assert load_stage(path).title == "Bench amplifier"


def test_two_tabs_do_not_undo_each_others_stage(divider: Any, served: Any) -> None:
    saved(divider)
    other = divider.context.new_page()
    other.goto(divider.url)
    other.wait_for_selector(READY)
    divider.locator("#f-parts-0-value").fill("11 kohm")
    saved(divider)
    other.locator("#f-parts-1-value").fill("12 kohm")
    other.get_by_role("button", name="Keep mine as a stage of its own").click()
    other.wait_for_url(lambda url: url != divider.url)
    other.wait_for_selector(READY)
    assert other.locator("#f-parts-1-value").input_value() == "12 kohm"
    other.close()
    text = stage_path(divider, served).read_text(encoding="utf-8")
    assert "11 kohm" in text
    assert "12 kohm" not in text


def test_the_page_of_a_stage_fits_and_is_accessible(divider: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    script = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    divider.locator("#f-parts-0-value").fill("1 V")
    divider.locator("#form .problem").first.wait_for()
    for width, scheme in ((360, "dark"), (1366, "light")):
        divider.emulate_media(color_scheme=scheme)
        divider.set_viewport_size({"width": width, "height": 740})
        assert divider.evaluate("document.documentElement.scrollWidth") <= width
        divider.evaluate(f"() => {{ {script} }}")  # by the debugger, which no policy binds
        found = divider.evaluate("async () => (await axe.run()).violations")
        assert [(v["id"], v["nodes"][0]["html"]) for v in found
                if v["impact"] in ("serious", "critical")] == []


def test_a_part_is_dragged_and_stays_where_it_was_put(page: Any, served: Any) -> None:
    made = page.request.post(f"{served.address}/stages/new", form={"stage": "phono-two-transistor"},
                             headers={"Origin": served.address})
    page.goto(f"/stage/{made.json()['stage']}")
    page.wait_for_selector("#form:not([aria-busy]) .drawing svg[data-mark]")

    def place(part: str) -> list[float]:
        box = page.locator(f".drawing [data-part={part}] .body")
        return [float(box.get_attribute(word)) for word in ("x", "y")]

    def drag(part: str, right: int, down: int) -> None:
        box = page.locator(f".drawing [data-part={part}] .body").bounding_box()
        shown = page.evaluate("""() => {
            const svg = document.querySelector('.drawing svg');
            return svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
        }""")
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 6, y)
        page.mouse.move(x + (16 * right + 3) * shown, y + (16 * down - 3) * shown, steps=3)
        page.mouse.up()

    first = place("R3")
    drag("R3", 0, 2)  # onto the grid, wherever the pointer was
    page.get_by_text("R3 moved 2 down.").wait_for()
    assert place("R3") == [first[0], first[1] + 32]
    drag("C3", 6, -3)
    refused = page.locator(".side .problem")
    refused.wait_for()
    assert refused.inner_text().startswith("C3 has no room there: it would lie on R")
    assert page.locator(".drawing [data-part=C3]").get_attribute("transform") is None
    # by keys: steps are gathered, the part keeps the focus
    page.locator(".drawing [data-part=R3]").focus()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    page.get_by_text("R3 moved 2 up.").wait_for()
    assert place("R3") == first
    assert page.evaluate("document.activeElement.dataset.part") == "R3"
    page.get_by_role("button", name="Undo move").click()
    page.get_by_text("The last move is undone.").wait_for()
    assert place("R3") == [first[0], first[1] + 32]
    # a value that is typed moves nothing, nor does coming back to the page
    value = page.locator("[data-part=R3] .c-value input")
    value.fill("270k")
    page.locator(".drawing [data-part=R3] .value", has_text="270k").wait_for()
    saved(page)
    page.reload()
    page.wait_for_selector("#form:not([aria-busy]) .drawing svg[data-mark]")
    assert place("R3") == [first[0], first[1] + 32]
    # another tab has a say as well
    other = page.context.new_page()
    other.goto(page.url)
    other.get_by_role("button", name="Arrange anew").click()
    other.get_by_text("Undo move puts yours back").wait_for()
    drag("R3", 0, 1)
    page.get_by_text("The drawing was changed in another tab").wait_for()
    until(page, "document.querySelector('.drawing svg').dataset.own === undefined")
    assert place("R3") == first
    page.get_by_role("button", name="Undo move").click()
    until(page, "document.querySelector('.drawing svg').dataset.own !== undefined")
    assert place("R3") == [first[0], first[1] + 32]


def test_a_unit_is_dropped_with_its_stages_and_grows(page: Any, served: Any) -> None:
    page.goto("/")
    page.evaluate("""([unit, stage]) => {
        const data = new DataTransfer();
        data.items.add(new File([unit], "pair.yaml"));
        if (stage) data.items.add(new File([stage], "divider.yaml"));
        document.dispatchEvent(new DragEvent("drop", { dataTransfer: data }));
    }""", [UNIT, ""])
    page.get_by_text("is not among the files").first.wait_for()
    page.evaluate("""([unit, stage]) => {
        const data = new DataTransfer();
        data.items.add(new File([unit], "pair.yaml"));
        data.items.add(new File([stage], "divider.yaml"));
        document.dispatchEvent(new DragEvent("drop", { dataTransfer: data }));
    }""", [UNIT, DIVIDER])
    page.wait_for_url("**/stage/*")
    page.wait_for_selector(READY)
    links = page.locator("#chain li")
    assert links.count() == 2
    assert "first A divider of the tests divider.yaml, 4 parts" in links.first.inner_text()
    page.get_by_label("one more at the end").select_option("volume-contour")
    page.get_by_role("button", name="Add to the chain").click()
    page.locator("#chain li", has_text="volume-contour").wait_for()
    assert page.locator("#file").input_value().endswith(
        "  - {name: volume-contour, stage: volume-contour}\n")
    text = page.locator("#file").input_value()
    page.locator("#file").fill(text.replace("name: second", "name: middle"))
    page.locator("#chain li", has_text="middle").wait_for()
    saved(page)
    assert page.locator(".problem:visible").count() == 0
    assert len(load_stage(stage_path(page, served)).parts) > 8
