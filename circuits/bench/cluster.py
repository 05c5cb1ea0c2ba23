"""More than one machine: chunks of work through a cluster of `dask.distributed`.

Behind the shape of an executor of `concurrent.futures`. What all chunks share is a task of its own,
so that it goes to each machine once and is made again where its holders have died. A chunk whose
machine dies is given to another one by the scheduler; a machine that is silent for longer than any
chunk may take is put out, and its chunks with it to others. What a worker does with a chunk stands
in `circuits.bench.host`. The guide is `circuits/bench/README.md`.

Whoever reaches a scheduler can have its workers run anything, and what comes back is unpickled
here: without certificates that is for one's own machine alone.
"""

from __future__ import annotations

import ipaddress
import itertools
import logging
import pickle
import threading
import time
import uuid
from collections.abc import Callable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from circuits.bench.chunk import LEAST, Chunk
from circuits.errors import InputError

EXPECTED = "tls://HOST:8786, tcp://127.0.0.1:8786, or local:4 for workers on this machine"
_LOCAL = "local:"
_MOST_LOCAL = 256
"""Workers that are started on one machine at most; more is a slip of the pen (judgement)."""
_PATIENCE = 10.0
"""s that a scheduler has for its first answer (judgement)."""
_FIRST = 60.0
"""s that a cluster has for its first worker: machines may be starting (judgement)."""
_ALONE = 60.0
"""s without any worker after which there is no use in waiting: machines that are started anew are
back by then (judgement)."""
_TOLD = 2.0
"""s of work by items one by one before they are told; each message costs milliseconds."""


@dataclass(frozen=True)
class Cluster:
    """Where long work goes.

    Attributes
    ----------
    address : str
        Of a scheduler, or ``local:4`` for so many workers of this machine.
    authority, certificate, key : Path or None
        Files (PEM) by which both sides know each other: all three or none.
    alike : callable, optional
        Of a module and without arguments: what is not the same in a worker makes it unfit.
    """

    address: str
    authority: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    alike: Callable[[], str] | None = None

    def __post_init__(self) -> None:
        if self.workers is None and not _looks_right(self.address):
            raise InputError(f"--cluster {self.address!r} is no address", expected=EXPECTED)
        files = [self.authority, self.certificate, self.key]
        if any(files) and (not all(files) or self.workers is not None):
            raise InputError("certificates are for a cluster elsewhere, and three files",
                             expected="--cluster-tls AUTHORITY.pem CERTIFICATE.pem KEY.pem")
        for file in files:
            if file is not None and not file.is_file():
                raise InputError(f"there is no file {file}", expected="a certificate or key (PEM)")
        if self.address.startswith("tls:") and not any(files):
            raise InputError(f"{self.address} asks for certificates",
                             expected="--cluster-tls AUTHORITY.pem CERTIFICATE.pem KEY.pem")
        if self.address.startswith("tcp:") and any(files):
            raise InputError(f"{self.address} would not use the certificates",
                             expected=self.address.replace("tcp:", "tls:", 1))

    @property
    def workers(self) -> int | None:
        """How many workers of this machine are meant; None for a scheduler elsewhere."""
        if not self.address.startswith(_LOCAL):
            return None
        count = self.address.removeprefix(_LOCAL)
        if not (count.isascii() and count.isdecimal() and 1 <= int(count) <= _MOST_LOCAL):
            raise InputError(f"--cluster {self.address!r} is no number of workers",
                             expected=f"{_LOCAL}1 to {_LOCAL}{_MOST_LOCAL}")
        return int(count)

    @property
    def warning(self) -> str:
        """What is to be said before work goes there; empty where nothing is."""
        if self.workers is not None or self.authority is not None or self._loopback:
            return ""
        return (
            f"warning: {self.address} is spoken to without certificates: whoever is in that "
            "network can read and change what goes over it, have the workers run anything, and "
            "this machine as well. --cluster-tls is against that (circuits/bench/README.md)"
        )

    @property
    def _loopback(self) -> bool:
        host = self.address.rpartition("://")[2].rpartition(":")[0].strip("[]")
        with suppress(ValueError):
            return ipaddress.ip_address(host).is_loopback
        return host.lower() == "localhost"


