"""Bounds as censored readings: against scipy's distributions, Monte Carlo and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from circuits.reading import Reading
from diagnose.inference import model_error
from diagnose.inference.censored import (
    contradictions,
    distances,
    log_astray,
    log_kept,
    log_likelihood,
    log_roughly,
    standing,
    supposed,
)
from diagnose.inference.likelihood import Covariance, Observed, log_density, tail
from diagnose.inference.posterior import share
from tests.diagnose import density
from tests.diagnose.fake_bench import Array, LinearUnit, currents


def bench(values: list[float] | Array, bounds: tuple[str, ...]) -> Observed:
    """Readings of rails' currents, whose compared scale is taken as it is."""
    return Observed(currents(len(bounds)), np.array(values), np.full(len(bounds), 0.1), bounds)


def covariance(size: int, seed: int) -> Array:
    random = np.random.default_rng(seed)
    root = random.normal(size=(size, size)) + 2.0 * np.eye(size)
    return np.asarray(root @ root.T)


@pytest.mark.parametrize("bound", ["<", ">"])
@pytest.mark.parametrize("limit", [-3.0, 0.0, 2.0])
def test_one_bound_is_the_integral_of_the_density_over_it(bound: str, limit: float) -> None:
    """∫ of scipy's multivariate Student density over all that the meter may have hidden."""
    matrix = covariance(4, 1)
    freedom, _ = model_error.model_errors()
    whole = stats.multivariate_t(np.zeros(4), matrix, df=freedom)
    row = np.array([0.5, -1.0, limit, 2.0])

    def at(x: float) -> float:
        return float(whole.pdf(np.array([0.5, -1.0, x, 2.0])))

    ends = (-40.0, limit) if bound == "<" else (limit, 40.0)
    chance, _ = integrate.quad(at, *ends, limit=400)
    observed = bench(row, ("", "", bound, ""))
    found = log_kept(standing(observed, np.zeros((1, 4)), Covariance.of(matrix)))
    assert float(found[0]) == pytest.approx(math.log(chance), abs=1e-4)


def test_several_bounds_are_a_monte_carlo_of_the_readings_they_hide() -> None:
    """A million draws of the hidden readings given the plain ones, as good as normal (df 50)."""
    matrix = covariance(6, 5)
    observed = bench([0.5, 1.5, -0.4, -1.0, 0.3, 1.0], ("<", "", ">", "", "<", ""))
    found = standing(observed, np.zeros((1, 6)), Covariance.of(matrix))
    hidden, plain = [0, 2, 4], [1, 3, 5]
    ways = np.linalg.solve(matrix[np.ix_(plain, plain)], matrix[np.ix_(plain, hidden)]).T
    left = matrix[np.ix_(hidden, hidden)] - ways @ matrix[np.ix_(plain, hidden)]
    random = np.random.default_rng(2)
    drawn = random.multivariate_normal(ways @ observed.values[plain], left, 1_000_000)
    held = (drawn[:, 0] < 0.5) & (drawn[:, 1] > -0.4) & (drawn[:, 2] < 0.3)
    only = bench(observed.values[plain], ("", "", ""))
    alone = standing(only, np.zeros((1, 3)), Covariance.of(matrix[np.ix_(plain, plain)]))
    ours = float((log_kept(found) - log_kept(alone))[0])
    assert ours == pytest.approx(math.log(held.mean()), abs=0.1)


@pytest.mark.parametrize("count", [1, 3])
def test_plain_readings_alone_have_the_density_that_they_had(count: int) -> None:
    """Term by term with scipy."""
    matrix = covariance(count, 8)
    rows = 3.0 * np.random.default_rng(1).normal(size=(20, count))
    observed = bench([0.0] * count, ("",) * count)
    found = log_likelihood(standing(observed, -rows, Covariance.of(matrix)))
    np.testing.assert_allclose(found, density.log_density(rows, matrix), rtol=1e-6)


def with_bounds(plain: list[float], limits: list[float], seed: int) -> tuple[Observed, Covariance]:
    size = len(plain) + len(limits)
    bounds = ("",) * len(plain) + ("<",) * len(limits)
    return bench([*plain, *limits], bounds), Covariance.of(covariance(size, seed))


def test_bounds_that_hold_for_sure_say_nothing() -> None:
    """Every density is that of the plain readings alone."""
    observed, around = with_bounds([0.4, -1.0, 5.0], [60.0, 45.0], 3)
    matrix = (around.factor @ around.factor.T)[:3, :3]
    zero = np.zeros((1, 5))
    only = observed.some([0, 1, 2])
    alone = standing(only, zero[:, :3], Covariance.of(matrix))
    both = standing(observed, zero, around)
    for log in (log_kept, log_likelihood, log_roughly):
        np.testing.assert_allclose(log(both), log(alone), atol=1e-3)
    for kick in (10.0, 30.0):
        np.testing.assert_allclose(log_astray(both, kick), log_astray(alone, kick), atol=0.05)
    assert distances(both)[0] == pytest.approx(distances(alone)[0])
    assert int(distances(both)[1][0]) == 3


