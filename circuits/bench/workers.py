"""A pool of worker processes that loses only the one item that crashes or hangs.

Any function of one item will do: nothing here knows of circuits. Items travel in chunks, which
halves the overhead; the items of a chunk whose worker died are run again one by one, so that the
bad one is named and the others keep their results. Every item has a deadline, kept by an alarm
signal in the worker itself, which ends even a loop inside a C library; pebble's own time-out
stands behind it. A worker whose simulator refused something is replaced before its next chunk.
"""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import shutil
import signal
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from circuits.errors import EngineError, EngineFault, EngineMissing, InputError
from circuits.leftovers import own_folder, sweep_folders

if TYPE_CHECKING:
    import pebble

_R = TypeVar("_R")

COUNT_VARIABLE = "AMP_DIAGNOSE_WORKERS"
_CHUNK = 20
"""Items that a worker gets at a time, at most: few messages, and progress still moves
(judgement)."""
_LEAST = 25
"""Items that are worth taking together, at least, where there are so many (judgement)."""
_EACH = 0.05
"""Of the time that an item may take, what each further one may that is taken together with it."""
_TOLD = 0.1
"""s; after so long a worker tells what it has of its items and gives the others back: whoever keeps
outcomes loses no more by a kill (judgement)."""
_PAUSE = 0.02
"""s that the pool's own threads sleep between two looks; its end waits for such a pause or two, and
Ctrl-C with it."""
_MEMORY = 4 << 30
"""Bytes of address space a worker may take."""
_RETIRED = 93
"""Exit code of a worker that will not take another chunk; it has not touched the one it got."""
_TRIES = 3
"""Times that a chunk is sent where the pool broke down under it, before its items are failures."""
_FROM_OUTSIDE = (-9, -15)
"""Exit codes of a worker that somebody ended (SIGKILL, SIGTERM): none of its items did it."""
_NOTHING = object()
_HOME = "home"
"""In the folder of a pool: where its workers are at home, empty."""
_UP = "up-"
"""How the name of a file begins by which a worker says that it has started."""
_STARTING = 2.0
"""Seconds that are waited for that at the end of a pool whose work is done."""
_PATIENCE = 5.0
"""s; so often a wait looks whether the pool still lives."""
_retired = False


@dataclass(frozen=True)
class Failure:
    """Why an item has no value.

    Attributes
    ----------
    kind : str
        "crash" (its worker died), "timeout" (it ran past its deadline), "error" (an
        `EngineError` was raised) or "late" (there was no time left for it).
    text : str
        What happened, in words.
    """

    kind: Literal["crash", "timeout", "error", "late"]
    text: str


@dataclass(frozen=True)
class _Call:
    """A function with what all its calls share, and how many items it takes at a time."""

    function: Callable[..., Any]
    leading: tuple[Any, ...]
    together: int

    def size(self, items: int, workers: int) -> int:
        """How many of some items go to a worker at a time."""
        if self.together:
            share = math.ceil(items / (2 * max(workers, 1)))
            return min(self.together, max(_LEAST, share)) if workers else self.together
        return max(1, min(_CHUNK, math.ceil(items / (4 * workers)))) if workers else 1


@dataclass
class _Chunk:
    """Some items by their index, and how often they were sent out."""

    indexes: list[int]
    tries: int = field(default=0)