def _looks_right(address: str) -> bool:
    protocol, _, rest = address.rpartition("://")
    host, _, port = rest.rpartition(":")
    return (protocol in ("", "tcp", "tls") and bool(host) and not set(host) & set(" /@?#\t\n\r")
            and port.isascii() and port.isdecimal() and 0 < int(port) < 1 << 16)


class Remote(Executor):
    """A cluster that chunks go to.

    Attributes
    ----------
    count : int
        Workers there were at the start; more may come and go.
    least, told, lasting :
        As of `circuits.bench.processes.Processes`; a cluster serves on when a machine is lost.

    Raises
    ------
    InputError
        Where it cannot be reached, or has no worker.
    """

    least = LEAST
    told = _TOLD
    lasting = True

    def __init__(self, cluster: Cluster) -> None:
        distributed = _library()
        self._where = cluster
        self._made: Any = None
        self._client: Any = None
        self._name = f"amplifier-{uuid.uuid4().hex}"
        self._numbers = itertools.count()
        self._open: dict[Any, Future[Any]] = {}
        self._shared: dict[str, Any] = {}
        self._since: dict[tuple[str, str], float] = {}
        self._until: dict[str, float] = {}
        self._alone: float | None = None
        self._lock = threading.Lock()
        self._sent = threading.Event()
        self._ended = False
        self._mark = cluster.alike() if cluster.alike is not None else ""
        try:
            with _quietly():
                self._client = self._reached(distributed)
            self.count = self._counted()
        except BaseException:
            self._leave()
            raise
        self._coming = distributed.as_completed(
            loop=self._client.loop, with_results=True, raise_errors=False)
        self._teller = threading.Thread(target=self._tell, daemon=True)
        self._teller.start()

    @property
    def active(self) -> bool:
        """Whether it takes more, as far as is known."""
        return not self._ended and self._client.status in ("running", "connecting")

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have a worker call a function with a chunk.

        Returns
        -------
        Future
            Raises as that of `circuits.bench.processes.Processes` does, `BrokenProcessPool` where
            the chunk was lost with its machine.
        """
        from circuits.bench.host import hosted

        chunk: Chunk = args[0]
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        about = (function, chunk.timeout, chunk.told, chunk.together, chunk.most)
        key = f"{self._name}-{next(self._numbers)}"
        with self._lock:
            sent = self._client.submit(
                hosted, self._where.alike, self._mark, about, self._published(chunk.call),
                pickle.dumps(chunk.portion, pickle.HIGHEST_PROTOCOL), key=key, pure=False,
            )
            self._open[sent] = future
            self._until[key] = chunk.most
            self._coming.add(sent)
        self._sent.set()
        return future

    def look_after(self) -> None:
        """Put out workers that have had a chunk for longer than any may take.

        Raises
        ------
        InputError
            Where the scheduler has gone, or has had no worker for long.
        """
        try:
            held = self._client.processing()
        except (OSError, TimeoutError) as error:
            raise _gone(self._where, str(error)) from None
        now = time.monotonic()
        mine = {(worker, key): self._until[key] for worker, keys in held.items()
                for key in map(str, keys) if key in self._until}
        self._since = {one: self._since.get(one, now) for one in mine}
        for worker in {w for (w, key), at in self._since.items() if now - at > mine[w, key]}:
            self._client.run_on_scheduler(_put_out, worker=worker)
        self._alone = (self._alone or now) if not held else None
        if self._alone is not None and now - self._alone > _ALONE:
            raise _gone(self._where, "no worker is left")

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Leave the cluster; what is not done is taken back, and what runs is ended there."""
        self._leave()

    def _reached(self, distributed: Any) -> Any:
        where = self._where
        if where.workers is not None:
            self._made = distributed.LocalCluster(
                n_workers=where.workers, threads_per_worker=1, host="127.0.0.1",
                dashboard_address="127.0.0.1:0", silence_logs=logging.CRITICAL, memory_limit=0,
            )
        security = None
        if where.authority is not None:
            security = distributed.Security(
                require_encryption=True, tls_ca_file=str(where.authority),
                tls_client_cert=str(where.certificate), tls_client_key=str(where.key),
            )
        address = where.address
        if security is not None and "://" not in address:
            address = f"tls://{address}"
        try:
            return distributed.Client(self._made or address, security=security,
                                      timeout=_PATIENCE, set_as_default=False)
        except (OSError, ValueError, RuntimeError) as error:  # its time-out is an OSError
            raise InputError(f"no scheduler answers at {where.address}: {error}",
                             expected="a scheduler that runs, and the certificates that it wants"
                             ) from None

    def _counted(self) -> int:
        try:
            self._client.wait_for_workers(1, timeout=_FIRST)
        except TimeoutError:
            raise _gone(self._where, "it has no worker") from None
        threads: dict[str, int] = self._client.nthreads()
        return max(1, sum(threads.values()))

    def _published(self, call: bytes) -> Any:
        """What all chunks share, as a task: each machine fetches it once, from any that has it."""
        from circuits.bench.host import kept

        name = sha256(call).hexdigest()
        if name not in self._shared:
            self._shared.clear()
            self._shared[name] = self._client.submit(kept, call, key=f"{self._name}-of-{name}")
        return self._shared[name]

    def _tell(self) -> None:
        """Hand results over as they come in; runs in a thread of its own."""
        while not self._ended:
            self._sent.wait()
            self._sent.clear()
            for sent, result in self._coming:
                with self._lock:
                    future = self._open.pop(sent, None)
                    self._until.pop(str(sent.key), None)
                if future is not None:
                    _settle(future, sent, result, self._where)

    def _leave(self) -> None:
        self._ended = True
        self._sent.set()
        with self._lock:
            sent, self._open = list(self._open), {}
        with suppress(OSError, TimeoutError, RuntimeError), _quietly():
            if self._client is not None:
                if sent:
                    self._client.cancel(sent)
                self._client.close(timeout=2.0)
        if self._made is not None:
            with suppress(OSError, TimeoutError, RuntimeError), _quietly():
                self._made.close(timeout=5.0)


