"""What a worker does with some items: each in its time, and what goes wrong told of by item.

Any function of one item will do: nothing here knows of circuits. Every item has a deadline, kept
by an alarm signal in the worker itself, which ends even a loop inside a C library. A worker whose
simulator refused something, or who has no memory left, takes no further chunk.
"""

from __future__ import annotations

import contextlib
import math
import os
import pickle
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, TypeAlias

from circuits.errors import EngineError, EngineFault, EngineMissing

Outcomes: TypeAlias = list[tuple[int, Any]]
"""Places of items, and a value or a `Failure` of each."""

RETIRED = 93
"""Exit code of a worker that will not take another chunk; it has not touched the one it got."""
_CHUNK = 20
"""Items that a worker gets at a time, at most, where it takes them one by one: few messages, and
progress still moves (judgement)."""
LEAST = 25
"""Items that are worth taking together, at least, where there are so many (judgement)."""
_SHARES = 8
"""Chunks that items which are taken together make, at least, where each holds `LEAST` (judgement):
who counted workers here would have answers that hang on how many there are, in their last digits,
since those hang on which units are solved together."""
_EACH = 0.05
"""Of the time that an item may take, what each further one may that is taken together with it."""
_GRACE = 10.0
"""s more than that, after which a worker that has not died of its alarm is thought to hang."""
_MEMORY = 4 << 30
"""Bytes of address space a worker may take."""
_HOME = "home"
"""In the folder of a pool: where its workers are at home, empty."""
UP = "up-"
"""How the name of a file begins by which a worker says that it has started."""
ALARMED = hasattr(signal, "setitimer")
"""Whether a worker whose item takes too long dies of it by itself."""
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


def late() -> Failure:
    """What is said of an item that no time was left for."""
    return Failure("late", "no time was left")


def expired(code: int | None, timeout: float) -> Failure:
    """What is said of an item whose worker ended with an exit code."""
    if code is not None and code < 0:
        if hasattr(signal, "SIGALRM") and code == -signal.SIGALRM:
            return Failure("timeout", f"no result within {timeout:g} s")
        with contextlib.suppress(ValueError):
            return Failure("crash", f"the worker died of {signal.Signals(-code).name}")
    return Failure("crash", f"the worker ended with exit code {code}")


@dataclass(frozen=True)
class Call:
    """A function with what all its calls share, and how many items it takes at a time."""

    function: Callable[..., Any]
    leading: tuple[Any, ...]
    together: int

    def size(self, items: int, workers: int, least: int = 1) -> int:
        """How many of some items go to a worker at a time.

        Parameters
        ----------
        workers : int
            0 for this process.
        least : int
            Of items that are taken one by one; what is taken together hangs on the items alone.
        """
        if self.together:
            share = math.ceil(items / _SHARES)
            return min(self.together, max(LEAST, share)) if workers else self.together
        most = max(_CHUNK, least)
        return max(least, min(most, math.ceil(items / (4 * workers)))) if workers else 1


@dataclass(frozen=True)
class Chunk:
    """What is sent to a worker.

    Attributes
    ----------
    call : bytes
        A `Call`, pickled once for all chunks, and unpickled once in each worker.
    portion : sequence of (int, object)
        Places and items.
    timeout : float
        s that one item may take.
    told : float
        s after which what is done of items that are taken one by one is told, and the rest given
        back: whoever keeps outcomes loses no more by a kill.
    together : bool
        Whether the function takes all of them at once.
    """

    call: bytes
    portion: Sequence[tuple[int, Any]]
    timeout: float
    told: float
    together: bool

    @property
    def most(self) -> float:
        """Seconds that a worker who lives may take for it."""
        if self.together:
            return self.timeout * share(len(self.portion)) + _GRACE
        return self.told + self.timeout + _GRACE


def share(items: int) -> float:
    """Times as long as one item may take, that so many may which are taken together."""
    return 1.0 + _EACH * (items - 1)


def start_worker(folder: str) -> None:
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
    Path(folder, f"{UP}{os.getpid()}").touch()
    if sys.platform != "win32":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        limit = _MEMORY if hard == resource.RLIM_INFINITY else min(_MEMORY, hard)
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))


@lru_cache(maxsize=2)
def _unpacked(call: bytes) -> Call:
    made: Call = pickle.loads(call)
    return made


def run_chunk(chunk: Chunk) -> Outcomes:
    """Outcomes of a chunk, cut short where this worker should not go on."""
    if _retired:
        # whoever sent it must have noted who holds the chunk before its holder goes
        time.sleep(0.02)
        os._exit(RETIRED)
    call = _unpacked(chunk.call)
    if call.together:
        with deadline(chunk.timeout * share(len(chunk.portion))):
            return attempt_all(call, chunk.portion)
    results: Outcomes = []
    end = time.monotonic() + chunk.told
    for index, item in chunk.portion:
        with deadline(chunk.timeout):
            results.append(attempt(call, index, item))
        if _retired or time.monotonic() > end:
            break
    return results


def here(call: Call, items: Sequence[Any], until: float) -> Iterator[Outcomes]:
    """Outcomes in this process, without deadlines."""
    size = call.size(len(items), 0)
    for start in range(0, len(items), size):
        portion = list(enumerate(items[start : start + size], start))
        if time.monotonic() >= until:
            yield [(k, late()) for k, _ in portion]
        elif call.together:
            yield attempt_all(call, portion)
        else:
            yield [attempt(call, k, item) for k, item in portion]


def attempt(call: Call, index: int, item: Any) -> tuple[int, Any]:
    """The outcome of one item."""
    return index, _tried(lambda: call.function(*call.leading, item))


def attempt_all(call: Call, portion: Sequence[tuple[int, Any]]) -> Outcomes:
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


@contextlib.contextmanager
def deadline(seconds: float) -> Iterator[None]:
    """Die of SIGALRM unless done in time: no other means ends a loop in a C library."""
    if ALARMED:
        signal.setitimer(signal.ITIMER_REAL, seconds)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
    else:
        yield
