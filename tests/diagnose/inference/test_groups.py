"""Groups of suspects against integrals of their densities and cases whose answer is plain."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from diagnose.inference.evidence import Scored
from diagnose.inference.groups import MOST_ALIKE, NEAR, distance, grouped
from diagnose.inference.likelihood import Covariance
from diagnose.inference.posterior import share
from tests.diagnose.fake_bench import Array, LinearUnit, currents

UNIT = LinearUnit(np.ones((1, 1)), currents(1))


def suspect(mean: float | list[float], matrix: float | list[list[float]] = 1.0) -> Scored:
    """A fault without degrees that predicts such readings."""
    row = np.atleast_1d(np.array(mean, dtype=float))[None, :]
    around = Covariance.of(np.atleast_2d(np.array(matrix, dtype=float)))
    return Scored((UNIT.losses()[0],), 0.0, 0.0, np.zeros((1, 1)), np.ones(1), row, 0.0, 1, around)


def along(rows: Array, weights: Array, sigma: float = 1.0) -> Scored:
    """A fault of many sizes, the same spread at each."""
    around = Covariance.of(np.eye(rows.shape[1]) * sigma**2)
    places = np.linspace(0.0, 1.0, len(rows))[:, None]
    weights = weights / weights.sum()
    return Scored((UNIT.losses()[0],), 0.0, 0.0, places, weights, rows, 0.0, 1, around)


@pytest.mark.parametrize(("a", "b", "variance"), [(0.0, 2.0, 1.0), (1.0, -1.5, 3.0)])
def test_the_distance_is_minus_the_log_of_the_overlap(a: float, b: float, variance: float) -> None:
    """Bhattacharyya 1943: -ln ∫ √(p q), integrated numerically."""
    p, q = (stats.norm(x, math.sqrt(variance)).pdf for x in (a, b))
    overlap, _ = integrate.quad(lambda x: math.sqrt(p(x) * q(x)), -40.0, 40.0, limit=200)
    found = distance(suspect(a, [[variance]]), suspect(b, [[variance]]))
    assert found == pytest.approx(-math.log(overlap), abs=1e-8)


def test_the_distance_in_two_readings_heeds_their_correlation() -> None:
    matrix = [[1.0, 0.8], [0.8, 1.0]]
    p, q = (stats.multivariate_normal(mean, matrix).pdf for mean in ([0.0, 0.0], [1.0, -0.5]))
    step = 0.05
    axis = np.arange(-12.0, 12.0, step)
    at = np.stack(np.meshgrid(axis, axis), axis=-1)
    overlap = float(np.sqrt(p(at) * q(at)).sum()) * step**2
    found = distance(suspect([0.0, 0.0], matrix), suspect([1.0, -0.5], matrix))
    assert found == pytest.approx(-math.log(overlap), abs=1e-6)


def test_unlike_spreads_alone_make_no_distance_and_the_narrower_one_judges() -> None:
    """One unit cannot show how widely others stray; (Δ/σ)²/8 with the smaller σ."""
    assert distance(suspect(1.0, 1.0), suspect(1.0, 400.0)) == 0.0
    assert distance(suspect(0.0, 1.0), suspect(4.0, 400.0)) == pytest.approx(4.0**2 / 8.0)


@given(st.integers(0, 10_000))
def test_the_distance_is_symmetric_and_never_negative(seed: int) -> None:
    random = np.random.default_rng(seed)
    roots = random.normal(size=(2, 3, 3))
    a, b = (suspect(list(random.normal(size=3)), (r @ r.T + 0.1 * np.eye(3)).tolist())
            for r in roots)
    assert distance(a, b) == pytest.approx(distance(b, a))
    assert distance(a, b) >= -1e-9
    assert distance(a, a) == pytest.approx(0.0, abs=1e-9)


def test_two_standard_deviations_are_the_limit() -> None:
    """(Δ/σ)²/8: just below and just above Δ = 2σ."""
    assert pytest.approx(2.0**2 / 8.0) == NEAR
    for apart, together in ((1.98, True), (2.02, False)):
        members = grouped([(suspect(0.0), 0.5), (suspect(apart), 0.5)])
        assert (len({m.group for m in members}) == 1) is together


def test_sizes_meet_at_their_best_match() -> None:
    """Two faults along one line of readings, with sizes that do not fall on each other."""
    line = np.linspace(0.0, 100.0, 201)[:, None]
    weights = np.exp(-0.5 * (line[:, 0] - 40.0) ** 2)
    other = along(line + 0.2, weights)
    assert distance(along(line, weights), other) < 0.01
    far = along(line + 300.0, weights)
    assert distance(along(line, weights), far) > 100.0


def test_a_fault_that_is_the_limit_of_another_is_told_apart_from_its_middle() -> None:
    """Open against half dry: only the far end of the curve looks open."""
    line = np.linspace(0.0, 50.0, 201)[:, None]
    opened = suspect(50.0)
    middle, end = (along(line, np.exp(-0.5 * (line[:, 0] - x) ** 2)) for x in (25.0, 50.0))
    assert distance(opened, end) < NEAR < distance(opened, middle)


def numbers(*suspects: Scored) -> list[int]:
    """Groups of equally probable suspects, in their order."""
    return [m.group for m in grouped([(s, 1.0 / len(suspects)) for s in suspects])]


def test_a_chain_is_split_into_cliques() -> None:
    """The first like the second, the second like the third, yet first and third unlike."""
    chain = [suspect(1.5 * k) for k in range(3)]
    assert distance(chain[0], chain[1]) < NEAR < distance(chain[0], chain[2])
    found = numbers(*chain)
    assert found[0] == found[1] != found[2]


@pytest.mark.slow
@given(st.lists(st.floats(0.0, 12.0), min_size=1, max_size=9), st.integers(0, 1000))
def test_every_group_is_a_clique_and_every_suspect_has_one(at: list[float], seed: int) -> None:
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(at)))
    suspects = [suspect(x) for x in at]
    members = grouped(list(zip(suspects, weights.tolist(), strict=True)))
    assert [m.scored for m in members] == suspects
    assert {m.group for m in members} == set(range(1, max(m.group for m in members) + 1))
    for a, b in combinations(members, 2):
        if a.group == b.group:
            assert distance(a.scored, b.scored) < NEAR
    totals = [sum(m.probability for m in members if m.group == g)
              for g in range(1, max(m.group for m in members) + 1)]
    assert totals == sorted(totals, reverse=True)


def test_a_full_component_stays_whole() -> None:
    assert numbers(*(suspect(0.4 * k) for k in range(4))) == [1, 1, 1, 1]


def test_the_group_counts_not_its_best_member() -> None:
    """Two alike of 30 % each come before one of 40 %."""
    members = grouped([(suspect(50.0), 0.4), (suspect(0.0), 0.3), (suspect(0.1), 0.3)])
    assert [m.group for m in members] == [2, 1, 1]


def test_no_suspects_make_no_groups() -> None:
    assert grouped([]) == []


@pytest.mark.parametrize("strength", [0.3, 3.0, 10.0])
def test_two_parts_that_only_show_as_a_product_are_one_answer(strength: float) -> None:
    """As of R and C in one time constant: no reading moves but by R · C (closed form).

    The readings cannot tell them apart, so they share a group, and the probability splits by
    the priors alone.
    """
    time_constant = np.linspace(0.2, 1.0, 6) * strength
    other = np.linspace(1.0, -1.0, 6) * strength
    unit = LinearUnit(np.column_stack([time_constant, time_constant, other]), currents(6))
    observed = unit.observed(unit.shift(0, 0.4), 0.02)
    posterior = share(unit.weighed(observed, (3.0, 1.0, 3.0)))
    live = [(s, p) for s, p in posterior.suspects if p > 1e-3]
    members = {m.scored.hypotheses[0].part: m for m in grouped(live)}
    assert members["C1"].group == members["C2"].group == 1
    assert members["C1"].probability == pytest.approx(3.0 * members["C2"].probability, rel=1e-6)
    assert members["C1"].probability + members["C2"].probability > 0.95


@pytest.mark.parametrize("strength", [3.0, 10.0])
def test_two_parts_of_one_product_but_unlike_strength_are_one_answer(strength: float) -> None:
    """As of a capacitor that counts once and one that counts 1.37 times: only sizes differ."""
    column = np.linspace(0.2, 1.0, 6) * strength
    unit = LinearUnit(np.column_stack([column, 1.37 * column]), currents(6))
    posterior = share(unit.weighed(unit.observed(unit.shift(0, 0.4), 0.02)))
    assert {m.group for m in grouped(posterior.suspects)} == {1}


def hardly(scored: Scored, evidence: float = 0.0) -> tuple[Scored, float]:
    """A suspect of small prior with that much evidence, in nats."""
    return replace(scored, log_evidence=evidence), 1e-4


def test_look_alikes_of_the_leading_suspect_are_listed_however_improbable() -> None:
    """Within two standard deviations and as well explained: its group; the others stay out."""
    alike, unlike = hardly(suspect(21.9)), hardly(suspect(22.1))
    worse = hardly(suspect(20.0), -20.0)
    found = grouped([(suspect(20.0), 0.7), (suspect(0.0), 0.3)], [alike, unlike, worse])
    assert [m.group for m in found] == [1, 2, 1]
    assert found[2].scored is alike[0]
    assert found[2].probability == pytest.approx(1e-4)


def test_the_list_of_look_alikes_is_bounded() -> None:
    found = grouped([(suspect(20.0), 0.7)], [hardly(suspect(20.0)) for _ in range(100)])
    assert len(found) == 1 + MOST_ALIKE


def test_a_suspect_that_does_not_show_has_no_look_alikes() -> None:
    """Within two standard deviations of a good unit: every fault that hides looks like it."""
    others = [hardly(suspect(1.0))]
    assert len(grouped([(suspect(1.0), 0.7)], others, healthy=np.zeros(1))) == 1
    assert len(grouped([(suspect(1.0), 0.7)], others, healthy=np.full(1, 9.0))) == 2


def test_what_a_bound_hides_tells_no_two_suspects_apart() -> None:
    """The second reading is a bound that both keep, one of them by far more."""
    two = [(suspect([0.0, 0.0], np.eye(2).tolist()), 0.5),
           (suspect([0.0, 40.0], np.eye(2).tolist()), 0.5)]
    assert len({m.group for m in grouped(two)}) == 2
    assert len({m.group for m in grouped(two, plain=np.array([0]))}) == 1
