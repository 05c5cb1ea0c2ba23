"""A real scheduler and workers on loopback, with certificates: same answers, whoever dies.

Closed forms and facts of the operating system serve as reference, and the same work at home.
"""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from circuits.bench import chunk, cluster, workers
from circuits.bench.cluster import Cluster
from circuits.bench.workers import Failure, Pool
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.cli.main import main
from faultlib.aside import each_aside
from faultlib.catalogue import hypotheses
from faultlib.machines import machines
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from faultlib.tolerance import draw
from faultlib.variant import Fault, Variant, unit
from tests.circuits.chores import endless, own, slow, summed, trouble
from tests.faultlib.test_aside import asked

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals and /proc")


# -- words, without a cluster ----------------------------------------------------------------------


@pytest.mark.parametrize(("address", "words"), [
    ("somewhere", "no address"), ("http://a:1", "no address"), ("tcp://:1", "no address"),
    ("tcp://a:0", "no address"), ("a:b", "no address"), ("a:70000", "no address"),
    ("a b:1", "no address"), ("tcp://a:1\n", "no address"), ("local:0", "number of workers"),
    ("local:x", "number of workers"), ("local:", "number of workers"),
    ("tls://a:1", "asks for certificates"),
])
def test_what_is_no_address_is_told(address: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        machines(address)


@pytest.mark.parametrize(("address", "warned"), [
    ("local:2", False), ("127.0.0.1:8786", False), ("tcp://[::1]:8786", False),
    ("tcp://localhost:8786", False), ("tcp://192.0.2.7:8786", True), ("bench.example:8786", True),
])
def test_a_network_without_certificates_is_warned_of(address: str, warned: bool) -> None:
    """Addresses for documents (RFC 5737, RFC 2606); loopback is of this machine (RFC 1122)."""
    assert bool(machines(address).warning) == warned


def test_certificates_are_three_files_and_go_with_tls(tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("a.pem", "b.pem", "c.pem")]
    with pytest.raises(InputError, match=r"no file .*a\.pem"):
        machines("a:1", files)
    for file in files:
        file.touch()
    assert machines("192.0.2.7:8786", files).warning == ""
    with pytest.raises(InputError, match="would not use"):
        machines("tcp://a:1", files)
    with pytest.raises(InputError, match="elsewhere"):
        machines("local:2", files)


def test_without_the_library_one_message_says_how_to_install_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = ["study", str(DATA / "coupling.yaml"), "C1:capacitance loss", "--no-cache"]
    assert main([*words, "--cluster", "local:1"]) == 2
    assert "amplifier-fault-diagnosis[cluster]" in capsys.readouterr().err
    assert main([*words, "--cluster-tls", "a", "b", "c"]) == 2
    assert "--cluster ADDRESS" in capsys.readouterr().err


# -- with one --------------------------------------------------------------------------------------


class Machines:
    """A scheduler and its workers, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files = certificates(folder)
        self.scheduler = folder / "scheduler.json"
        self.processes = [self._start(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", str(self.scheduler),
        )]

    def worker(self, *more: str) -> subprocess.Popen[bytes]:
        made = self._start(
            "worker", "--scheduler-file", str(self.scheduler), "--host", "127.0.0.1",
            "--nthreads", "1", "--no-dashboard", "--local-directory", str(self.folder), *more)
        self.processes.append(made)
        return made

    def cluster(self, alike: Any = None) -> Cluster:
        import json

        end = time.monotonic() + 60.0
        while not self.scheduler.exists() and time.monotonic() < end:
            time.sleep(0.05)
        address = json.loads(self.scheduler.read_text())["address"]
        assert address.startswith("tls://127.0.0.1:")
        return Cluster(address, *self.files, alike=alike)

    def _start(self, kind: str, *words: str) -> subprocess.Popen[bytes]:
        authority, certificate, key = map(str, self.files)
        return subprocess.Popen(
            [sys.executable, "-m", "dask", kind, *words, "--tls-ca-file", authority,
             "--tls-cert", certificate, "--tls-key", key],
            env=os.environ | {"PYTHONPATH": str(ROOT)}, cwd=self.folder,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )

    def close(self) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()


def certificates(folder: Path) -> list[Path]:
    """A certificate that vouches for itself, as authority and for all."""
    certificate, key = folder / "cluster.pem", folder / "cluster.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", "/CN=demo cluster", "-keyout", str(key),
         "-out", str(certificate)], check=True, capture_output=True, timeout=60)
    return [certificate, certificate, key]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    pytest.importorskip("distributed")
    all_of_them = Machines(tmp_path_factory.mktemp("cluster"))
    # one that somebody watches over, which is a daemon, and one by itself
    all_of_them.worker("--nanny")
    all_of_them.worker("--no-nanny")
    yield all_of_them
    all_of_them.close()


def joined(pool: Pool, count: int) -> None:
    remote = pool._started()
    assert isinstance(remote, cluster.Remote)
    remote._client.wait_for_workers(count, timeout=60)


def gone(process: int, seconds: float = 10.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    return False


@pytest.mark.slow
def test_answers_are_those_at_home_to_the_last_digit(made: Machines) -> None:
    """And what a closed form says: a high-pass of coupling capacitor and resistances."""
    stage = load_stage("line-two-transistor")
    random = np.random.default_rng(5)
    faults = [h.drawn(u) for h in hypotheses(stage) for u in (0.3, 0.8)][:60]
    variants = [Variant((one,), draw(stage, random)) for one in faults]
    readings = [Reading("gain", frequency=20.0), Reading("gain", frequency=1e3),
                *(Reading("dc voltage", at=node) for node in stage.nodes[:5])]
    small = load_stage(DATA / "coupling.yaml")
    losses = [Variant((Fault("C1", "capacitance loss", s),)) for s in (0.7, 0.3, 0.1)]
    with Laboratory(Memory(), workers=2) as home:
        expected = home.values(stage, variants, readings)
    with Laboratory(Memory(), cluster=made.cluster()) as far:
        # what a worker did before must not show
        first = far.values(small, losses, readings[:1])
        far.values(stage, variants[40:] + variants[:20], readings[:-1])
        found = far.values(stage, variants, readings)
    np.testing.assert_array_equal(found.values, expected.values)
    assert np.isfinite(found.values).any()
    assert found.problems == expected.problems
    for loss, value in zip(losses, first.values[:, 0], strict=True):
        part = unit(small, loss).part("C1")
        assert part.value is not None
        total = complex(10e3 + part.esr, -1.0 / (2.0 * math.pi * 20.0 * part.value))
        assert value == pytest.approx(20.0 * math.log10(10e3 / abs(total)), abs=1e-4)


@pytest.mark.slow
def test_only_the_bad_items_are_lost(made: Machines) -> None:
    items = [*range(30), "exit", "hang", *range(32, 55), "fault", "segfault"]
    with Pool(timeout=1.0, cluster=made.cluster()) as pool:
        outcomes = pool.map(trouble, items)
        with pytest.raises(KeyError, match="ours"):
            pool.map(trouble, [1, "bug"])
        # what is taken together comes in chunks of 25 and more, none of them by itself
        sizes = pool.map(summed, list(range(60)), shared=1, together=400)
    failures = {item: one for item, one in zip(items, outcomes, strict=True)
                if isinstance(one, Failure)}
    assert {item: one.kind for item, one in failures.items()} == {
        "exit": "crash", "hang": "timeout", "fault": "error", "segfault": "crash",
    }
    assert "exit code 7" in failures["exit"].text
    assert "SIGSEGV" in failures["segfault"].text
    assert [o for o in outcomes if not isinstance(o, Failure)] == [
        2 * i for i in items if isinstance(i, int)]
    assert sizes == [25 * 1000 + 1] * 25 + [25 * 1000 + 26] * 25 + [10 * 1000 + 51] * 10


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_costs_nothing(made: Machines) -> None:
    """Each item arrives once, in its place, though one of two workers dies of SIGKILL."""
    victim = made.worker("--no-nanny")
    seen: list[int] = []

    def arrived(some: Any) -> None:
        if not seen:
            victim.kill()
        seen.extend(index for index, _ in some)

    with Pool(cluster=made.cluster()) as pool:
        joined(pool, 3)
        outcomes = pool.map(slow, list(range(120)), arrived=arrived)
    assert victim.wait(10) == -signal.SIGKILL
    assert [o[0] for o in outcomes if not isinstance(o, Failure)] == list(range(120))
    assert sorted(seen) == list(range(120))


@pytest.mark.slow
def test_a_worker_that_is_silent_is_put_out(
    made: Machines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped by SIGSTOP it holds its connections, as a machine that hangs does."""
    monkeypatch.setattr(chunk, "_GRACE", 0.5)
    monkeypatch.setattr(workers, "_PATIENCE", 0.3)
    monkeypatch.setattr(cluster, "_TOLD", 0.5)
    victim = made.worker("--no-nanny")
    stopped: list[float] = []

    def arrived(some: Any) -> None:
        if not stopped:
            victim.send_signal(signal.SIGSTOP)
            stopped.append(time.monotonic())

    with Pool(timeout=1.0, cluster=made.cluster()) as pool:
        joined(pool, 3)
        outcomes = pool.map(slow, list(range(120)), arrived=arrived)
    victim.kill()
    assert [o[0] for o in outcomes if not isinstance(o, Failure)] == list(range(120))


@pytest.mark.slow
def test_ctrl_c_ends_what_runs_elsewhere(made: Machines, tmp_path: Path) -> None:
    """The signal comes as soon as something runs, wherever the scheduler has put it."""
    pressed: list[float] = []

    def press() -> None:
        while not list(tmp_path.iterdir()):
            time.sleep(0.02)
        pressed.append(time.monotonic())
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    threading.Thread(target=press, daemon=True).start()
    try:
        with pytest.raises(KeyboardInterrupt), Pool(timeout=300.0, cluster=made.cluster()) as pool:
            pool.map(endless, list(range(50)), shared=str(tmp_path))
    finally:
        signal.signal(signal.SIGINT, before)
    ended = time.monotonic()
    running = [int(path.name) for path in tmp_path.iterdir()]
    assert running
    assert all(gone(process) for process in running)
    assert ended - pressed[0] < 30.0


@pytest.mark.slow
def test_a_worker_of_another_version_is_refused(made: Machines) -> None:
    with pytest.raises(InputError, match="another version"):
        Pool(cluster=made.cluster(alike=own)).map(trouble, [1, 2, 3])


@pytest.mark.slow
def test_pieces_that_simulate_as_they_go_come_out_as_at_home(made: Machines) -> None:
    """To the last digit, and with as much that had to be simulated for each."""
    stage, owns = load_stage(DATA / "coupling.yaml"), [0.21 + 0.05 * k for k in range(7)]
    with Laboratory(Memory(), 1) as bench:
        here = each_aside(bench, asked, stage, owns)
    with Laboratory(Memory(), cluster=made.cluster()) as bench:
        there = each_aside(bench, asked, stage, owns)
    assert len(here) == len(owns)
    assert there == here


@pytest.mark.slow
def test_a_command_says_the_same_from_there(
    made: Machines, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["study", str(DATA / "coupling.yaml"), "C1:capacitance loss", "--no-cache", "--json"]
    assert main(words) == 0
    expected = capsys.readouterr().out
    where = made.cluster()
    files = [str(where.authority), str(where.certificate), str(where.key)]
    assert main([*words, "--cluster", where.address, "--cluster-tls", *files]) == 0
    shown = capsys.readouterr()
    assert shown.out == expected
    assert "warning" not in shown.err


@pytest.mark.slow
def test_nobody_gets_in_without_a_certificate(
    made: Machines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "_PATIENCE", 0.5)
    plain = Cluster(made.cluster().address.replace("tls:", "tcp:"))
    with pytest.raises(InputError, match="no scheduler answers"):
        Pool(cluster=plain).map(trouble, [1])