def _settle(future: Future[Any], sent: Any, result: Any, where: Cluster) -> None:
    """Put into a future what came of what was sent."""
    from pebble import ProcessExpired

    if sent.status == "finished":
        kind, content = result
        if kind == "outcomes":
            future.set_result(pickle.loads(content))
        elif kind == "expired":
            died: Exception = ProcessExpired("the worker died", code=content)  # type: ignore[no-untyped-call]
            future.set_exception(died)
        elif kind == "timeout":
            future.set_exception(TimeoutError())
        elif kind == "broken":
            future.set_exception(BrokenProcessPool(content))
        elif kind == "foreign":
            future.set_exception(InputError(
                f"a worker of {where.address} ({content}) has another version of this program, "
                "or of ngspice", expected="the same on all machines, or answers would differ"))
        else:
            future.set_exception(content)
    elif sent.status == "error":
        error = result[1] if isinstance(result, tuple) else result
        if isinstance(error, ImportError):
            future.set_exception(InputError(
                f"a worker of {where.address} lacks something: {error}",
                expected="this program, installed on every machine"))
        else:
            future.set_exception(BrokenProcessPool(str(error)))
    else:
        future.set_exception(BrokenProcessPool("the cluster has lost it"))


def _gone(where: Cluster, why: str) -> InputError:
    return InputError(f"the cluster {where.address} does no work any more: {why}",
                      expected="workers; what came in is kept, so that another run goes on there")


async def _put_out(worker: str, dask_scheduler: Any = None) -> None:
    """Runs in the scheduler: have it give to others what a worker has that is silent."""
    await dask_scheduler.remove_worker(worker, stimulus_id=f"silent-{time.time()}")


def _library() -> Any:
    try:
        import distributed
    except ImportError:
        raise InputError("work on a cluster needs the library dask.distributed",
                         expected="pip install 'amplifier-fault-diagnosis[cluster]'") from None
    return distributed


class _quietly:  # noqa: N801 -- reads as a word where it is used
    """The library's own log messages kept from the screen: what matters is told by ours."""

    def __enter__(self) -> None:
        for name in ("distributed", "tornado.application", "asyncio"):
            logger = logging.getLogger(name)
            logger.setLevel(logging.CRITICAL)
            for handler in logger.handlers:
                handler.setLevel(logging.CRITICAL)

    def __exit__(self, *_: object) -> None:
        """They stay quiet: a cluster that is closed turns them on again, and says so later."""
        self.__enter__()
