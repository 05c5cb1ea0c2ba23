"""The process that has the simulator: ended at will, started again, never left behind."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from circuits.errors import AmplifierError
from diagnose.answer.result import Result
from diagnose.web.jobs import Jobs
from diagnose.web.worker import Stopped, Worker

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
CASE = ROOT / "tests" / "data" / "coupling-dry.yaml"
SLOW = ROOT / "tests" / "data" / "slow-drive.yaml"
SECONDS = 60.0


@pytest.fixture
def worker() -> Iterator[Worker]:
    made = Worker(0, cached=False)
    yield made
    made.stop()


def gone(pid: int) -> bool:
    """Whether a process is no more."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def wait_for(holds: object) -> None:
    end = time.monotonic() + SECONDS
    assert callable(holds)
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_refusal_comes_back_in_its_words_and_the_process_serves_on(worker: Worker) -> None:
    with pytest.raises(AmplifierError, match=r"missing\.yaml"):
        worker.run("ranked", str(ROOT / "missing.yaml"))
    assert isinstance(worker.run("ranked", str(CASE)), Result)


def test_a_process_that_died_is_replaced(worker: Worker) -> None:
    worker.run("blank", "filter-high", "")
    os.kill(worker._process.pid, signal.SIGKILL)
    wait_for(lambda: not worker._process.is_alive())
    assert "filter-high" in worker.run("blank", "filter-high", "")


def test_what_is_stopped_ends_at_once_with_its_process(worker: Worker) -> None:
    raised: list[BaseException] = []

    def ask() -> None:
        try:
            worker.run("ranked", str(SLOW), report=lambda *step: begun.set())
        except Stopped as error:
            raised.append(error)

    begun = threading.Event()
    thread = threading.Thread(target=ask)
    thread.start()
    assert begun.wait(SECONDS)
    pid = worker._process.pid
    worker.stop()
    thread.join(SECONDS)
    assert len(raised) == 1
    assert gone(pid)


def test_to_cancel_one_that_waits_leaves_the_one_that_runs(worker: Worker) -> None:
    jobs = Jobs([worker], worker)
    first = jobs.start("a", 1, SLOW)
    wait_for(lambda: first.steps)
    second = jobs.start("b", 1, CASE)
    jobs.cancel("b")
    assert second.state == "cancelled"
    done = dict(first.steps)
    wait_for(lambda: first.steps != done)
    assert first.state == "running"
    jobs.cancel("a")
    wait_for(lambda: first.over)
    assert first.state == "cancelled"
    third = jobs.start("b", 2, CASE)
    wait_for(lambda: third.over)
    assert third.state == "done"
    assert third.result is not None


def test_a_new_revision_ends_the_ranking_of_the_old_one(worker: Worker) -> None:
    jobs = Jobs([worker], worker)
    old = jobs.start("a", 1, SLOW)
    wait_for(lambda: old.steps)
    assert jobs.start("a", 1, SLOW) is old
    new = jobs.start("a", 2, CASE)
    wait_for(lambda: new.over)
    assert (old.state, new.state) == ("cancelled", "done")


def test_a_blank_sheet_does_not_wait_for_a_ranking(worker: Worker) -> None:
    short = Worker(0, cached=False)
    jobs = Jobs([worker], short)
    job = jobs.start("a", 1, SLOW)
    wait_for(lambda: job.steps)
    assert "filter-high" in short.run("blank", "filter-high", "")
    assert job.state == "running"
    jobs.cancel("a")
    wait_for(lambda: job.over)
    short.stop()


def test_a_process_gives_way_to_others() -> None:
    gives_way = Worker(0, cached=False, nice=10)
    gives_way.warm()
    pid = gives_way._process.pid
    own = os.getpriority(os.PRIO_PROCESS, 0)
    wait_for(lambda: os.getpriority(os.PRIO_PROCESS, pid) == min(own + 10, 19))  # POSIX: nice
    gives_way.stop()


def test_what_waits_for_a_worker_that_is_closed_ends_and_starts_nothing(worker: Worker) -> None:
    jobs = Jobs([worker], worker)
    job = jobs.start("a", 1, SLOW)
    wait_for(lambda: job.steps)
    raised: list[BaseException] = []

    def ask() -> None:
        try:
            worker.run("blank", "filter-high", "")
        except Stopped as error:
            raised.append(error)

    waiting = [threading.Thread(target=ask) for _ in range(3)]
    for thread in waiting:
        thread.start()
    pid = worker._process.pid
    worker.close()
    for thread in waiting:
        thread.join(SECONDS)
    wait_for(lambda: job.over)
    assert len(raised) == 3
    assert gone(pid)
    with pytest.raises(Stopped):
        worker.warm()


class Mortal(Worker):
    """A worker whose process is ended from outside so many times before a task is done."""

    def __init__(self, deaths: int) -> None:
        super().__init__(0, cached=False)
        self.deaths = deaths

    def run(self, *_: object, begin: Callable[[], bool] | None = None, **__: object) -> object:
        assert begin is not None
        assert begin()
        if self.deaths:
            self.deaths -= 1
            raise Stopped
        return "an answer"


@pytest.mark.parametrize(("deaths", "state"), [(0, "done"), (1, "done"), (2, "broken")])
def test_a_ranking_whose_process_is_killed_is_begun_again_once(deaths: int, state: str) -> None:
    """It is not called cancelled, which nobody did."""
    mortal = Mortal(deaths)
    job = Jobs((mortal,), mortal).start("one", 1, CASE)
    wait_for(lambda: job.over)
    assert job.state == state
    assert ("from outside" in job.text) == (state == "broken")
