"""What the pages share: the shelf of sheets, the processes that simulate, what was checked."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path

from flask import current_app

from diagnose.web.checked import Checked, check
from diagnose.web.jobs import Jobs
from diagnose.web.runs import Runs
from diagnose.web.sheet import Typed
from diagnose.web.shelf import Kept, Shelf
from diagnose.web.stage_shelf import StageShelf
from diagnose.web.under_drive import UnderDrive
from diagnose.web.worker import Worker

KEY = "bench"
_MOST_KEPT = 40
"""Sheets of which is kept what was understood: more than a shop has open at a time (judgement)."""


@dataclass(frozen=True, eq=False)
class _Making:
    """A drawing that is being made.

    Attributes
    ----------
    mark : bytes
        What it is made of: who asks for the same waits for the same.
    begin : callable
        Whether it is still wanted when its turn comes.
    """

    mark: bytes
    begin: Callable[[], bool]
    made: Future[str] = field(default_factory=Future)


@dataclass
class Desk:
    """What the page works with.

    Attributes
    ----------
    shelf, stages
        Sheets, and stages of one's own.
    many : tuple of Worker
        Rank, each with workers of its own; a small stage need not wait for a large one.
    quick : Worker
        Studies: one simulator that stays warm.
    drawer : Worker
        Makes drawings of stages that none ships for.
    short : Worker
        What takes a second or two: blank sheets, recordings, netlists.
    aside : Worker
        What may take ten: healthy units.
    slow : Worker
        What takes minutes and is no ranking: good units under drive, behind plots.
    rooms : sequence of callable
        What pages keep of a sheet by themselves: each forgets one, by its name.
    runs : Runs
        What is being taken at the bench.
    """

    shelf: Shelf
    stages: StageShelf
    many: tuple[Worker, ...]
    quick: Worker
    drawer: Worker
    short: Worker
    aside: Worker
    slow: Worker
    rooms: Sequence[Callable[[str], None]] = ()
    jobs: Jobs = field(init=False)
    under_drive: UnderDrive = field(init=False)
    runs: Runs = field(default_factory=Runs)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _locks: dict[Path, threading.Lock] = field(default_factory=dict)
    _drawing: dict[str, _Making] = field(default_factory=dict)
    _checked: dict[str, tuple[int, Checked]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.jobs = Jobs(self.many, self.short)
        self.under_drive = UnderDrive(self.slow)

    def checked(self, kept: Kept) -> Checked:
        """What is wrong on a sheet; looked at once a revision."""
        with self._alone(kept.folder):
            revision, known = self._checked.get(kept.name, (-1, None))
            if known is None or revision != kept.revision:
                known = check(kept.sheet, kept.folder)
                with self._lock:
                    self._checked.pop(kept.name, None)
                    self._checked[kept.name] = kept.revision, known
                    while len(self._checked) > _MOST_KEPT:
                        del self._checked[next(iter(self._checked))]
            return known

    def forget(self, name: str, folder: Path) -> None:
        """Keep nothing in memory of a sheet that is put away."""
        self.jobs.forget(name)
        self.under_drive.forget(name)
        for room in self.rooms:
            room(name)
        with self._alone(folder), self._lock:
            self._checked.pop(name, None)
            self._locks.pop(folder, None)

    def look(self, sheet: Typed, folder: Path) -> Checked:
        """What would be wrong on a sheet that is not kept yet."""
        with self._alone(folder):
            return check(sheet, folder)

    def _alone(self, folder: Path) -> threading.Lock:
        """What is held while the sheet of a folder is looked at; other sheets do not wait."""
        with self._lock:
            return self._locks.setdefault(folder, threading.Lock())

    def drawn(self, name: str, path: Path, task: str = "drawn") -> str:
        """The drawing of a stage, or of a sheet's; one that is being made of it before is given up.

        Raises
        ------
        Stopped
            When a later one was asked for meanwhile.
        EngineError
            When it takes too long.
        """
        mark = path.read_bytes()
        making = _Making(mark, lambda: self._drawing.get(name) is making)
        with self._lock:
            before = self._drawing.get(name)
            if before is None or before.mark != mark:
                self._drawing[name] = making
        if before is not None and before.mark == mark:  # another tab asks for the same
            return before.made.result()
        if before is not None:
            self.drawer.stop(before.begin)

        try:
            made = str(self.drawer.run(task, str(path), begin=making.begin))
            making.made.set_result(made)
        except BaseException as error:
            making.made.set_exception(error)
            raise
        finally:
            with self._lock:
                if self._drawing.get(name) is making:
                    del self._drawing[name]
        return made

    def warm(self) -> None:
        """Start the processes that somebody will soon wait for."""
        for worker in (self.short, self.quick):
            worker.warm()

    def close(self) -> None:
        """End all processes, and what is being taken at the bench."""
        self.runs.close()
        for worker in (*self.many, self.quick, self.drawer, self.short, self.aside,
                       self.slow):
            worker.close()


def desk() -> Desk:
    """What the application at hand works with."""
    kept_desk = current_app.extensions[KEY]
    assert isinstance(kept_desk, Desk)
    return kept_desk
