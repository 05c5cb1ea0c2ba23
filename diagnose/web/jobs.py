"""Rankings of sheets, the short ones first, each followed while it runs and ended when it must."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from circuits.errors import AmplifierError
from diagnose.answer.result import Result
from diagnose.show.figure import Figure
from diagnose.web.remaining import SHORT, Pace
from diagnose.web.worker import Stopped, Worker

SMALL = 250.0
"""Work of a ranking that is done beside a large one: that of a phono or line stage at rest. Of the
examples these take 7 s of processor time, an output stage at rest 33 s, one under drive minutes."""
_TRIES = 2
"""How often a ranking is begun whose process does not live: what was simulated is in the store."""
_DIED = ("the process that simulates was ended from outside, twice. Is there memory enough? What "
         "was simulated so far is kept")
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
    work : float
        How much there is to do, in units of any kind.
    """

    sheet: str
    revision: int
    work: float = 0.0
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
        self.worker: Worker | None = None
        self._pace = Pace("", 0)

    def report(self, what: str, done: int, total: int) -> None:
        """Note a step that is done."""
        self._pace = self._pace.report(what, done, total, time.monotonic())
        self.steps.pop(what, None)  # what is being done stands last
        self.steps[what] = (done, total)

    @property
    def elapsed(self) -> float:
        """Seconds since it was asked for, until it was over."""
        return self.seconds or time.monotonic() - self.started

    @property
    def step_left(self) -> float | None:
        """Seconds that the step which is being done still takes; None where nothing tells."""
        return None if self.over else self._pace.left(time.monotonic())

    def _begin(self) -> bool:
        if self.state == "waiting":
            self.state = "running"
        return self.state == "running"

    @property
    def over(self) -> bool:
        """Whether nothing more happens."""
        return self.state not in ("waiting", "running")


class Jobs:
    """The rankings of one server.

    Parameters
    ----------
    workers : sequence of Worker
        As many rank at a time; all but the first rank what is small only.
    short : Worker
        Draws the pictures of an answer while the others rank.
    """

    def __init__(self, workers: Sequence[Worker], short: Worker) -> None:
        self._workers = tuple(workers)
        self._short = short
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._turn = threading.Condition()
        self._idle = list(workers)
        self._queue: list[Job] = []

    def of(self, sheet: str) -> Job | None:
        """The last ranking of a sheet."""
        return self._jobs.get(sheet)

    def start(self, sheet: str, revision: int, path: Path, work: float = 0.0) -> Job:
        """Rank a revision, unless that is being done or was done; ends one of an older revision.

        Parameters
        ----------
        work : float
            How much there is to do: of those that wait, the one with the least begins first.
        """
        with self._lock:
            job = self._jobs.get(sheet)
            if job is not None and job.revision == revision and job.state in (
                "waiting", "running", "done",
            ):
                return job
            if job is not None and not job.over:
                self._end(job)
            job = Job(sheet, revision, work)
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

    def forget(self, sheet: str) -> None:
        """End the ranking of a sheet that is put away, and keep nothing of it."""
        self.cancel(sheet)
        with self._lock:
            self._jobs.pop(sheet, None)

    def left(self, job: Job) -> float | None:
        """Seconds that the step of a ranking still takes, or of the one that it waits for.

        None where nothing tells. How many steps are to come depends on what the first ones show.
        """
        if job.state != "waiting":
            return job.step_left
        lefts = [other.step_left for other in list(self._jobs.values()) if other.state == "running"]
        return min((left for left in lefts if left is not None and left > SHORT), default=None)

    def picture(self, job: Job, key: str, path: Path, index: int | None) -> Figure:
        """The pictures of a finished ranking with one suspect's prediction, made once."""
        if key not in job.pictures and job.result is not None:
            suspect = None if index is None else job.result.suspects[index]
            # the one that ranked it knows the readings; it is not waited for
            able = (job.worker, *self._workers)
            worker = next((one for one in able if one is not None and one.free), self._short)
            job.pictures[key] = worker.run("pictured", str(path), suspect)
        return job.pictures[key]

    def _end(self, job: Job) -> None:
        job.state = "cancelled"
        with self._turn:
            self._turn.notify_all()
        if job.worker is not None:
            job.worker.stop(job.begin)

    def _run(self, job: Job, path: Path) -> None:
        worker = self._wait(job)
        try:
            result = self._ranked(job, worker, path)
        except Stopped:
            # who ends it says so before; else its process did not live
            if job.state == "running":
                job.state, job.text = "broken", _DIED
            else:
                job.state = "cancelled"
        except AmplifierError as error:
            job.state, job.text = "refused", str(error)
        except RuntimeError as error:
            job.state, job.text = "broken", str(error)
        else:
            job.result = result
            if job.state == "running":
                job.state = "done"
        finally:
            if worker is not None:
                with self._turn:
                    self._idle.append(worker)
                    self._turn.notify_all()
        job.seconds = time.monotonic() - job.started

    def _ranked(self, job: Job, worker: Worker | None, path: Path) -> Result:
        if worker is None:
            raise Stopped
        for _ in range(_TRIES - 1):
            try:
                return self._once(job, worker, path)
            except Stopped:
                if job.state != "running":
                    raise
        return self._once(job, worker, path)

    @staticmethod
    def _once(job: Job, worker: Worker, path: Path) -> Result:
        found: Result = worker.run("ranked", str(path), report=job.report, begin=job.begin)
        return found

    def _wait(self, job: Job) -> Worker | None:
        """A worker once it is this ranking's turn; None when it is no longer wanted."""
        with self._turn:
            self._queue.append(job)
            while (worker := self._worker_for(job)) is None and job.state == "waiting":
                self._turn.wait()
            self._queue.remove(job)
            self._turn.notify_all()
            if worker is None or job.state != "waiting":
                return None
            self._idle.remove(worker)
            job.worker = worker
            return worker

    def _worker_for(self, job: Job) -> Worker | None:
        """The worker that is there for a ranking now, if it is the next of those that it takes."""
        for worker in reversed(self._workers):  # the first is the only one for what is large
            if worker not in self._idle:
                continue
            takes = [one for one in self._queue
                     if worker is self._workers[0] or one.work <= SMALL]
            if takes and min(takes, key=lambda one: (one.work, one.started)) is job:
                return worker
        return None