class Pool:
    """Workers that start with the first `map` and serve until `close`.

    Parameters
    ----------
    workers : int, optional
        How many; by default one for every core this process may use, or the number in the
        environment variable AMP_DIAGNOSE_WORKERS. 0 runs everything in this process, without
        deadlines.
    timeout : float
        Seconds that one item may take.
    """

    def __init__(self, workers: int | None = None, timeout: float = 10.0) -> None:
        self.workers = default_workers() if workers is None else workers
        self.timeout = timeout
        self._pool: pebble.ProcessPool | None = None
        self._shut: weakref.finalize[[Any, str], Pool] | None = None
        self._starting: Path | None = None

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self._wait_for_all()
        self.close()

    def _wait_for_all(self) -> None:
        """Wait for workers that are still starting: a fresh interpreter that is ended says so."""
        end = time.monotonic() + _STARTING
        while self._starting is not None and time.monotonic() < end:
            if len(list(self._starting.glob(f"{_UP}*"))) >= self.workers:
                break
            time.sleep(_PAUSE)
        self._starting = None

    def map(
        self,
        function: Callable[..., _R],
        items: Sequence[Any],
        progress: Callable[[int, int], None] | None = None,
        shared: object = _NOTHING,
        until: float = math.inf,
        arrived: Callable[[Sequence[tuple[int, _R | Failure]]], None] | None = None,
        together: int = 0,
    ) -> list[_R | Failure]:
        """Call a function on every item.

        Parameters
        ----------
        function : callable
            Importable by name; called as `function(item)`, or `function(shared, item)`.
        items : sequence
            What to work on; each should be small, because it is sent to a process.
        progress : callable, optional
            Called in this process with the number of items done and of all.
        shared : object, optional
            What all calls need: sent once a chunk.
        until : float
            When to stop, on the clock of `time.monotonic`; what is not done then is late.
        arrived : callable, optional
            Called in this process with indexes and outcomes as they come in.
        together : int
            Where it is more than 0, the function takes so many items at a time, as a list, and
            returns of each its outcome or an `EngineError`.

        Returns
        -------
        list
            A value or a `Failure` for each item, in order.

        Raises
        ------
        Exception
            Whatever `function` raises beside `EngineError` is a bug and comes through, as does
            `EngineMissing`; it stops the pool, as an interrupt does, and no worker is left behind.
        """
        outcomes: list[Any] = [None] * len(items)
        done = 0
        call = _Call(function, () if shared is _NOTHING else (shared,), together)
        try:
            arrivals = (
                self._outcomes(call, items, until) if self.workers else _here(call, items, until)
            )
            for some in arrivals:
                if arrived is not None:
                    arrived(some)
                for index, outcome in some:
                    outcomes[index] = outcome
                    done += 1
                    if progress is not None:
                        progress(done, len(items))
        except BaseException:
            self.close()
            raise
        return outcomes

    def close(self) -> None:
        """End all workers now. The next `map` starts new ones."""
        self._pool = None
        if self._shut is not None:
            self._shut()
            self._shut = None

    def _outcomes(
        self, call: _Call, items: Sequence[Any], until: float
    ) -> Iterator[list[tuple[int, Any]]]:
        """Index and outcome of items as they arrive."""
        if time.monotonic() >= until:
            yield [(k, _late()) for k in range(len(items))]
            return
        from pebble import ProcessExpired

        size = call.size(len(items), self.workers)
        waiting: dict[Any, tuple[_Chunk, pebble.ProcessPool]] = {}

        def send(chunk: _Chunk) -> None:
            chunk.tries += 1
            portion = [(k, items[k]) for k in chunk.indexes]
            # The alarm in the worker comes first; this is for a worker that died unnoticed.
            backstop = self.timeout * len(portion) + 5.0
            pool = self._started()
            future = pool.schedule(_run_chunk, args=(call, portion, self.timeout), timeout=backstop)
            waiting[future] = chunk, pool

        for start in range(0, len(items), size):
            send(_Chunk(list(range(start, min(start + size, len(items))))))
        while waiting:
            left = max(until - time.monotonic(), 0.0)
            arrived, _ = wait(waiting, timeout=min(_PATIENCE, left), return_when=FIRST_COMPLETED)
            if not arrived and time.monotonic() >= until:
                # what is running is ended as well: one item may take longer than all is worth
                self.close()
                yield [(k, _late()) for chunk, _ in waiting.values() for k in chunk.indexes]
                return
            if not arrived:
                # A pool that broke down may leave its futures open for ever.
                arrived = {future for future, (_, pool) in waiting.items() if not pool.active}
            for future in arrived:
                chunk, pool = waiting.pop(future)
                try:
                    if not future.done():
                        raise BrokenProcessPool("the pool of workers broke down")
                    results = future.result()
                except ProcessExpired as error:
                    if error.exitcode == _RETIRED:
                        chunk.tries -= 1
                        send(chunk)
                        continue
                    if error.exitcode in _FROM_OUTSIDE and chunk.tries < _TRIES - 1:
                        # as it was: what is solved together is then rounded as it would have been
                        send(chunk)
                        continue
                    failure = _expired(error.exitcode, self.timeout)
                except BrokenProcessPool as error:
                    if pool is self._pool:
                        self.close()
                    if chunk.tries < _TRIES:
                        send(chunk)
                        continue
                    failure = Failure("crash", str(error))
                except TimeoutError:
                    failure = Failure("timeout", f"no result within {self.timeout:g} s")
                else:
                    yield results
                    # A worker that retires, or has told what it has, gives the rest back.
                    rest = chunk.indexes[len(results) :]
                    if rest:
                        send(_Chunk(rest))
                    continue
                if len(chunk.indexes) == 1:
                    yield [(chunk.indexes[0], failure)]
                else:
                    for index in chunk.indexes:
                        send(_Chunk([index]))

    def _started(self) -> pebble.ProcessPool:
        if self._pool is not None and not self._pool.active:
            self.close()
        if self._pool is None:
            from pebble import CONSTS, ProcessPool

            CONSTS.sleep_unit = _PAUSE
            sweep_folders()
            folder, method = str(own_folder("bench")), _start_method()
            self._starting = None if method == "fork" else Path(folder)
            self._pool = ProcessPool(
                max_workers=self.workers,
                initializer=_start_worker,
                initargs=(folder,),
                context=multiprocessing.get_context(method),
            )
            # Also when the pool is forgotten, and when the program ends.
            self._shut = weakref.finalize(self, _shut_down, self._pool, folder)
        return self._pool


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


