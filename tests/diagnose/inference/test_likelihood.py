"""The likelihood against scipy's own distributions."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import mahalanobis

from circuits.reading import Reading
from diagnose.inference.censored import log_likelihood, standing
from diagnose.inference.likelihood import (
    Covariance,
    Observed,
    conditional,
    covariance_around,
    log_density,
    log_loose,
    log_student,
    slipping,
    spread,
    tail,
)
from diagnose.inference.model_error import model_covariance, model_errors, tails
from faultlib.tolerance import covariance
from tests.diagnose import density
from tests.diagnose.fake_bench import Array

SIZES = (1, 2, 5, 20)


def random_covariance(size: int, seed: int) -> Array:
    """A well-conditioned one whose entries differ by a factor of 10⁴ in scale."""
    random = np.random.default_rng(seed)
    root = random.normal(size=(size, size)) + 2.0 * np.eye(size)
    scale = np.diag(10.0 ** random.uniform(-2.0, 2.0, size))
    return np.asarray(scale @ root @ root.T @ scale)


@pytest.mark.parametrize("size", SIZES)
def test_the_density_is_scipys_multivariate_t(size: int) -> None:
    matrix = random_covariance(size, size)
    rows = stats.multivariate_t.rvs(np.zeros(size), matrix, df=3, size=50, random_state=size)
    rows = np.reshape(rows, (50, size))
    made = Covariance.of(matrix)
    freedom, _ = model_errors()
    expected = stats.multivariate_t.logpdf(rows, np.zeros(size), matrix, df=freedom)
    ours = log_student(made.squares(rows), made.log_determinant, size)
    np.testing.assert_allclose(ours, expected, rtol=1e-6)


@pytest.mark.parametrize("size", SIZES)
def test_squares_are_scipys_mahalanobis_distances(size: int) -> None:
    matrix = random_covariance(size, 100 + size)
    rows = np.random.default_rng(size).normal(size=(10, size))
    inverse = np.linalg.inv(matrix)
    expected = [mahalanobis(row, np.zeros(size), inverse) ** 2 for row in rows]
    np.testing.assert_allclose(Covariance.of(matrix).squares(rows), expected, rtol=1e-6)
    assert Covariance.of(matrix).log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1])


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("square", [0.0, 0.3, 5.0, 40.0, 400.0])
def test_the_tail_is_that_of_chi_squared(size: int, square: float) -> None:
    assert tail(square, size) == pytest.approx(stats.chi2.sf(square, size), rel=1e-9)


def seen(*readings: Reading, values: list[float], bounds: tuple[str, ...] = ()) -> Observed:
    bench = np.full(len(readings), 0.1)
    return Observed(readings, np.array(values), bench, bounds or ("",) * len(readings))


NOISE = Reading("noise")


@pytest.mark.parametrize(
    ("bound", "predicted", "residual"),
    [
        ("<", -95.0, 0.0),   # read "< -90", predicted lower still: no contradiction
        ("<", -80.0, -10.0),  # predicted 10 dB above what the meter would have seen
        (">", -80.0, 0.0),
        (">", -95.0, 5.0),
        ("", -95.0, 5.0),
        ("", -80.0, -10.0),
    ],
)
def test_a_bound_holds_on_its_own_side_only(bound: str, predicted: float, residual: float) -> None:
    observed = seen(NOISE, values=[-90.0], bounds=(bound,))
    assert observed.departures(np.array([[predicted]]))[0, 0] == pytest.approx(residual)
    assert observed.residuals(np.array([[predicted]]))[0, 0] == pytest.approx(-90.0 - predicted)


@pytest.mark.parametrize(
    ("measured", "predicted"), [(179.0, -179.0), (-179.0, 179.0), (10.0, 372.0), (-350.0, 8.0)]
)
def test_phases_differ_by_the_short_way_round(measured: float, predicted: float) -> None:
    """Angle between two phasors, by complex arithmetic."""
    observed = seen(Reading("phase", frequency=1e3), values=[measured])
    turn = np.exp(1j * math.radians(measured)) / np.exp(1j * math.radians(predicted))
    found = observed.residuals(np.array([[predicted]]))[0, 0]
    assert found == pytest.approx(math.degrees(np.angle(turn)))
    assert abs(found) == pytest.approx(2.0)


def test_only_phases_wrap() -> None:
    observed = seen(Reading("dc voltage", at="a"), values=[300.0])
    assert observed.residuals(np.array([[0.0]]))[0, 0] == pytest.approx(300.0)


def test_the_model_error_stays_alike_along_frequency() -> None:
    """A first-order Markov covariance: correlation exp(-decades / length)."""
    _, errors = model_errors()
    length = errors["gain"].decades
    at = (20.0, 200.0, 250.0, 20e3)
    readings = [Reading("gain", frequency=f) for f in at]
    found = model_covariance(readings, np.array([0.0, 10.0, 20.0, -30.0]))
    sigma = np.sqrt(np.diag(found))
    np.testing.assert_allclose(sigma, errors["gain"].sigma)
    decades = np.abs(np.subtract.outer(np.log10(at), np.log10(at)))
    np.testing.assert_allclose(found / np.outer(sigma, sigma), np.exp(-decades / length))


def test_model_errors_of_different_quantities_are_independent() -> None:
    readings = [Reading("gain", frequency=1e3), Reading("phase", frequency=1e3),
                Reading("dc voltage", at="a"), Reading("dc voltage", at="b")]
    found = model_covariance(readings, np.array([20.0, 0.0, 10.0, -2.0]))
    assert np.count_nonzero(found - np.diag(np.diag(found))) == 0


def test_the_model_error_of_a_voltage_grows_with_it() -> None:
    """Independent errors add as squares."""
    _, errors = model_errors()
    about = errors["dc voltage"]
    assert about.relative > 0.0
    found = model_covariance([Reading("dc voltage", at="a")], np.array([-40.0]))
    assert found[0, 0] == pytest.approx(about.sigma**2 + (40.0 * about.relative) ** 2)


def test_a_covariance_stays_positive_definite_on_a_dense_sweep() -> None:
    """Two hundred frequencies, some of them read twice, are no trouble for the factor."""
    at = [*np.geomspace(10.0, 100e3, 200), 1000.0, 1000.0]
    readings = tuple(Reading("response", frequency=float(f), reference=1e3) for f in at)
    matrix = model_covariance(readings, np.zeros(len(at)))
    np.testing.assert_array_equal(matrix, matrix.T)
    assert np.linalg.eigvalsh(matrix).min() > -1e-12
    observed = seen(*readings, values=[0.0] * len(at))
    made = spread(observed, np.zeros((1, len(at))), np.zeros(len(at)))
    assert math.isfinite(made.log_determinant)


def test_the_spread_is_the_sum_of_its_three_causes() -> None:
    """Independent causes: covariances add."""
    readings = tuple(Reading("gain", frequency=f) for f in (50.0, 1e3, 9e3))
    observed = seen(*readings, values=[1.0, 2.0, 3.0])
    moves = np.random.default_rng(3).normal(size=(4, 3))
    made = spread(observed, moves, observed.values)
    expected = (sum(np.outer(row, row) for row in moves) + np.diag([0.01] * 3)
                + model_covariance(readings, observed.values))
    np.testing.assert_allclose(made.factor @ made.factor.T, expected)
    np.testing.assert_allclose(covariance(moves), moves.T @ moves)


def test_two_channels_share_the_model_s_error_and_one_stands_by_itself() -> None:
    """Random effects (a common one and one's own): covariances add, and all the rest is the bench.

    The own part is 5 % of the variance, as `model_error` says; the common one is wider by the
    factor that the readings state.
    """
    reading = Reading("gain", frequency=1e3)
    alone = seen(reading, reading, values=[1.0, 1.0])
    both = replace(alone, channels=(0, 1), common=4.0)
    sigma = model_errors()[1]["gain"].sigma
    mine = 0.05 * sigma**2
    common = 16.0 * 0.95 * sigma**2
    np.testing.assert_allclose(
        covariance_around(both, both.values),
        [[common + mine + 0.01, common], [common, common + mine + 0.01]],
    )
    apart = np.diag(covariance_around(both, both.values, twins=False))
    np.testing.assert_allclose(apart, sigma**2 + 0.01)


def test_the_spread_is_put_together_in_one_place() -> None:
    """Put together by hand in five places it was not alike in all of them."""
    root = Path(__file__).resolve().parents[3]
    users = {path.stem for package in ("circuits", "faultlib", "diagnose")
             for path in (root / package).rglob("*.py")
             if "model_covariance(" in path.read_text(encoding="utf-8")}
    assert users == {"model_error", "likelihood"}


def test_one_misread_value_costs_less_than_under_a_gaussian() -> None:
    """Twenty standard deviations in one reading of ten; in two of them it is no slip any more."""
    around = Covariance.of(np.eye(10))
    rows = np.zeros((3, 10))
    rows[1, 4] = 20.0
    rows[2, 4] = rows[2, 5] = 20.0
    good, slip, two = log_density(rows, around)
    gaussian = -(20.0**2) / 2.0
    assert slip - good > gaussian / 8.0
    assert two - slip < gaussian / 4.0


@pytest.mark.parametrize("size", SIZES)
def test_the_density_is_the_mixture_term_by_term(size: int) -> None:
    matrix = random_covariance(size, size)
    sigma = np.sqrt(np.diag(matrix))
    matrix = matrix / np.outer(sigma, sigma)  # scipy drops what is 10⁸ times smaller than the rest
    rows = 4.0 * np.random.default_rng(size).normal(size=(20, size))
    around = Covariance.of(matrix)
    ours = log_density(around.whiten(rows), around)
    np.testing.assert_allclose(ours, density.log_density(rows, matrix), rtol=1e-6)


@pytest.mark.parametrize("size", SIZES)
def test_what_the_others_leave_open_is_the_conditional_normal(size: int) -> None:
    """One normal variable given the others (Anderson 2003, 2.5.1; from memory)."""
    if size < 2:
        pytest.skip("one reading has no others")
    matrix = random_covariance(size, 50 + size)
    row = np.random.default_rng(size).normal(size=size)
    around = Covariance.of(matrix)
    (ours,) = conditional(around.whiten(row[None, :]), around)
    for k in range(size):
        rest = [i for i in range(size) if i != k]
        solved = np.linalg.solve(matrix[np.ix_(rest, rest)], matrix[rest, k])
        left = matrix[k, k] - matrix[k, rest] @ solved
        assert ours[k] == pytest.approx((row[k] - solved @ row[rest]) / math.sqrt(left))


def test_a_fault_that_does_roughly_the_same_is_likelier_only_where_the_known_one_fails() -> None:
    """Thirty readings: a known fault leaves √30; 20 spread over all, or 30 in one, is too far."""
    around = Covariance.of(np.eye(30))
    rows = np.ones((4, 30))
    rows[1] *= 20.0 / math.sqrt(30.0)
    rows[2, 3], rows[3, 3] = 10.0, 30.0  # a slip, and more than a slip
    apart = conditional(rows, around)
    known = log_density(rows, around)
    rough = log_loose((rows**2).sum(axis=1), apart, np.zeros(4))
    ahead = known - rough
    assert ahead[0] > 3.0
    assert ahead[1] < -5.0
    assert ahead[2] > ahead[3] + 3.0


def test_the_error_grows_with_what_a_fault_does() -> None:
    readings = [Reading("gain", frequency=1e3)]
    sigma = model_errors()[1]["gain"].sigma
    ((far,),) = model_covariance(readings, np.zeros(1), shift=np.array([-20.0]))
    assert far == pytest.approx(sigma**2 + (20.0 * tails().shifted) ** 2)


def test_only_what_both_channels_read_may_be_farther_off() -> None:
    """The good channel tells what the file has wrong, and nothing of what it was not read for."""
    twice, once = Reading("gain", frequency=1e3), Reading("gain", frequency=20.0)
    readings = [twice, once, twice]
    plain = model_covariance(readings, np.zeros(3), (0, 0, 1))
    wide = model_covariance(readings, np.zeros(3), (0, 0, 1), common=4.0)
    assert wide[1, 1] == pytest.approx(plain[1, 1])
    assert wide[0, 0] > 10.0 * plain[0, 0]
    # what one channel has by itself stays as it was: the difference of the two is as sure
    apart = np.array([1.0, 0.0, -1.0])
    assert apart @ wide @ apart == pytest.approx(apart @ plain @ apart)


def test_a_slip_is_as_far_as_instrument_and_model_err_not_as_good_units_stray() -> None:
    """The mixture written out with scipy, each misread reading wider by its own slip."""
    about, (freedom, _) = tails(), model_errors()
    readings = (Reading("hum", frequency=100.0), Reading("gain", frequency=1e3))
    values, bench = np.array([-18.0, 26.0]), np.array([0.7, 0.1])
    observed = Observed(readings, values, bench, ("", ""), slips=slipping(readings, values, bench))
    matrix = np.diag([4.8, 0.1]) ** 2  # hum of good units strays by 5 dB, gain by next to nothing
    predicted = np.array([[-75.0, 26.0], [-30.0, 26.5]])
    _, errors = model_errors()
    limits = [about.slip * math.hypot(0.7, errors["hum"].sigma), about.slip * 0.1]
    expected = 0.0
    ways = [(1.0 - about.misread, matrix)]
    for k, limit in enumerate(limits):
        wider = matrix.copy()
        wider[k, k] += limit**2
        ways.append((about.misread / 2.0, wider))
    for weight, wide in ways:
        density = stats.multivariate_t.pdf(values - predicted, np.zeros(2), wide, df=freedom)
        expected = expected + weight * density
    found = log_likelihood(standing(observed, predicted, Covariance.of(matrix)))
    np.testing.assert_allclose(found, np.log(expected), rtol=1e-6)


def test_a_symptom_far_out_of_reach_is_no_slip() -> None:
    """118 mV where 0.2 mV is healthy: what a misread value may reach is 14 dB, not 48."""
    readings = (Reading("hum", frequency=100.0),)
    values, bench = np.array([20.0 * math.log10(0.118)]), np.array([0.7])
    healthy = np.array([[20.0 * math.log10(0.2e-3)]])
    around = Covariance.of(np.array([[4.8**2]]))
    costs = []
    for slips in (None, slipping(readings, values, bench)):
        observed = Observed(readings, values, bench, ("",), slips=slips)
        costs.append(float(log_likelihood(standing(observed, healthy, around))[0]))
    assert costs[0] > -11.0  # 1 % times a density as flat as 48 dB
    assert costs[1] < costs[0] - 4.0
