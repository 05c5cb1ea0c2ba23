"""Who is let in, and what a page says while it waits, in a real browser."""

from __future__ import annotations

import json
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.diagnose.web.browsing import name_of, until

pytestmark = pytest.mark.slow


def test_the_address_of_the_terminal_lets_in_and_is_not_left_standing(
    chromium: Any, served: Any
) -> None:
    context = chromium.new_context()
    page = context.new_page()
    assert page.goto(served.address).status == 403
    assert page.title() == "Not let in"
    assert Axe().run(page).response["violations"] == []
    page.goto(served.entrance)
    page.wait_for_selector("#new")
    assert page.url == f"{served.address}/"  # what is copied, or seen over a shoulder
    assert page.evaluate("document.cookie") == ""  # HttpOnly
    assert served.key not in page.content()
    # a link elsewhere brings no Strict cookie; the page itself leads on
    page.goto(f"data:text/html,<a href='{served.address}/'>there</a>")
    page.click("a")
    page.wait_for_url(f"{served.address}/")
    assert page.title() == "Not let in"
    page.click("main a")
    page.wait_for_selector("#new")
    context.close()


def test_a_ranking_says_what_is_left_and_when_the_server_is_gone(opened: Any) -> None:
    told = {"state": "waiting", "revision": 1, "steps": [], "text": "", "seconds": 83.9,
            "left": "about 20 s"}
    place = f"**/sheet/{name_of(opened)}/rank"
    opened.route(place, lambda route: route.fulfill(json=told))
    opened.goto(opened.url.split("?")[0] + "/suspects")
    words = "document.getElementById('progress').innerText"
    until(opened, f"{words}.includes('That takes about 20 s at least.')")
    told.update(state="running", steps=[["faults at their sizes", 30, 90]], left="about 40 s")
    until(opened, f"{words}.includes('faults at their sizes: 30 of 90')")
    assert "1:23 so far. This step: about 40 s left." in opened.evaluate(words)
    opened.unroute(place)
    opened.route(place, lambda route: route.abort())
    until(opened, f"{words}.includes('does not answer')")
    assert not opened.locator("#cancel").is_visible()  # of nobody
    opened.unroute(place)  # a server that knows of no ranking: it is begun
    opened.wait_for_selector("#answer h2")
    assert not opened.locator("#progress").is_visible()


def test_a_list_holds_all_its_choices_once_it_is_looked_at(opened: Any, served: Any) -> None:
    asked = opened.request.get(f"{served.address}/sheet/{name_of(opened)}/data")
    quantities = list(json.loads(asked.text())["choices"]["quantities"])
    first = opened.locator("#readings select").first
    first.focus()
    assert first.evaluate("s => [...s.options].map((o) => o.value)") == quantities
    chosen = first.input_value()
    assert chosen in quantities
    every = "[...document.querySelectorAll('#form select:not(.more)')].every((s) => s.dataset.full)"
    until(opened, every)  # without being looked at, too
    first.select_option("gain")
    until(opened, "document.querySelector('#readings select').value === 'gain'")
