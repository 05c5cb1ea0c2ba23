"""A pool of workers that loses only the one item that crashes or hangs.

Who works is an executor in the shape of `concurrent.futures`: processes of this machine
(`circuits.bench.processes`), or a cluster (`circuits.bench.cluster`). Items travel in chunks, which
halves the overhead and more; the items of a chunk whose worker died of it are run again one by one,
so that the bad one is named and the others keep their results. A chunk that was lost with its
machine is sent again as it is, so that answers do not hang on that.
"""

from __future__ import annotations

import math
import pickle
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, TypeVar

from circuits.bench import chunk as chunks
from circuits.bench.chunk import Call, Chunk, Outcomes, run_chunk
from circuits.bench.chunk import Failure as Failure
from circuits.bench.cluster import Cluster, Remote
from circuits.bench.processes import COUNT_VARIABLE as COUNT_VARIABLE
from circuits.bench.processes import Processes
from circuits.bench.processes import default_workers as default_workers

_R = TypeVar("_R")

_TRIES = 3
"""Times that a chunk is sent where the pool broke down under it, before its items are failures."""
_FROM_OUTSIDE = (-9, -15)
"""Exit codes of a worker that somebody ended (SIGKILL, SIGTERM): none of its items did it."""
_NOTHING = object()
_PATIENCE = 5.0
"""s; so often a wait looks whether the pool still lives."""


@dataclass
class _Part:
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
    cluster : Cluster, optional
        Who works in place of processes of this machine; `workers` counts for nothing then.
    """

    def __init__(
        self, workers: int | None = None, timeout: float = 10.0, cluster: Cluster | None = None
    ) -> None:
        self.workers = default_workers() if workers is None else workers
        self.timeout = timeout
        self._cluster = cluster
        self._executor: Processes | Remote | None = None

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None and self._executor is not None:
            self._executor.shutdown()
        self.close()

    def map(
        self,
        function: Callable[..., _R],
        items: Sequence[Any],
        progress: Callable[[int, int], None] | None = None,
        shared: object = _NOTHING,
        until: float = math.inf,
        arrived: Callable[[Sequence[tuple[int, _R | Failure]]], None] | None = None,
        together: int = 0,
        patience: float = 0.0,
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
            What all calls need: made ready to be sent once, and once to each machine.
        until : float
            When to stop, on the clock of `time.monotonic`; what is not done then is late.
        arrived : callable, optional
            Called in this process with indexes and outcomes as they come in.
        together : int
            Where it is more than 0, the function takes so many items at a time, as a list, and
            returns of each its outcome or an `EngineError`.
        patience : float
            Where it is more than 0, items are long: each goes to a worker by itself, and may take
            so many seconds.

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
        call = Call(function, () if shared is _NOTHING else (shared,), together)
        elsewhere = self.workers or self._cluster is not None
        try:
            arrivals = (
                self._outcomes(call, items, until, patience) if elsewhere
                else chunks.here(call, items, until)
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
        """End all workers now, and take back what a cluster has. The next `map` starts anew."""
        executor, self._executor = self._executor, None
        if executor is not None:
            executor.shutdown(cancel_futures=True)

    def _outcomes(
        self, call: Call, items: Sequence[Any], until: float, patience: float
    ) -> Iterator[Outcomes]:
        """Index and outcome of items as they arrive."""
        timeout = patience or self.timeout
        if not items:
            return
        if time.monotonic() >= until:
            yield [(k, chunks.late()) for k in range(len(items))]
            return
        from pebble import ProcessExpired

        packed = pickle.dumps(call, pickle.HIGHEST_PROTOCOL)
        waiting: dict[Future[Any], tuple[_Part, Processes | Remote]] = {}

        def send(part: _Part) -> None:
            part.tries += 1
            executor = self._started()
            portion = [(k, items[k]) for k in part.indexes]
            chunk = Chunk(packed, portion, timeout, executor.told, call.together > 0)
            waiting[executor.submit(run_chunk, chunk)] = part, executor

        executor = self._started()
        size = 1 if patience else call.size(len(items), executor.count, executor.least)
        for start in range(0, len(items), size):
            send(_Part(list(range(start, min(start + size, len(items))))))
        while waiting:
            left = max(until - time.monotonic(), 0.0)
            arrived, _ = wait(waiting, timeout=min(_PATIENCE, left), return_when=FIRST_COMPLETED)
            if not arrived and time.monotonic() >= until:
                # what is running is ended as well: one item may take longer than all is worth
                self.close()
                yield [(k, chunks.late()) for part, _ in waiting.values() for k in part.indexes]
                return
            if not arrived:
                # A pool that broke down may leave its futures open for ever.
                if self._executor is not None:
                    self._executor.look_after()
                arrived = {future for future, (_, one) in waiting.items() if not one.active}
            for future in arrived:
                part, executor = waiting.pop(future)
                try:
                    if not future.done():
                        raise BrokenProcessPool("the pool of workers broke down")
                    results = future.result()
                except ProcessExpired as error:
                    if error.exitcode == chunks.RETIRED:
                        part.tries -= 1
                        send(part)
                        continue
                    if error.exitcode in _FROM_OUTSIDE and part.tries < _TRIES - 1:
                        # as it was: what is solved together is then rounded as it would have been
                        send(part)
                        continue
                    failure = chunks.expired(error.exitcode, timeout)
                except BrokenProcessPool as error:
                    if executor is self._executor and not executor.lasting:
                        self.close()
                    if part.tries < _TRIES:
                        send(part)
                        continue
                    failure = Failure("crash", str(error))
                except TimeoutError:
                    if chunks.ALARMED and part.tries < _TRIES - 1:
                        # one that only takes long dies of its own alarm before: this was stopped
                        send(part)
                        continue
                    failure = Failure("timeout", f"no result within {timeout:g} s")
                else:
                    yield results
                    # A worker that retires, or has told what it has, gives the rest back.
                    rest = part.indexes[len(results) :]
                    if rest:
                        send(_Part(rest))
                    continue
                if len(part.indexes) == 1:
                    yield [(part.indexes[0], failure)]
                else:
                    for index in part.indexes:
                        send(_Part([index]))

    def _started(self) -> Processes | Remote:
        if self._executor is not None and not self._executor.active:
            self.close()
        if self._executor is None:
            self._executor = (
                Processes(self.workers) if self._cluster is None else Remote(self._cluster)
            )
        return self._executor
