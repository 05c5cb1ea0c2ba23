"""Statistics of a shop against a general-purpose library (scipy.stats)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnose.log.entry import Found, Suspected
from diagnose.log.statistics import saved, share, statistics, times
from tests.diagnose.log.jobs import job


@pytest.mark.parametrize(("number", "of"), [(0, 3), (3, 3), (7, 20), (199, 200)])
def test_what_luck_leaves_open_of_a_share(number: int, of: int) -> None:
    expected = stats.binomtest(number, of).proportion_ci(0.95, method="wilson")
    made = share(number, of)
    assert (made.low, made.high) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_what_following_saves_is_a_difference_of_two_means() -> None:
    rng = np.random.default_rng(3)
    fast, slow = rng.normal(30.0, 5.0, 9), rng.normal(45.0, 15.0, 14)
    made = saved(times(list(fast)), times(list(slow)))
    expected = stats.ttest_ind(slow, fast, equal_var=False).confidence_interval(0.95)
    assert made is not None
    assert made.minutes == pytest.approx(slow.mean() - fast.mean())
    assert (made.low, made.high) == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert saved(times(list(fast[:4])), times(list(slow))) is None  # too few


def test_what_fails_counts_proved_faults_alone() -> None:
    two = (Found("C1", "electrolytic", "open"), Found("Q1", "npn", "short"))
    made = statistics([job(1), job(2, faults=two), job(3, proof="not proved"),
                       job(4, finding="nothing wrong", faults=())])
    assert [(f.kind, f.mode, f.number, f.of) for f in made.fails] == [
        ("electrolytic", "open", 2, 2), ("npn", "short", 1, 1)]
    assert (made.jobs, made.confirmed) == (4, 2)
    assert dict(made.findings) == {"fault": 2, "not proved": 1, "nothing wrong": 1}


def test_the_first_answer_is_right_where_its_group_holds_what_it_was() -> None:
    second = (Suspected("R1", "open", 0.8, 1), Suspected("C1", "open", 0.1, 2))
    same_group = (Suspected("R1", "open", 0.5, 1), Suspected("C1", "open", 0.4, 1))
    made = statistics([
        job(1), job(2, suspects=second), job(3, suspects=same_group), job(4, proof="not proved"),
        job(5, finding="nothing wrong", faults=(), told="nothing wrong shows"),
        job(6, finding="not in the library", faults=(), told="suspects"),
    ])
    assert (made.right.number, made.right.of) == (3, 5)
    assert [s.number for _, s in made.along] == [1, 1, 2, 3, 3]


def test_a_log_without_jobs_comes_to_nothing() -> None:
    made = statistics([])
    assert (made.jobs, made.right.of, made.saved) == (0, 0, None)
