"""Worker processes on this machine, behind the shape of an executor of `concurrent.futures`.

A chunk whose worker dies costs that chunk alone: pebble starts another worker. Each worker keeps
deadlines itself (`circuits.bench.chunk`); pebble's own time-out stands behind that, from when a
worker has taken the chunk. A pool whose workers take nothing, since they were stopped before they
could, is ended here, or whoever waits for it would wait for ever.
"""

from __future__ import annotations

import math
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
_LOOKS = 12
"""Looks in a row, one each five seconds in which nothing came back, at which no worker was at work
though something waited: then none will be (judgement; a machine may be busy when workers start)."""
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
        self._under_way = _UnderWay()
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
        self._under_way.add(future, chunk.most)
        return future

    def look_after(self) -> None:
        """End the pool where something waits and no worker is at work: it breaks down then.

        Called while nothing comes back. A worker that was stopped before it took a chunk has no
        time that could run out, and one that was stopped while it took one keeps pebble from
        ending any other.
        """
        if self._under_way.stuck(time.monotonic()):
            self._shut()

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


class _UnderWay:
    """Chunks that were sent and have not come back; it knows nothing of who serves them."""

    def __init__(self) -> None:
        self._since: dict[Future[Any], tuple[float, float]] = {}
        self._looks = 0

    def add(self, future: Future[Any], most: float) -> None:
        """One more, which a worker who lives has for so many seconds at most."""
        self._since[future] = most, math.inf
        future.add_done_callback(self._arrived)

    def _arrived(self, future: Future[Any]) -> None:
        self._since.pop(future, None)
        self._looks = 0

    def stuck(self, now: float) -> bool:
        """Whether no worker has been at work for so many looks as tell that none will be."""
        working = False
        for future, (most, since) in list(self._since.items()):
            if future.running():
                since = min(since, now)
                self._since[future] = most, since
                working |= now - since <= most
        self._looks = 0 if working or not self._since else self._looks + 1
        return self._looks >= _LOOKS


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
