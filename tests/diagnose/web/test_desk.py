"""Drawings that two tabs ask for at once; a stand-in holds the process that makes them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, cast

import pytest

from diagnose.web.desk import Desk
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
    return Desk(cast(Any, None), cast(Any, None), (idle,), idle, idle, idle, idle)


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
