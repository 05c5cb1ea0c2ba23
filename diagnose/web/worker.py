"""A process of its own that has a bench and does one task after another.

The page's server never loads the simulator: a task that must end is ended by ending the process,
with all the workers below it, and the next task starts another.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any

from circuits.errors import AmplifierError, EngineError

Report = Callable[[str, int, int], None]
"""Progress: what is being done, how much is done, of how much."""


LIMIT = 600.0
"""Seconds that a task may simulate before it answers from what is there."""
_GRACE = 2.0
"""Seconds that a process may take to end by itself."""


class Stopped(AmplifierError):
    """A task was ended before it had an answer."""

    def __init__(self) -> None:
        super().__init__("stopped")


class Worker:
    """One process for tasks of `diagnose.web.tasks`, started when it is first needed.

    Parameters
    ----------
    workers : int or None
        Processes below it that simulate; None is one a core, 0 simulates in the process itself.
    cached : bool
        Whether what was simulated is kept in the user's store; else it is known as long as the
        process lives, so that a slider that comes back to a size need not wait.
    deadline : float
        Seconds after which a task of a process without workers is ended.
    nice : int
        By how much its processes give way to others: what takes minutes to what somebody waits
        for.
    """

    def __init__(
        self, workers: int | None, cached: bool, deadline: float = 0.0, nice: int = 0
    ) -> None:
        self._workers = workers
        self._cached = cached
        self._deadline = deadline
        self._nice = nice
        self._turn = threading.Lock()
        self._guard = threading.Lock()
        self._current: Callable[[], bool] | None = None
        self._process: Any = None
        self._pipe: Connection | None = None
        self._closed = False

    @property
    def free(self) -> bool:
        """Whether a task would begin at once."""
        return not self._turn.locked()

    def warm(self) -> None:
        """Start the process, so that the first task need not wait for that."""
        with self._turn:
            self._started()

    def run(
        self,
        task: str,
        *given: object,
        report: Report | None = None,
        begin: Callable[[], bool] | None = None,
        deadline: float = 0.0,
    ) -> Any:
        """Do a task, after those that were asked for before.

        Parameters
        ----------
        task : str
            One of `diagnose.web.tasks.TASKS`.
        *given
            What it is given.
        report : callable, optional
            Called with every step that the task reports.
        begin : callable, optional
            Called when it is this task's turn; False drops it.
        deadline : float
            Seconds after which this task is ended; 0 leaves the worker's own.

        Raises
        ------
        Stopped
            When `stop` ended it.
        AmplifierError
            As the task raised it.
        """
        with self._turn:
            if begin is not None and not begin():
                raise Stopped
            pipe = self._started()
            patience = deadline or self._deadline
            with self._guard:
                self._current = begin
            try:
                pipe.send((task, given))
                while True:
                    if patience and not pipe.poll(patience):
                        self.stop()
                        raise EngineError(f"there was no answer within {patience:g} s, so it "
                                          "was ended: this is too much to work out")
                    word, *what = pipe.recv()
                    if word == "progress" and report is not None:
                        report(*what)
                    elif word == "answer":
                        return what[0]
                    elif word == "refused":
                        raise AmplifierError(what[0])
                    elif word == "bug":
                        raise RuntimeError(what[0])
            except (EOFError, OSError):
                self._forget()
                raise Stopped from None
            finally:
                with self._guard:
                    self._current = None

    def stop(self, begin: Callable[[], bool] | None = None) -> None:
        """End what is being done, with all processes below.

        Parameters
        ----------
        begin : callable, optional
            Of the task that is meant: any other goes on.
        """
        with self._guard:
            process = self._process
            if process is None or process.pid is None:
                return
            if begin is not None and self._current is not begin:
                return
            # asked first, so that it takes its workers and their folders with it
            process.terminate()
            process.join(_GRACE)
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
            process.join(_GRACE)

    def close(self) -> None:
        """End what is being done, and begin nothing any more."""
        with self._guard:
            self._closed = True
        self.stop()

    def _started(self) -> Connection:
        with self._guard:
            if self._closed:
                raise Stopped
            if self._pipe is not None and self._process is not None and self._process.is_alive():
                return self._pipe
            self._forget()
            context = multiprocessing.get_context("spawn")
            mine, its = context.Pipe()
            given = its, self._workers, self._cached, self._nice
            process = context.Process(target=_serve, args=given)
            process.start()
            its.close()
            self._process, self._pipe = process, mine
            return mine

    def _forget(self) -> None:
        if self._pipe is not None:
            self._pipe.close()
        self._pipe = self._process = None


def _serve(pipe: Connection, workers: int | None, cached: bool, nice: int) -> None:
    """Runs in the process: tasks until the server is gone."""
    # a group of its own, which ends as a whole; the terminal's Ctrl-C is the server's to answer
    os.setsid()
    os.nice(nice)
    signal.signal(signal.SIGTERM, _ended)
    from diagnose.web.tasks import TASKS
    from faultlib.simulate import Laboratory
    from faultlib.store import Memory, Store, default_folder

    def step(what: str, done: int, total: int) -> None:
        pipe.send(("progress", what, done, total))

    with (
        contextlib.suppress(EOFError, BrokenPipeError),
        Laboratory(Store(default_folder()) if cached else Memory(), workers, limit=LIMIT) as bench,
    ):
        while True:
            task, given = pipe.recv()
            bench.restart()
            try:
                pipe.send(("answer", TASKS[task](bench, step, *given)))
            except AmplifierError as error:
                pipe.send(("refused", str(error)))
            except BrokenPipeError:
                raise
            except Exception:  # noqa: BLE001 - a bug goes to the server, which shows and logs it
                pipe.send(("bug", traceback.format_exc()))


def _ended(number: int, frame: object) -> None:
    raise SystemExit(0)