def test_a_bound_far_out_of_reach_kills_as_a_value_does() -> None:
    """A gain ``< -55 dB`` where 35 dB is predicted, the spread 1 dB."""
    values = np.array([0.1, -0.2, -55.0])
    predicted = np.array([[0.0, 0.0, 35.0], [0.0, 0.0, -60.0]])
    around = Covariance.of(np.eye(3))
    costs = []
    for bound in ("<", ""):
        logs = log_likelihood(standing(bench(values, ("", "", bound)), predicted, around))
        costs.append(float(logs[1] - logs[0]))
    by_bound, by_value = costs
    assert by_bound > 25.0
    assert by_bound == pytest.approx(by_value, rel=0.5)


@pytest.mark.parametrize("far", [1.0, 4.0, 8.0])
def test_a_bound_may_be_misread(far: float) -> None:
    """Independent readings: each way written out with scipy, ways weighed by their chances."""
    about = model_error.tails()
    freedom, _ = model_error.model_errors()
    observed, count = bench([0.0, 0.0, 0.0, -far], ("", "", "", "<")), 3
    found = float(log_likelihood(standing(observed, np.zeros((1, 4)), Covariance.of(np.eye(4))))[0])

    def plain(kicked: bool) -> float:
        scale = np.eye(count)
        if kicked:
            scale[0, 0] += about.slip**2
        return float(stats.multivariate_t.pdf(np.zeros(count), np.zeros(count), scale, df=freedom))

    def below(slip: float) -> float:
        scale = math.sqrt(freedom / (freedom + count))
        return float(stats.t.cdf(-far / math.sqrt(1.0 + slip**2) / scale, freedom + count))

    weight = 1.0 - below(0.0)
    one = (count * plain(True) * below(0.0) + weight * plain(False) * below(about.slip)) / (
        count + weight
    )
    whole = (1.0 - about.misread) * plain(False) * below(0.0) + about.misread * one
    assert found == pytest.approx(math.log(whole), abs=0.01)


def test_a_misread_plain_reading_does_not_break_a_bound_that_goes_with_it() -> None:
    """Two readings of one thing, one of them 20 standard deviations off: the bound still holds.

    What is left is that any of three readings may be the misread one, and not one of two.
    """
    matrix = np.array([[1.0, 0.95, 0.0], [0.95, 1.0, 0.0], [0.0, 0.0, 1.0]])
    observed = bench([20.0, 3.0, 0.0], ("", "<", ""))
    around = Covariance.of(matrix)
    found = log_likelihood(standing(observed, np.zeros((1, 3)), around))
    alone = log_density(np.array([[20.0, 0.0]]), Covariance.of(np.eye(2)))
    assert float(found[0] - alone[0]) == pytest.approx(math.log(2.0 / 3.0), abs=0.05)


def test_the_order_of_readings_does_not_matter() -> None:
    observed, around = with_bounds([0.4, -1.0], [-0.5, 1.0, 0.2], 4)
    order = [3, 0, 4, 1, 2]
    matrix = (around.factor @ around.factor.T)[np.ix_(order, order)]
    zero = np.zeros((1, 5))
    mixed = standing(observed.some(order), zero, Covariance.of(matrix))
    plain = standing(observed, zero, around)
    for log in (log_likelihood, log_roughly):
        np.testing.assert_allclose(log(mixed), log(plain), rtol=1e-9)


def test_above_is_below_mirrored() -> None:
    observed, around = with_bounds([0.4, -1.0], [-0.5, 1.0], 6)
    signs = np.array([1.0, 1.0, -1.0, 1.0])
    mirrored = replace(observed, values=observed.values * signs, bounds=("", "", ">", "<"))
    matrix = (around.factor @ around.factor.T) * np.outer(signs, signs)
    zero = np.zeros((1, 4))
    np.testing.assert_allclose(
        log_likelihood(standing(mirrored, zero, Covariance.of(matrix))),
        log_likelihood(standing(observed, zero, around)), rtol=1e-9,
    )


def test_bounds_alone_are_weighed() -> None:
    """No plain reading at all: the chance is that of the bounds."""
    observed = bench([-2.0, 9.0], ("<", "<"))
    at = standing(observed, np.zeros((1, 2)), Covariance.of(np.eye(2)))
    freedom, _ = model_error.model_errors()
    assert float(log_kept(at)[0]) == pytest.approx(stats.t.logcdf(-2.0, freedom), abs=0.001)
    about = model_error.tails()
    misread = stats.t.cdf(-2.0 / math.sqrt(1.0 + about.slip**2), freedom)
    whole = (1.0 - about.misread) * stats.t.cdf(-2.0, freedom) + about.misread * misread
    assert float(log_likelihood(at)[0]) == pytest.approx(math.log(whole), abs=0.001)


