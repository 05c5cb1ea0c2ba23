"""What the pages share: a drawing that two tabs ask for at once, and what is kept of a sheet.

A stand-in holds the process that makes drawings.
"""

from __future__ import annotations

import gc
import threading
import time
import weakref
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, cast

import pytest

from diagnose.web.app import make_app
from diagnose.web.checked import Checked
from diagnose.web.desk import KEY, Desk
from diagnose.web.labels import Label
from diagnose.web.worker import Stopped


class Drawer:
    """Draws when it is let go; one that is stopped ends with `Stopped`, as a worker does."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.begun, self.go = threading.Event(), threading.Event()
        self.stopped: list[Callable[[], bool]] = []

    def run(self, task: str, path: str, begin: Callable[[], bool]) -> str:
        text = Path(path).read_text(encoding="utf-8")
        self.asked.append(text)
        self.begun.set()
        assert self.go.wait(20)
        if begin in self.stopped or not begin():
            raise Stopped
        return f"{task} of {text}"

    def stop(self, begin: Callable[[], bool]) -> None:
        self.stopped.append(begin)
        self.go.set()


def desk_of(drawer: Drawer) -> Desk:
    idle = cast(Any, drawer)
    return Desk(cast(Any, None), cast(Any, None), (idle,), idle, idle, idle, idle, idle)


def test_two_tabs_that_ask_for_the_same_get_the_same(tmp_path: Path) -> None:
    path, drawer = tmp_path / "a.yaml", Drawer()
    path.write_text("one", encoding="utf-8")
    desk, second_asks = desk_of(drawer), threading.Event()

    def ask_too() -> str:
        second_asks.set()
        return desk.drawn("a", path)

    with ThreadPoolExecutor(2) as tabs:
        first = tabs.submit(desk.drawn, "a", path)
        assert drawer.begun.wait(20)
        second = tabs.submit(ask_too)
        assert second_asks.wait(20)
        time.sleep(0.5)  # it waits for the first by then
        drawer.go.set()
        assert (first.result(20), second.result(20)) == ("drawn of one", "drawn of one")
    assert len(drawer.asked) == 1
    assert drawer.stopped == []


def test_what_is_changed_meanwhile_gives_up_the_drawing_before(tmp_path: Path) -> None:
    path, drawer = tmp_path / "a.yaml", Drawer()
    path.write_text("one", encoding="utf-8")
    desk = desk_of(drawer)
    with ThreadPoolExecutor(2) as tabs:
        first = tabs.submit(desk.drawn, "a", path)
        assert drawer.begun.wait(20)
        path.write_text("two", encoding="utf-8")
        second = tabs.submit(desk.drawn, "a", path, "drawn_sheet")
        assert second.result(20) == "drawn_sheet of two"
        with pytest.raises(Stopped):
            first.result(20)


@pytest.mark.slow
def test_of_sheets_that_are_put_away_nothing_stays_in_memory(tmp_path: Path) -> None:
    """A server runs for months: what it understood of a sheet goes with the sheet."""
    app = make_app(tmp_path, workers=0, cached=False)
    try:
        client = app.test_client()

        def held() -> tuple[int, int]:
            gc.collect()
            found = gc.get_objects()
            return (sum(isinstance(one, Checked) for one in found),
                    sum(isinstance(one, Label) for one in found))

        before = held()
        names = [client.post("/sheets", data={"stage": "phono-opamp"}).get_json()["sheet"]
                 for _ in range(4)]
        for name in names:
            assert client.get(f"/sheet/{name}/plots").status_code == 200
        client.get("/")
        assert held() == (before[0] + 4, before[1] + 4)
        desk = app.extensions[KEY]
        job = weakref.ref(desk.jobs.start(names[1], 1, tmp_path / "no.yaml"))
        for name in names[1:]:
            client.post(f"/sheet/{name}/delete", json={})
        client.get("/")
        assert desk.jobs.of(names[1]) is None
        end = time.monotonic() + 20.0
        while job() is not None and time.monotonic() < end:  # its thread ends
            time.sleep(0.02)
            gc.collect()
        assert job() is None
        assert held() == (before[0] + 1, before[1] + 4)  # the list has those in the bin as well
        assert client.get(f"/sheet/{names[0]}/plots").status_code == 200
        client.post(f"/sheet/{names[1]}/restore", json={})
        assert client.get(f"/sheet/{names[1]}/plots").status_code == 200
    finally:
        app.extensions[KEY].close()
