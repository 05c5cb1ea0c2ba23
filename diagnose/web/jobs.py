"""Rankings of sheets, one at a time, each followed while it runs and ended when it must."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from circuits.errors import AmplifierError
from diagnose.answer.result import Result
from diagnose.show.figure import Figure
from diagnose.web.worker import Stopped, Worker

_MOST_KEPT = 20
"""Rankings that stay in memory; of the oldest sheet it is made anew."""


@dataclass
class Job:
    """The ranking of one revision of a sheet.

    Attributes
    ----------
    state : {"waiting", "running", "done", "refused", "cancelled", "broken"}
    steps : dict
        What is being simulated → how much is done, of how much.
    result : Result or None
        None until it is done, and where it failed.
    text : str
        Why there is none.
    pictures : dict
        Suspect → figure.
    """

    sheet: str
    revision: int
    state: str = "waiting"
    steps: dict[str, tuple[int, int]] = field(default_factory=dict)
    result: Result | None = None
    text: str = ""
    started: float = field(default_factory=time.monotonic)
    seconds: float = 0.0
    pictures: dict[str, Figure] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.begin: Callable[[], bool] = self._begin
        """One object, by which the worker knows the task."""

    def _begin(self) -> bool:
        if self.state == "waiting":
            self.state = "running"
        return self.state == "running"

    @property
    def over(self) -> bool:
        """Whether nothing more happens."""
        return self.state not in ("waiting", "running")


class Jobs:
    """The rankings of one server."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}

    def of(self, sheet: str) -> Job | None:
        """The last ranking of a sheet."""
        return self._jobs.get(sheet)

    def start(self, sheet: str, revision: int, path: Path) -> Job:
        """Rank a revision, unless that is being done or was done; ends one of an older revision."""
        with self._lock:
            job = self._jobs.get(sheet)
            if job is not None and job.revision == revision and job.state in (
                "waiting", "running", "done",
            ):
                return job
            if job is not None and not job.over:
                self._end(job)
            job = Job(sheet, revision)
            self._jobs.pop(sheet, None)
            self._jobs[sheet] = job
            while len(self._jobs) > _MOST_KEPT:
                self._jobs.pop(next(iter(self._jobs)))
        threading.Thread(target=self._run, args=(job, path), daemon=True).start()
        return job

    def cancel(self, sheet: str) -> None:
        """End the ranking of a sheet, if one runs."""
        with self._lock:
            job = self._jobs.get(sheet)
            if job is not None and not job.over:
                self._end(job)

    def picture(self, job: Job, key: str, path: Path, index: int | None) -> Figure:
        """The pictures of a finished ranking with one suspect's prediction, made once."""
        if key not in job.pictures and job.result is not None:
            suspect = None if index is None else job.result.suspects[index]
            job.pictures[key] = self._worker.run("pictured", str(path), suspect)
        return job.pictures[key]

    def _end(self, job: Job) -> None:
        job.state = "cancelled"
        self._worker.stop(job.begin)

    def _run(self, job: Job, path: Path) -> None:
        def report(what: str, done: int, total: int) -> None:
            job.steps[what] = (done, total)

        try:
            result = self._worker.run("ranked", str(path), report=report, begin=job.begin)
        except Stopped:
            job.state = "cancelled"
        except AmplifierError as error:
            job.state, job.text = "refused", str(error)
        except RuntimeError as error:
            job.state, job.text = "broken", str(error)
        else:
            job.result = result
            if job.state == "running":
                job.state = "done"
        job.seconds = time.monotonic() - job.started
