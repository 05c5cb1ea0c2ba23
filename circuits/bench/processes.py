"""Worker processes on this machine, behind the shape of an executor of `concurrent.futures`.

A chunk whose worker dies costs that chunk alone: pebble starts another worker. Each worker keeps
deadlines itself (`circuits.bench.chunk`); pebble's own time-out stands behind that.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import sys
import threading
import time
import weakref
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

from circuits.bench.chunk import UP, start_worker
from circuits.errors import InputError
from circuits.leftovers import own_folder, sweep_folders

COUNT_VARIABLE = "AMP_DIAGNOSE_WORKERS"
_PAUSE = 0.02
"""s that the pool's own threads sleep between two looks; its end waits for such a pause or two, and
Ctrl-C with it."""
_STARTING = 2.0
"""Seconds that are waited, at the end of a pool whose work is done, for workers to have started."""


class Processes(Executor):
    """Workers that start at once and serve until `shutdown`.

    Parameters
    ----------
    count : int
        How many.

    Attributes
    ----------
    least : int
        Items that a worker gets at a time at least, where there are so many.
    told : float
        s after which a worker tells what it has, and gives the rest back.
    lasting : bool
        Whether it serves on after it has lost what it worked at; this one breaks down then.
    """

    least = 1
    told = 0.1
    lasting = False

    def __init__(self, count: int) -> None:
        from pebble import CONSTS, ProcessPool

        CONSTS.sleep_unit = _PAUSE
        sweep_folders()
        folder, method = str(own_folder("bench")), _start_method()
        self.count = count
        self._starting = None if method == "fork" else Path(folder)
        self.context = multiprocessing.get_context(method)
        self._pool = ProcessPool(
            max_workers=count, initializer=start_worker, initargs=(folder,), context=self.context,
        )
        # Also when the pool is forgotten, and when the program ends.
        self._shut = weakref.finalize(self, _shut_down, self._pool, folder)

    @property
    def active(self) -> bool:
        """Whether it takes more, as far as is known."""
        return bool(self._pool.active)

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have a worker call a function with a chunk.

        Returns
        -------
        Future
            Raises `pebble.ProcessExpired` where the worker died, `BrokenProcessPool` where the
            pool broke down, and `TimeoutError` where a worker that hangs was ended.
        """
        (chunk,) = args
        # The alarm in the worker comes first; this is for a worker that died unnoticed.
        future: Future[Any] = self._pool.schedule(function, args=args, timeout=chunk.most)
        return future

    def look_after(self) -> None:
        """Nothing: pebble does."""

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End all workers now; with `wait` and nothing to cancel, once they have started.

        A fresh interpreter that is ended says so.
        """
        end = time.monotonic() + _STARTING
        while wait and not cancel_futures and self._starting and time.monotonic() < end:
            if len(list(self._starting.glob(f"{UP}*"))) >= self.count:
                break
            time.sleep(_PAUSE)
        self._shut()


def default_workers() -> int:
    """One worker a core that this process may use, or what AMP_DIAGNOSE_WORKERS says."""
    given = os.environ.get(COUNT_VARIABLE, "").strip()
    if given:
        if not given.isdecimal():
            raise InputError(
                f"{COUNT_VARIABLE} is {given!r}", expected="a whole number of worker processes"
            )
        return int(given)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _start_method() -> str:
    """Fork where that is safe: it costs 10 ms, a fresh interpreter some 200.

    Not from a program of several threads, whose locks a fork copies as they stand, and not once
    the simulator lives in this process. Python 3.12 and later warn of forks beside pebble's
    own threads.
    """
    methods = multiprocessing.get_all_start_methods()
    engine = sys.modules.get("circuits.bench.ngspice")
    loaded = engine is not None and engine.in_use()
    if "fork" in methods and sys.platform == "linux" and sys.version_info < (3, 12):
        if threading.active_count() == 1 and not loaded:
            return "fork"
    return "forkserver" if "forkserver" in methods else "spawn"


def _shut_down(pool: Any, folder: str) -> None:
    pool.stop()
    pool.join()
    shutil.rmtree(folder, ignore_errors=True)
