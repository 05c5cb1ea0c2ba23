"""The probability of several bounds at once against scipy's integrals and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from diagnose.inference.orthant import as_normal, log_below, log_orthant
from tests.diagnose.fake_bench import Array


def correlation(size: int, random: np.random.Generator) -> Array:
    """Of a few common causes and something of one's own, as readings of one unit have it."""
    causes = random.normal(size=(size, size))
    matrix = causes @ causes.T + np.diag(random.uniform(0.05, 2.0, size))
    sigma = np.sqrt(np.diag(matrix))
    return np.asarray(matrix / np.outer(sigma, sigma))


def test_one_variable_is_scipys_normal() -> None:
    z = np.linspace(-300.0, 12.0, 2000)
    np.testing.assert_allclose(log_below(z), stats.norm.logcdf(z), rtol=1e-10, atol=1e-15)
    np.testing.assert_allclose(log_orthant(z[:, None], np.ones((1, 1, 1))), stats.norm.logcdf(z),
                               rtol=1e-10, atol=1e-14)


@pytest.mark.parametrize(("freedom", "nats"), [(4.0, 0.01), (10.0, 1e-5), (55.0, 1e-8)])
def test_student_deviates_are_as_probable_as_scipys(freedom: float, nats: float) -> None:
    """Hill 1970; as far out as one in a hundred thousand."""
    t = np.linspace(stats.t.ppf(1e-5, freedom), 6.0, 60)
    ours = log_below(as_normal(t, freedom))
    assert np.abs(ours - stats.t.logcdf(t, freedom)).max() < nats


@pytest.mark.parametrize("rho", [-0.9, -0.5, 0.0, 0.5, 0.9])
def test_two_halves_are_the_arcsine(rho: float) -> None:
    """P(x < 0, y < 0) = 1/4 + asin(ρ) / 2π (Sheppard 1899)."""
    found = log_orthant(np.zeros((1, 2)), np.array([[[1.0, rho], [rho, 1.0]]]))
    exact = 0.25 + math.asin(rho) / (2.0 * math.pi)
    assert float(found[0]) == pytest.approx(math.log(exact), abs=0.06)


@pytest.mark.parametrize("size", [2, 3, 5, 8])
def test_many_halves_of_equal_correlation(size: int) -> None:
    """At ρ = 1/2 the largest of n + 1 equal variables is the first: P = 1 / (n + 1)."""
    alike = np.full((size, size), 0.5) + 0.5 * np.eye(size)
    found = log_orthant(np.zeros((1, size)), alike[None])
    assert float(found[0]) == pytest.approx(-math.log(size + 1.0), abs=0.05)


@pytest.mark.parametrize("size", [2, 3, 5, 8])
def test_correlated_bounds_are_scipys_integral(size: int) -> None:
    """Of 30 random ones each: within 0.05 nats and a tenth of the logarithm, half within 0.02."""
    random = np.random.default_rng(size)
    errors = []
    for _ in range(30):
        alike = correlation(size, random)
        limits = random.normal(0.7, 1.5, size)
        normal = stats.multivariate_normal(np.zeros(size), alike)
        chance = float(np.asarray(normal.cdf(limits, rng=random)))
        if chance < 1e-5:  # scipy's own error is larger there
            continue
        ours = float(log_orthant(limits[None, :], alike[None])[0])
        errors.append(abs(ours - math.log(chance)))
        assert errors[-1] < 0.05 + 0.1 * abs(math.log(chance))
    assert len(errors) > 20
    assert float(np.median(errors)) < 0.02


def test_rows_do_not_know_of_each_other() -> None:
    """Rows together, with limits that hold for sure among them, are rows one by one."""
    random = np.random.default_rng(7)
    limits = random.normal(1.0, 6.0, (40, 4))
    alike = np.stack([correlation(4, random) for _ in range(40)])
    together = log_orthant(limits, alike)
    alone = [log_orthant(limits[k : k + 1], alike[k : k + 1])[0] for k in range(40)]
    np.testing.assert_allclose(together, alone, rtol=1e-9, atol=1e-12)


def test_what_holds_for_sure_changes_nothing() -> None:
    random = np.random.default_rng(3)
    alike = correlation(4, random)
    some = log_orthant(np.array([[0.3, -1.0]]), alike[None, :2, :2])
    more = log_orthant(np.array([[0.3, -1.0, 30.0, 25.0]]), alike[None])
    np.testing.assert_allclose(more, some, atol=1e-12)


def test_opposite_bounds_on_nearly_one_thing_exclude_each_other() -> None:
    """Below -5, and its near mirror below 4: one of them cannot be."""
    rho = -0.99
    found = log_orthant(np.array([[-5.0, 4.0]]), np.array([[[1.0, rho], [rho, 1.0]]]))
    left = float(found[0]) - float(log_below(np.array([-5.0]))[0])
    assert left < -10.0
