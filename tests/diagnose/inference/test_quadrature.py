"""Integrals over a size on an uneven grid, against scipy's rules and exact distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from diagnose.inference.likelihood import Covariance
from diagnose.inference.quadrature import cells, quantiles, refined
from tests.diagnose.fake_bench import Array, LinearUnit, gains

UNEVEN = np.array([0.0, 0.01, 0.05, 0.3, 0.31, 0.7, 1.0])


def column(places: Array) -> Array:
    return places[:, None]


def test_cells_are_the_trapezoidal_rule() -> None:
    values = np.exp(UNEVEN)
    expected = integrate.trapezoid(values, UNEVEN)
    assert cells(column(UNEVEN)) @ values == pytest.approx(expected)
    assert cells(column(UNEVEN)).sum() == pytest.approx(1.0)
    assert cells(np.zeros((1, 1))) == pytest.approx([1.0])
    np.testing.assert_allclose(cells(np.zeros((4, 2))), 0.25)


@pytest.mark.parametrize("order", [1, -1])
def test_quantiles_are_those_of_the_distribution(order: int) -> None:
    """A beta distribution on an uneven grid, given in either order."""
    places = np.unique(np.concatenate([np.linspace(0, 1, 65), np.linspace(0.2, 0.3, 50)]))
    density = stats.beta(4.0, 9.0)
    weights = cells(column(places)) * density.pdf(places)
    found = quantiles(places[::order], weights[::order], (0.05, 0.5, 0.95))
    np.testing.assert_allclose(found, density.ppf([0.05, 0.5, 0.95]), atol=1e-3)


def test_quantiles_of_one_size_among_two_count_equal_places_together() -> None:
    grid = np.array([(x, y) for x in (0.0, 0.5, 1.0) for y in (0.2, 0.4)])
    weights = np.array([1.0, 1.0, 4.0, 4.0, 1.0, 1.0]) / 12.0
    low, high = quantiles(grid[:, 0], weights, (0.0, 1.0))
    assert (low, high) == (0.0, 1.0)
    (middle,) = quantiles(grid[:, 0], weights, (0.5,))
    assert middle == pytest.approx(0.5)
    assert quantiles(np.full(3, 0.4), np.ones(3) / 3.0, (0.05, 0.95)) == pytest.approx([0.4, 0.4])


@pytest.mark.parametrize("strength", [0.1, 1.0, 10.0, 200.0])
def test_a_refined_grid_is_fine_where_the_readings_lie_and_coarse_elsewhere(
    strength: float,
) -> None:
    unit = LinearUnit(np.full((3, 1), strength), gains(3))
    observed = unit.observed(unit.shift(0, 0.4567))
    around = Covariance.of(np.eye(3) * 0.1**2)
    known = np.linspace(0.0, 1.0, 65)
    rows = np.array([unit.shift(0, p) for p in known])
    places, predicted = refined(column(known), rows, around, observed)
    assert np.isin(known, places).all()
    assert (np.diff(places[:, 0]) > 0.0).all()
    np.testing.assert_allclose(predicted, [unit.shift(0, p) for p in places[:, 0]], atol=1e-9)
    squares = around.squares(observed.residuals(predicted))
    assert squares.min() < 0.07  # half a stride of half a standard deviation
    assert len(places) < 65 + 1500
    far = np.abs(places[:, 0] - 0.4567) > 0.3
    if strength > 1.0:
        assert far.sum() <= 65
