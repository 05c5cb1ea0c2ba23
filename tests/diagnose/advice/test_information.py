"""What one more reading tells, against information theory's closed forms and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from diagnose.advice.information import Mixture, entropy, outlook, stretches, student_nodes

FREEDOM = 6.0


def mixture(
    centres: list[float], weights: list[float], answers: list[int], freedom: float = FREEDOM,
    scale: float = 1.0,
) -> Mixture:
    n = len(centres)
    return Mixture(np.array(weights), np.array(centres), np.full(n, scale),
                   np.array(answers, dtype=np.intp), freedom)


def test_nodes_are_the_quantiles_of_the_student_law() -> None:
    """scipy.stats.t.ppf at the middles of equally probable cells."""
    for count in (5, 11, 21):
        exact = stats.t.ppf((np.arange(count) + 0.5) / count, FREEDOM)
        assert student_nodes(FREEDOM, count) == pytest.approx(exact, rel=0.005, abs=1e-9)


def test_entropy_is_shannons() -> None:
    shares = np.array([0.5, 0.25, 0.125, 0.125])
    assert float(entropy(shares)) == pytest.approx(1.75)  # the textbook example: 1.75 bits
    assert float(entropy(shares)) == pytest.approx(stats.entropy(shares, base=2))
    assert float(entropy(np.array([1.0, 0.0]))) == 0.0


def test_a_reading_that_parts_two_equal_answers_tells_one_bit() -> None:
    seen = outlook(mixture([0.0, 1000.0], [0.5, 0.5], [0, 1]), 2)
    assert seen.bits == pytest.approx(1.0, abs=1e-3)


def test_a_reading_that_all_answers_share_tells_nothing() -> None:
    assert outlook(mixture([0.0, 0.0], [0.3, 0.7], [0, 1]), 2).bits == pytest.approx(0.0, abs=1e-9)
    # nor one that parts units of one answer only
    assert outlook(mixture([0.0, 9.0], [0.3, 0.7], [1, 1]), 2).bits == pytest.approx(0.0, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0, 4.0])
def test_it_tells_what_the_integral_says(apart: float) -> None:
    """I = h(Y) − h(Y | A) by scipy's adaptive quadrature, within the accuracy that is promised."""
    law = stats.t(FREEDOM)

    def density(y: float) -> float:
        return 0.3 * float(law.pdf(y)) + 0.7 * float(law.pdf(y - apart))

    whole = integrate.quad(lambda y: -density(y) * math.log2(density(y)), -200, 200, limit=500)[0]
    exact = whole - float(law.entropy()) / math.log(2.0)
    seen = outlook(mixture([0.0, apart], [0.3, 0.7], [0, 1]), 2)
    assert seen.bits == pytest.approx(exact, abs=0.015)
    assert float(seen.weights.sum()) == pytest.approx(1.0)


def test_the_threshold_of_two_equal_answers_lies_between_them() -> None:
    made = stretches(outlook(mixture([0.0, 6.0], [0.5, 0.5], [0, 1]), 2))
    assert [part.answers[0] for part in made] == [0, 1]
    assert made[0].low == -math.inf
    assert made[1].high == math.inf
    assert made[0].high == made[1].low == pytest.approx(3.0, abs=1.0)
    assert sum(part.chance for part in made) == pytest.approx(1.0)


def test_many_answers_leave_few_ranges_that_cover_everything() -> None:
    random = np.random.default_rng(4)
    centres = sorted(random.uniform(0.0, 100.0, 40))
    made = stretches(outlook(mixture(centres, [1 / 40] * 40, list(range(40))), 40))
    assert 1 < len(made) <= 4
    assert [a.high for a in made[:-1]] == [b.low for b in made[1:]]
    assert sum(part.chance for part in made) == pytest.approx(1.0)
