"""How long a step takes yet, and which ranking begins first.

Sources: plain proportion; the rule of queues that the shortest first makes the sum of all waits
least (Smith, 1956, from memory).
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import pytest

from diagnose.web.jobs import Job, Jobs
from diagnose.web.remaining import Pace, words

NOWHERE = Path("nowhere.yaml")
SECONDS = 20.0


def reported(*seen: tuple[float, int], total: int = 100) -> Pace:
    return Pace("faults", total, list(seen))


def test_an_even_pace_is_drawn_on() -> None:
    # ten units a second, forty are left
    assert reported(*((k, 10 * k) for k in range(1, 7))).left(6.0) == pytest.approx(4.0)
    assert reported(*((k, 10 * k) for k in range(1, 7))).left(7.5) == pytest.approx(2.5)


def test_of_a_step_that_takes_longer_than_thought_nothing_is_said() -> None:
    assert reported((0.0, 10), (1.0, 90)).left(60.0) is None


def test_what_was_known_from_before_does_not_count_for_the_pace() -> None:
    # forty came from what is kept in no time, then one a second
    kept = [(0.001 * k, k) for k in range(1, 41)]
    simulated = [(float(k), 40 + k) for k in range(1, 41)]
    assert reported(*kept, *simulated).left(40.0) == pytest.approx(20.0, rel=0.1)


def test_one_report_tells_nothing_nor_does_a_step_that_is_done() -> None:
    assert reported((3.0, 20)).left(4.0) is None
    assert reported((3.0, 50), (4.0, 100)).left(4.0) is None


def test_units_that_turn_out_not_to_be_needed_are_not_waited_for() -> None:
    job = Job("a", 1)
    job.report("finer sizes", 10, 200_000)
    time.sleep(0.02)
    job.report("finer sizes", 20, 200_000)
    long = job.step_left
    job.report("finer sizes", 21, 25_000)
    short = job.step_left
    assert long is not None
    assert short is not None
    assert short < long / 5.0


def test_a_step_that_begins_anew_is_another() -> None:
    job = Job("a", 1)
    for done in (1, 50, 100):
        job.report("finer sizes", done, 100)
    job.report("finer sizes", 1, 20)
    assert job.step_left is None
    assert job.steps == {"finer sizes": (1, 20)}


@pytest.mark.parametrize(("seconds", "said"), [
    (0.0, "a few seconds"), (4.9, "a few seconds"), (12.0, "about 15 s"), (50.0, "about 50 s"),
    (58.0, "about a minute"), (100.0, "about 2 minutes"), (600.0, "about 10 minutes"),
])
def test_a_duration_is_told_as_well_as_it_is_known(seconds: float, said: str) -> None:
    assert words(seconds) == said


class Ranks:
    """Stands for a process: ranks when it is let go."""

    def __init__(self) -> None:
        self.began: list[int] = []
        self.go = threading.Semaphore(0)
        self.pictures = 0
        self.free = True

    def run(
        self, task: str, path: str, suspect: object = None, report: object = None,
        begin: Callable[[], bool] | None = None,
    ) -> object:
        if task == "pictured":
            self.pictures += 1
            return "a picture"
        assert begin is not None
        assert begin()
        self.free = False
        self.began.append(1)
        assert self.go.acquire(timeout=SECONDS)
        self.free = True
        return "a result"

    def stop(self, begin: object) -> None:
        raise AssertionError("nothing is to be stopped here")


def until(holds: Callable[[], Any]) -> None:
    end = time.monotonic() + SECONDS
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_of_those_that_wait_the_shortest_begins_first() -> None:
    worker = Ranks()
    jobs = Jobs([cast(Any, worker)], cast(Any, worker))
    first = jobs.start("running", 1, NOWHERE, 500.0)
    until(lambda: first.state == "running")
    waiting = [jobs.start(name, 1, NOWHERE, work)
               for name, work in (("long", 900.0), ("short", 10.0), ("middle", 100.0))]
    order: list[str] = []
    for _ in range(4):
        until(lambda: sum(job.state == "running" for job in (first, *waiting)) == 1)
        (now,) = (job for job in (first, *waiting) if job.state == "running")
        order.append(now.sheet)
        worker.go.release()
        until(lambda now=now: now.over)
    assert order == ["running", "short", "middle", "long"]
    sums = [sum(itertools.accumulate(times)) for times in itertools.permutations((900, 10, 100))]
    assert sum(itertools.accumulate((10, 100, 900))) == min(sums)


def test_a_small_stage_does_not_wait_for_a_large_one_and_pictures_for_neither() -> None:
    one, two, short = Ranks(), Ranks(), Ranks()
    jobs = Jobs([cast(Any, one), cast(Any, two)], cast(Any, short))
    large = jobs.start("large", 1, NOWHERE, 1e4)
    until(lambda: large.state == "running")
    small = jobs.start("small", 1, NOWHERE, 1.0)
    until(lambda: small.state == "running")
    two.go.release()
    until(lambda: small.over)
    assert (small.state, large.state) == ("done", "running")
    assert (large.worker, small.worker) == (one, two)
    other = jobs.start("large too", 1, NOWHERE, 1e3)
    again = jobs.start("third", 1, NOWHERE, 1.0)
    until(lambda: again.state == "running")
    assert jobs.picture(small, "None", NOWHERE, None) == "a picture"  # both rank
    assert (one.pictures, two.pictures, short.pictures) == (0, 0, 1)
    two.go.release()
    until(lambda: again.over)
    assert other.state == "waiting"  # the second place is kept for small ones
    one.go.release()
    until(lambda: large.over and other.state == "running")
    one.go.release()
    until(lambda: other.over)


def test_one_that_is_cancelled_while_it_waits_keeps_no_other_waiting() -> None:
    worker = Ranks()
    jobs = Jobs([cast(Any, worker)], cast(Any, worker))
    first = jobs.start("a", 1, NOWHERE)
    until(lambda: first.state == "running")
    gone, last = jobs.start("b", 1, NOWHERE, 1.0), jobs.start("c", 1, NOWHERE, 2.0)
    jobs.cancel("b")
    worker.go.release()
    until(lambda: last.state == "running")
    assert gone.state == "cancelled"
    worker.go.release()
    until(lambda: last.over)


def test_who_waits_is_told_of_the_one_that_is_ranked() -> None:
    worker = Ranks()
    jobs = Jobs([cast(Any, worker)], cast(Any, worker))
    first = jobs.start("a", 1, NOWHERE)
    until(lambda: first.state == "running")
    second = jobs.start("b", 1, NOWHERE)
    assert jobs.left(second) is None
    first.report("faults", 10, 100_000)
    time.sleep(0.05)
    first.report("faults", 20, 100_000)
    told = jobs.left(second)
    assert told is not None
    assert told > 400.0  # 0.05 s a ten: 500 s, and more on a busy machine
    worker.go.release()
    until(lambda: second.state == "running")
    worker.go.release()
    until(lambda: second.over)
