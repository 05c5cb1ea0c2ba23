"""Like cases and the same unit, of readings whose departures are known."""

from __future__ import annotations

import math

import pytest

from diagnose.answer.departures import Departure
from diagnose.log.entry import Entry, Seen
from diagnose.log.like import distance, like, same_unit
from tests.diagnose.log.jobs import job


def seen(**off: float) -> tuple[Seen, ...]:
    return tuple(Seen(name, 2.0 * x, 0.0, "V", x) for name, x in off.items())


def now(**off: float) -> tuple[Departure, ...]:
    return tuple(Departure(name, 3.0 * x, 0.0, "V", x) for name, x in off.items())


def test_distance_is_zero_for_the_same_and_small_for_another_size_of_a_gross_symptom() -> None:
    assert distance({"a": 5.0, "b": -3.0}, seen(a=5.0, b=-3.0)) == (0.0, 2)
    gross, _ = distance({"a": 200.0}, seen(a=300.0))
    # far out the inverse hyperbolic sine is a logarithm
    assert gross == pytest.approx(math.log(1.5), abs=1e-4)
    plain, _ = distance({"a": 0.0}, seen(a=3.0))
    assert plain > 4.0 * gross
    assert distance({"a": 1.0}, seen(b=1.0)) == (math.inf, 0)


def test_the_nearest_case_comes_first_and_what_is_unlike_does_not_come() -> None:
    before = [
        job(1, seen=seen(a=-20.0, b=0.0)), job(2, seen=seen(a=18.0, b=0.5)),
        job(3, seen=seen(a=20.0, b=0.0)), job(4, seen=seen(c=20.0)),
        job(5, seen=seen(a=20.0, b=0.1)),
    ]
    found = like(now(a=20.0, b=0.0), before, but=job(5).job)
    assert [x.job for x in found] == [job(3).job, job(2).job]
    assert found[0].distance == 0.0
    assert found[0].minutes == 33.0


def test_a_case_that_shares_few_readings_is_not_like() -> None:
    assert like(now(a=1.0, b=9.0, c=9.0), [job(1, seen=seen(a=1.0))]) == ()


@pytest.mark.parametrize(("serial", "unit", "count"), [
    ("SN 00-42", "mixer", 1), ("sn0042", "", 1), ("SN 00-43", "mixer", 0), ("", "mixer", 0),
    ("SN0042", "tuner", 0),
])
def test_the_same_unit_by_its_number(serial: str, unit: str, count: int) -> None:
    before: list[Entry] = [job(1, serial="SN 0042", seen=seen(a=2.0, b=1.0))]
    found = same_unit(now(a=5.0), unit, serial, before)
    assert len(found) == count
    if found:
        then, other = found[0].lines
        assert (then.then, then.now) == (4.0, 15.0)
        assert other.now is None
