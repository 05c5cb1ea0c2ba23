"""The pool loses only what is bad. Facts of the operating system serve as reference."""

from __future__ import annotations

import ctypes
import faulthandler
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from circuits.bench import chunk, processes, workers
from circuits.bench.workers import Failure, Pool
from circuits.errors import EngineFault, EngineMissing, InputError, NoSolution

linux = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")


def square(item):
    return item * item


def scaled(shared, item):
    return shared["factor"] * item


def trouble(item):
    """One of each mishap by its name; numbers come back doubled."""
    match item:
        case "exit":
            os._exit(7)
        case "segfault":
            faulthandler.disable()
            ctypes.string_at(0)
        case "hang":
            while True:
                pass
        case "sleep in C":
            ctypes.CDLL(None).sleep(60)
        case "no solution":
            raise NoSolution("it oscillates")
        case "fault":
            raise EngineFault("it is poisoned")
        case "missing":
            raise EngineMissing("no library")
        case "memory":
            return len(bytearray(6 << 30))
        case "bug":
            raise KeyError("ours")
    return 2 * item


def whereabouts(_item):
    return os.getpid(), str(Path.cwd()), os.environ["HOME"], list(Path.cwd().iterdir())


def slowly_whereabouts(item):
    time.sleep(0.1)
    return whereabouts(item)


def children(pid):
    """Living child processes by /proc, without zombies."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                state, parent = (entry / "stat").read_text().rpartition(")")[2].split()[:2]
            except OSError:
                continue
            if int(parent) == pid and state != "Z":
                found.append(int(entry.name))
    return found


@pytest.fixture(scope="module")
def pool():
    with Pool(workers=2, timeout=1.0) as shared:
        yield shared


def test_values_come_in_order_with_progress(pool):
    seen = []
    items = list(range(101))
    assert pool.map(square, items, progress=lambda *n: seen.append(n)) == [i * i for i in items]
    assert seen == [(k, 101) for k in range(1, 102)]


def test_shared_object_reaches_every_call(pool):
    assert pool.map(scaled, [1, 2, 3], shared={"factor": 10}) == [10, 20, 30]


def test_nothing_to_do(pool):
    assert pool.map(square, []) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("bad", "kind", "words"),
    [
        ("exit", "crash", "exit code 7"),
        ("segfault", "crash", "SIGSEGV"),
        ("hang", "timeout", "1 s"),
        ("sleep in C", "timeout", "1 s"),
        ("no solution", "error", "it oscillates"),
        ("fault", "error", "it is poisoned"),
        ("memory", "crash", "out of memory"),
    ],
)
def test_only_the_bad_item_is_lost(pool, bad, kind, words):
    items = [*range(33), bad, *range(34, 60)]
    outcomes = pool.map(trouble, items)
    failure = outcomes[33]
    assert isinstance(failure, Failure)
    assert failure.kind == kind
    assert words in failure.text
    assert outcomes[:33] + outcomes[34:] == [2 * i for i in items if i != bad]


@pytest.mark.slow
def test_many_mishaps_at_once(pool):
    items = [k if k % 10 else ("exit", "fault", "segfault")[k // 10 % 3] for k in range(60)]
    outcomes = pool.map(trouble, items)
    assert [k for k, o in enumerate(outcomes) if isinstance(o, Failure)] == list(range(0, 60, 10))
    assert all(o == 2 * k for k, o in enumerate(outcomes) if k % 10)


@pytest.mark.slow
@pytest.mark.parametrize(("item", "error"), [("bug", KeyError), ("missing", EngineMissing)])
def test_bugs_come_through_and_the_pool_serves_again(item, error):
    with Pool(workers=2) as own:
        with pytest.raises(error):
            own.map(trouble, [1, 2, item, 4])
        assert own.map(trouble, [1, 2]) == [2, 4]


@linux
def test_an_error_in_the_parent_leaves_no_worker():
    before = set(children(os.getpid()))
    own = Pool(workers=2)

    def fails(_done, _all):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        own.map(square, list(range(100)), progress=fails)
    assert set(children(os.getpid())) <= before | forkserver()


def forkserver():
    """The process that forks for a program of several threads; it lives as long as we do."""
    from multiprocessing import forkserver as module
    from multiprocessing import resource_tracker as tracker

    pids = (module._forkserver._forkserver_pid, tracker._resource_tracker._pid)
    return {pid for pid in pids if pid is not None}


def test_workers_are_clean_and_more_than_one(pool):
    seen = pool.map(whereabouts, list(range(200)))
    assert len({pid for pid, *_ in seen}) <= 2
    for pid, folder, home, content in seen:
        assert pid != os.getpid()
        assert folder == home != str(Path.home())
        assert content == []


def test_a_pool_without_workers_runs_here():
    with Pool(workers=0) as own:
        assert own.map(os.fspath, ["a"]) == ["a"]
        outcomes = own.map(trouble, [1, "fault", 3])
    assert outcomes[0::2] == [2, 6]
    assert outcomes[1] == Failure("error", "it is poisoned")
    with Pool(workers=1) as other:
        assert other.map(square, [2]) == [4]


def test_number_of_workers(monkeypatch):
    monkeypatch.delenv(workers.COUNT_VARIABLE, raising=False)
    if hasattr(os, "sched_getaffinity"):
        assert workers.default_workers() == len(os.sched_getaffinity(0))
    monkeypatch.setenv(workers.COUNT_VARIABLE, "3")
    assert Pool().workers == 3
    monkeypatch.setenv(workers.COUNT_VARIABLE, "many")
    with pytest.raises(InputError, match="many"):
        Pool()


SCRIPT = textwrap.dedent(
    """
    import sys, time
    from circuits.bench.workers import Pool

    def slow(item):
        time.sleep(0.05)
        return item

    def forever(item):
        while True:
            pass

    if __name__ == "__main__":
        {body}
    """
)


def start(tmp_path, body):
    """A program of its own in a session of its own, so that no signal reaches the tests."""
    file = tmp_path / "program.py"
    file.write_text(SCRIPT.format(body=body.replace("\n", "\n        ")))
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, file],
        cwd=root,
        env=os.environ | {"PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # a shell may have started the tests with interrupts ignored, which a child inherits
        preexec_fn=heed_interrupts,
    )


def heed_interrupts():
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def gone(pids, seconds=5.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        alive = [p for p in pids if Path(f"/proc/{p}").exists() and "Z" not in _state(p)]
        if not alive:
            return True
        time.sleep(0.05)
    return False


def _state(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return "Z"


@pytest.mark.slow
@linux
@pytest.mark.parametrize("whole_group", [True, False], ids=["terminal", "parent alone"])
def test_ctrl_c_leaves_no_process(tmp_path, whole_group):
    body = """