def test_units_behind_a_floor_seldom_look_bad() -> None:
    """Of normal units read by a meter that sees nothing below its floor, not more than twice α."""
    random = np.random.default_rng(11)
    matrix = covariance(5, 12)
    around = Covariance.of(matrix)
    floor = 0.3 * math.sqrt(matrix[0, 0])
    rows = random.multivariate_normal(np.zeros(5), matrix, 4000)
    low = rows[:, 0] < floor
    assert 0.3 < low.mean() < 0.8
    chances = []
    for row, hidden in zip(rows, low, strict=True):
        values = np.array([floor, *row[1:]]) if hidden else row
        observed = bench(values, ("<" if hidden else "", "", "", "", ""))
        squares, sizes = distances(standing(observed, np.zeros((1, 5)), around))
        chances.append(tail(float(squares[0]), int(sizes[0])))
    for alpha in (0.01, 0.05, 0.2):
        assert np.mean(np.array(chances) < alpha) < 2.0 * alpha


def test_a_broken_bound_speaks_against_an_answer_and_a_kept_one_does_not() -> None:
    observed = bench([0.0, -4.0, 4.0], ("", "<", "<"))
    found = contradictions(observed, np.zeros(3), Covariance.of(np.eye(3)))
    np.testing.assert_allclose(found, [0.0, -4.0, 0.0])


def test_a_kept_bound_is_supposed_where_the_others_put_it() -> None:
    """The mean of a normal variable given another is a straight line."""
    matrix = np.array([[1.0, 0.6], [0.6, 1.0]])
    observed = bench([2.0, 5.0], ("", "<"))
    np.testing.assert_allclose(supposed(observed, np.zeros(2), Covariance.of(matrix)), [2.0, 1.2])
    tight = bench([2.0, 0.5], ("", "<"))
    np.testing.assert_allclose(supposed(tight, np.zeros(2), Covariance.of(matrix)), [2.0, 0.5])


def unit(bounds: int) -> LinearUnit:
    """Three capacitors that move four currents, and others that only a little."""
    moves = np.array([[1.0, 0.2, 0.1], [0.1, 0.9, 0.2], [0.2, 0.1, 1.1], [0.5, 0.5, 0.1]])
    faint = np.full((bounds, 3), 0.01)
    return LinearUnit(np.vstack([moves, faint]), currents(4 + bounds))


@pytest.mark.parametrize("place", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("bounds", [1, 3, 8])
def test_bounds_that_every_hypothesis_keeps_move_no_probability(place: float, bounds: int) -> None:
    """Health and every fault predict far less than the limits, whatever the plain readings are."""
    with_them = unit(bounds)
    values = with_them.shift(0, place)
    read = np.where(np.arange(len(values)) < 4, values, 5.0)
    observed = replace(with_them.observed(read), bounds=("",) * 4 + ("<",) * bounds)
    after = share(with_them.weighed(observed))
    without = unit(0)
    before = share(without.weighed(without.observed(values[:4])))
    assert after.healthy == pytest.approx(before.healthy, abs=0.01)
    assert after.unmodelled == pytest.approx(before.unmodelled, abs=0.01)
    assert after.fit == pytest.approx(before.fit, abs=0.01)
    known = {s.hypotheses[0].label(): p for s, p in before.suspects}
    for scored, chance in after.suspects:
        assert chance == pytest.approx(known[scored.hypotheses[0].label()], abs=0.01)


def test_a_bound_that_only_health_breaks_ends_it() -> None:
    """A current so low that a good unit hardly gives it, seen by a meter that stops above it."""
    unit_, limit = unit(0), math.log(0.3)
    values = np.array([0.0, 0.0, 0.0, limit])
    moved = replace(unit_, moves=np.array([[0.0] * 3, [0.0] * 3, [0.0] * 3, [1.0, 0.0, 0.0]]))
    observed = replace(moved.observed(values), bounds=("", "", "", "<"))
    found = share(moved.weighed(observed))
    assert found.healthy < 0.01
    assert found.suspects[0][0].hypotheses[0].part == "C1"
    assert found.suspects[0][1] > 0.8


def test_a_phase_is_a_bound_the_short_way_round() -> None:
    observed = Observed((Reading("phase", frequency=1e3),), np.array([179.0]), np.ones(1), ("<",))
    assert float(observed.departures(np.array([-179.0]))[0]) == pytest.approx(-2.0)