def _late() -> Failure:
    return Failure("late", "no time was left")


def _expired(code: int | None, timeout: float) -> Failure:
    if code is not None and code < 0:
        if hasattr(signal, "SIGALRM") and code == -signal.SIGALRM:
            return Failure("timeout", f"no result within {timeout:g} s")
        with contextlib.suppress(ValueError):
            return Failure("crash", f"the worker died of {signal.Signals(-code).name}")
    return Failure("crash", f"the worker ended with exit code {code}")


# -- in the worker ---------------------------------------------------------------------------------


def _start_worker(folder: str) -> None:
    """Make a new worker clean and bounded."""
    global _retired
    _retired = False
    # The parent alone answers Ctrl-C; when it says stop, even a C library stops at once.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    home = Path(folder, _HOME)
    home.mkdir(exist_ok=True)
    os.environ["HOME"] = str(home)
    # Heeded where numpy is not yet imported; one thread a worker is what the cores hold.
    os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    os.chdir(home)
    Path(folder, f"{_UP}{os.getpid()}").touch()
    if sys.platform != "win32":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        limit = _MEMORY if hard == resource.RLIM_INFINITY else min(_MEMORY, hard)
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


def _run_chunk(
    call: _Call, portion: Sequence[tuple[int, Any]], timeout: float
) -> list[tuple[int, Any]]:
    """Outcomes of a chunk, cut short where this worker should not go on."""
    if _retired:
        # pebble must have noted who holds the chunk before its holder goes.
        time.sleep(0.02)
        os._exit(_RETIRED)
    if call.together:
        with _deadline(timeout * (1.0 + _EACH * (len(portion) - 1))):
            return _attempt_all(call, portion)
    results: list[tuple[int, Any]] = []
    end = time.monotonic() + _TOLD
    for index, item in portion:
        with _deadline(timeout):
            results.append(_attempt(call, index, item))
        if _retired or time.monotonic() > end:
            break
    return results


def _attempt(call: _Call, index: int, item: Any) -> tuple[int, Any]:
    return index, _tried(lambda: call.function(*call.leading, item))


def _attempt_all(call: _Call, portion: Sequence[tuple[int, Any]]) -> list[tuple[int, Any]]:
    """Outcomes of items that a function takes together."""
    indexes = [index for index, _ in portion]
    outcomes = _tried(lambda: call.function(*call.leading, [item for _, item in portion]))
    if isinstance(outcomes, Failure):
        return [(index, outcomes) for index in indexes]
    return [(index, _failed(outcome) if isinstance(outcome, EngineError) else outcome)
            for index, outcome in zip(indexes, outcomes, strict=True)]


def _tried(work: Callable[[], Any]) -> Any:
    global _retired
    try:
        return work()
    except EngineMissing:
        # No item would fare better: the one clear message goes to the user.
        raise
    except EngineError as error:
        return _failed(error)
    except MemoryError:
        _retired = True
        return Failure("crash", "out of memory")


def _failed(error: EngineError) -> Failure:
    global _retired
    _retired = _retired or isinstance(error, EngineFault)
    return Failure("error", str(error))


def _here(call: _Call, items: Sequence[Any], until: float) -> Iterator[list[tuple[int, Any]]]:
    """Outcomes in this process, without deadlines."""
    size = call.size(len(items), 0)
    for start in range(0, len(items), size):
        portion = list(enumerate(items[start : start + size], start))
        if time.monotonic() >= until:
            yield [(k, _late()) for k, _ in portion]
        elif call.together:
            yield _attempt_all(call, portion)
        else:
            yield [_attempt(call, k, item) for k, item in portion]


@contextlib.contextmanager
def _deadline(seconds: float) -> Iterator[None]:
    """Die of SIGALRM unless done in time: no other means ends a loop in a C library."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
    else:
        yield
