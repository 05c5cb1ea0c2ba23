"""Good units under drive behind the plots of a sheet that is not ranked: made while a page looks.

They take minutes, so a process of their own makes them, one sheet after the other, and requests
only ask how far it is. What was simulated is kept: a sheet with one more reading begins from there.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from circuits.errors import AmplifierError
from diagnose.show.figure import Figure
from diagnose.web.worker import Stopped, Worker

LOOKED = 30.0
"""s since a page asked last, after which nobody waits for it any more."""
_MOST_KEPT = 10
"""Figures that stay in memory."""


@dataclass
class Making:
    """The plots of one revision of a sheet, as they are made.

    Attributes
    ----------
    mark : int
        When the file of the sheet was written.
    state : {"waiting", "running", "done", "refused", "stopped"}
    done, total : int
        How many units are simulated, of how many; 0 of 0 before the first.
    text : str
        Why there are none.
    """

    mark: int
    state: str = "waiting"
    done: int = 0
    total: int = 0
    text: str = ""
    figure: Figure | None = None
    looked: float = field(default_factory=time.monotonic)
    started: float = field(default_factory=time.monotonic)

    def __post_init__(self) -> None:
        self.begin = self._begin
        """One object, by which the worker knows the task."""

    def _begin(self) -> bool:
        if self.state == "waiting" and self.wanted:
            self.state = "running"
        return self.state == "running"

    @property
    def wanted(self) -> bool:
        """Whether a page still waits for it."""
        return time.monotonic() - self.looked < LOOKED

    @property
    def over(self) -> bool:
        """Whether nothing more happens."""
        return self.state not in ("waiting", "running")

    def told(self) -> dict[str, Any]:
        """How far it is, for pages."""
        return {"state": self.state, "done": self.done, "total": self.total, "text": self.text,
                "seconds": round(time.monotonic() - self.started, 1)}


class UnderDrive:
    """The plots with good units under drive of one server.

    Parameters
    ----------
    worker : Worker
        Does nothing else.
    """

    def __init__(self, worker: Worker) -> None:
        self._worker = worker
        self._lock = threading.Lock()
        self._made: dict[str, Making] = {}

    def start(self, name: str, path: Path, mark: int) -> Making:
        """Make those of a revision, unless that is being done or was done; ends an older one."""
        with self._lock:
            before = self._made.get(name)
            if before is not None and before.mark == mark and before.state in (
                    "waiting", "running", "done"):
                before.looked = time.monotonic()
                return before
            self._end(before)
            making = Making(mark)
            self._made.pop(name, None)
            self._made[name] = making
            while len(self._made) > _MOST_KEPT:
                oldest = next(iter(self._made))
                self._end(self._made.pop(oldest))
        threading.Thread(target=self._run, args=(making, path), daemon=True).start()
        return making

    def of(self, name: str, mark: int) -> Making | None:
        """Those of a revision, by a page that looks at them."""
        making = self._made.get(name)
        if making is None or making.mark != mark:
            return None
        making.looked = time.monotonic()
        return making

    def forget(self, name: str) -> None:
        """End what is made of a sheet, and keep nothing of it."""
        with self._lock:
            self._end(self._made.pop(name, None))

    def _end(self, making: Making | None) -> None:
        if making is not None and not making.over:
            making.state = "stopped"
            self._worker.stop(making.begin)

    def _run(self, making: Making, path: Path) -> None:
        def report(what: str, done: int, total: int) -> None:
            making.done, making.total = done, total
            if not making.wanted:
                making.state = "stopped"
                self._worker.stop(making.begin)

        try:
            making.figure = self._worker.run("plotted", str(path), "driven", report=report,
                                             begin=making.begin)
        except Stopped:
            making.state = "stopped"
        except (AmplifierError, RuntimeError) as error:
            making.state, making.text = "refused", str(error)
        else:
            if making.state == "running":
                making.state = "done"
