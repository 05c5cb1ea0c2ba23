"""What a worker of a cluster does with a chunk: a process of its own takes it, not the worker.

So a circuit that crashes or hangs costs what it costs at home, the worker can be of many threads
though the simulator is one a process, and nothing of what is sent is unpickled in it.
"""

from __future__ import annotations

import multiprocessing
import pickle
import threading
from collections.abc import Callable
from concurrent.futures import wait
from concurrent.futures.process import BrokenProcessPool
from functools import cache
from typing import Any

from circuits.bench.chunk import Chunk
from circuits.bench.processes import Processes

_LOOK = 0.1
"""s; so often a worker that waits looks whether its chunk is still wanted."""
_own = threading.local()


def kept(call: bytes) -> bytes:
    """What chunks share, as it is: what a task returns stays where it ran, to be fetched."""
    return call


def hosted(
    alike: Callable[[], str] | None,
    mark: str,
    about: tuple[Callable[[Chunk], Any], float, float, bool, float],
    call: bytes,
    portion: bytes,
) -> tuple[str, Any]:
    """Runs in the cluster: have a chunk done.

    Parameters
    ----------
    alike, mark :
        What must come out of it here as there, or answers would differ.
    about : tuple
        What is called with the chunk, and `timeout`, `told`, `together` and `most` of it.
    call, portion : bytes
        As in `Chunk`, the items pickled as well.

    Returns
    -------
    str, object
        ``outcomes`` with them pickled, or what went wrong: ``expired`` with an exit code,
        ``timeout``, ``broken`` with words, ``foreign`` with the name of this machine, ``raised``
        with the exception.
    """
    from pebble import ProcessExpired

    if alike is not None and _marked(alike) != mark:
        import socket

        return "foreign", socket.gethostname()
    function, timeout, told, together, most = about
    processes = _processes()
    chunk = Packed(function, call, portion, timeout, told, together, most)
    future = processes.submit(run_packed, chunk)
    wanted = _wanted()
    while not wait([future], timeout=_LOOK).done:
        if not wanted():
            _dismiss()
            return "broken", "it is not wanted any more"
    try:
        return "outcomes", future.result()
    except ProcessExpired as error:
        return "expired", error.exitcode
    except TimeoutError:
        return "timeout", None
    except BrokenProcessPool as error:
        _dismiss()
        return "broken", str(error)
    except Exception as error:  # noqa: BLE001 -- whatever it is, it is raised at home
        return "raised", error


class Packed:
    """A chunk whose items are still bytes.

    Attributes
    ----------
    most : float
        As of `Chunk`.
    """

    def __init__(
        self, function: Callable[[Chunk], Any], call: bytes, portion: bytes, timeout: float,
        told: float, together: bool, most: float,
    ) -> None:
        self.function = function
        self.parts = call, portion, timeout, told, together
        self.most = most


def run_packed(packed: Packed) -> bytes:
    """Runs in a worker's own process: the outcomes of a chunk, pickled once for the whole way."""
    call, portion, timeout, told, together = packed.parts
    outcomes = packed.function(Chunk(call, pickle.loads(portion), timeout, told, together))
    return pickle.dumps(outcomes, pickle.HIGHEST_PROTOCOL)


@cache
def _marked(alike: Callable[[], str]) -> str:
    return alike()


def _processes() -> Processes:
    """The process of this thread."""
    made: Processes | None = getattr(_own, "made", None)
    if made is None or not made.active:
        # a worker that somebody watches over is a daemon, and those may have no children
        multiprocessing.current_process().daemon = False
        made = _own.made = Processes(1)
    return made


def _dismiss() -> None:
    made: Processes | None = getattr(_own, "made", None)
    _own.made = None
    if made is not None:
        made.shutdown(cancel_futures=True)


def _wanted() -> Callable[[], bool]:
    """Whether the chunk of this thread is still wanted: a task that was cancelled says so."""
    from distributed.worker import get_worker

    worker = get_worker()
    tasks = getattr(getattr(worker, "state", None), "tasks", {})
    key = worker.get_current_task()

    def wanted() -> bool:
        task = tasks.get(key)
        return task is not None and task.state not in ("cancelled", "released", "forgotten")

    return wanted
