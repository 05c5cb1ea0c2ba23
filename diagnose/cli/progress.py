"""Progress on standard error, drawn only where somebody watches a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from faultlib.signature import Stepwise

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID


@contextmanager
def shown_on_terminal() -> Iterator[Stepwise | None]:
    """A progress function while the block runs; None where standard error is no terminal.

    Nothing is imported or drawn before the first step: an answer from the store shows none.
    """
    if not sys.stderr.isatty():
        yield None
        return
    bars = _Bars()
    try:
        yield bars.step
    finally:
        bars.stop()


class _Bars:
    """One bar for each thing that is being done."""

    def __init__(self) -> None:
        self._progress: Progress | None = None
        self._tasks: dict[str, TaskID] = {}

    def step(self, what: str, done: int, total: int) -> None:
        if self._progress is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            self._progress = Progress(
                TextColumn("{task.description}"),
                BarColumn(bar_width=None),
                TextColumn("{task.completed:.0f} of {task.total:.0f} units"),
                TimeRemainingColumn(compact=True),
                console=Console(stderr=True), transient=True,
            )
            self._progress.start()
        if what not in self._tasks:
            self._tasks[what] = self._progress.add_task(what, total=total)
        self._progress.update(self._tasks[what], completed=done, total=total)

    def stop(self) -> None:
        if self._progress is not None:
            self._progress.stop()
