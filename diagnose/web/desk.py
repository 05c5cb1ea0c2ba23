"""What the pages share: the shelf of sheets, the processes that simulate, what was checked."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from flask import current_app

from diagnose.web.checked import Checked, check
from diagnose.web.jobs import Jobs
from diagnose.web.sheet import Typed
from diagnose.web.shelf import Kept, Shelf
from diagnose.web.stage_shelf import StageShelf
from diagnose.web.worker import Worker

KEY = "bench"


@dataclass
class Desk:
    """What the page works with.

    Attributes
    ----------
    shelf, stages
        Sheets, and stages of one's own.
    many : Worker
        Ranks and draws, with workers of its own.
    quick : Worker
        Studies: one simulator that stays warm.
    drawer : Worker
        Makes drawings of stages that none ships for.
    """

    shelf: Shelf
    stages: StageShelf
    many: Worker
    quick: Worker
    drawer: Worker
    jobs: Jobs = field(init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _drawing: dict[str, Callable[[], bool]] = field(default_factory=dict)
    _checked: dict[str, tuple[int, Checked]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.jobs = Jobs(self.many)

    def checked(self, kept: Kept) -> Checked:
        """What is wrong on a sheet; looked at once a revision."""
        with self._lock:
            revision, known = self._checked.get(kept.name, (-1, None))
            if known is None or revision != kept.revision:
                known = check(kept.sheet, kept.folder)
                self._checked[kept.name] = kept.revision, known
            return known

    def look(self, sheet: Typed, folder: Path) -> Checked:
        """What would be wrong on a sheet that is not kept yet."""
        with self._lock:
            return check(sheet, folder)

    def drawn(self, name: str, path: Path, task: str = "drawn") -> str:
        """The drawing of a stage, or of a sheet's; one that is being made of it before is given up.

        Raises
        ------
        Stopped
            When a later one was asked for meanwhile.
        EngineError
            When it takes too long.
        """
        def begin() -> bool:
            return self._drawing.get(name) is begin

        with self._lock:
            before = self._drawing.get(name)
            self._drawing[name] = begin
        if before is not None:
            self.drawer.stop(before)
        try:
            made = self.drawer.run(task, str(path), begin=begin)
        finally:
            with self._lock:
                if self._drawing.get(name) is begin:
                    del self._drawing[name]
        return str(made)

    def close(self) -> None:
        """End all processes."""
        self.many.stop()
        self.quick.stop()
        self.drawer.stop()


def desk() -> Desk:
    """What the application at hand works with."""
    kept_desk = current_app.extensions[KEY]
    assert isinstance(kept_desk, Desk)
    return kept_desk