print("ready", flush=True)
Pool(workers=2, timeout=60.0).map(forever, list(range(50)))
"""
    program = start(tmp_path, body)
    assert program.stdout.readline() == "ready\n"
    workers_seen = []
    while len(workers_seen) < 2:
        assert program.poll() is None
        workers_seen = children(program.pid)
        time.sleep(0.05)
    began = time.monotonic()
    if whole_group:
        os.killpg(program.pid, signal.SIGINT)
    else:
        program.send_signal(signal.SIGINT)
    try:
        _, errors = program.communicate(timeout=20)
    except subprocess.TimeoutExpired:
        os.killpg(program.pid, signal.SIGKILL)
        raise
    assert time.monotonic() - began < 10.0
    assert "KeyboardInterrupt" in errors
    assert gone(workers_seen)


@linux
def test_killed_parent_leaves_no_process(tmp_path):
    body = """
print("ready", flush=True)
Pool(workers=2, timeout=60.0).map(slow, list(range(5000)))
"""
    program = start(tmp_path, body)
    assert program.stdout.readline() == "ready\n"
    workers_seen = []
    while len(workers_seen) < 2:
        assert program.poll() is None
        workers_seen = children(program.pid)
        time.sleep(0.05)
    program.kill()
    program.communicate(timeout=20)
    assert gone(workers_seen)


def test_a_pool_that_is_never_closed_ends_with_the_program(tmp_path):
    program = start(tmp_path, "print(Pool(workers=2).map(slow, [1, 2, 3]))")
    output, errors = program.communicate(timeout=20)
    assert (output, errors) == ("[1, 2, 3]\n", "")


@linux
@pytest.mark.slow
def test_workers_that_were_stopped_before_they_took_anything_cost_only_time(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGSTOP is how a system freezes a process (POSIX.1); nothing tells the pool of it."""
    monkeypatch.setattr(workers, "_PATIENCE", 0.1)
    monkeypatch.setattr(processes, "_LOOKS", 5)
    with Pool(workers=2, timeout=1.0) as pool:
        stopped = [found[0] for found in both_at_work(pool)]
        for one in stopped:
            os.kill(one, signal.SIGSTOP)
        end = time.monotonic() + 60.0
        assert pool.map(square, range(40), until=end) == [k * k for k in range(40)]
    assert gone(stopped)


def stopped_once(folder, items):
    """Items that are taken together: how many; the first time the worker is stopped in them."""
    been = Path(folder, "been")
    if not been.exists():
        been.touch()
        os.kill(os.getpid(), signal.SIGSTOP)
    return [len(items)] * len(items)


@linux
@pytest.mark.slow
def test_what_is_solved_together_stays_together_when_its_worker_was_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what it reads would hang on that, in its last digits and more."""
    monkeypatch.setattr(chunk, "_GRACE", 0.5)
    with Pool(workers=1, timeout=0.5) as pool:
        end = time.monotonic() + 60.0
        found = pool.map(stopped_once, range(25), shared=str(tmp_path), together=25, until=end)
    assert found == [25] * 25


def both_at_work(pool):
    """What each of two workers says of itself."""
    end = time.monotonic() + 20.0
    found = {}
    while len(found) < 2 and time.monotonic() < end:
        found.update((one[0], one) for one in pool.map(slowly_whereabouts, range(2)))
    return [found[key] for key in sorted(found)][:2]


def test_a_program_of_threads_is_not_forked(tmp_path):
    body = """
import threading
stop = threading.Event()
threading.Thread(target=stop.wait).start()
import multiprocessing
with Pool(workers=2) as pool:
    print(pool.map(abs, [-1, 2]), pool._executor.context._name)
stop.set()
"""
    program = start(tmp_path, body)
    output, errors = program.communicate(timeout=20)
    assert (output, errors) == ("[1, 2] forkserver\n", "")


@pytest.mark.slow
@pytest.mark.parametrize("workers", [0, 2])
def test_what_is_not_done_in_time_is_late(workers: int) -> None:
    """Of items that take 0.2 s each some are done after a second, and the rest ends at once."""
    start = time.monotonic()
    with Pool(workers=workers, timeout=30.0) as pool:
        outcomes = pool.map(time.sleep, [0.2] * 60, until=start + 1.5)
    assert time.monotonic() - start < 6.0
    late = [o for o in outcomes if isinstance(o, Failure)]
    assert {o.kind for o in late} == {"late"}
    assert 0 < len(late) <= 60
    if workers == 0:  # worker processes may not even have started in that time
        assert len(late) < 60

