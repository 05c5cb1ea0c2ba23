"""The posterior on a linear unit, against numerical integrals and what probabilities must obey."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference import evidence as scored
from diagnose.inference import model_error
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Observed
from diagnose.inference.model_error import model_covariance, model_errors
from diagnose.inference.posterior import PRIOR_HEALTHY, PRIOR_UNMODELLED, Posterior, share, weigh
from diagnose.inference.unmodelled import FITS
from faultlib.signature import signatures
from tests.diagnose.density import draws, known_surely, log_density
from tests.diagnose.fake_bench import FARADS, Array, FakeBench, LinearUnit, currents, gains

BENCH = 0.1
"""dB, standard uncertainty of every reading."""


def random_unit(seed: int, strength: float, parts: int = 3, count: int = 8) -> LinearUnit:
    """Gains moved by random amounts: `strength` dB for a factor e in capacitance."""
    random = np.random.default_rng(seed)
    return LinearUnit(strength * random.normal(size=(count, parts)), gains(count), 0.02)


def scale_matrix(unit: LinearUnit, observed: Observed) -> Array:
    """Covariance by hand: good parts, the bench, the model."""
    moves = unit.sensitivities()
    model = model_covariance(unit.readings, unit.healthy())
    return np.asarray(moves.T @ moves + np.diag(observed.bench**2) + model)


def noise(unit: LinearUnit, random: np.random.Generator, count: int) -> Array:
    """What readings differ by from what is predicted, as the likelihood holds."""
    return draws(scale_matrix(unit, unit.observed(unit.healthy(), BENCH)), count, random)


# -- the integral over the size --------------------------------------------------------------------


def by_quadrature(unit: LinearUnit, observed: Observed, which: int) -> float:
    """Log of ∫ p(y | place) p(place) d place by scipy, for comparison."""
    density = unit.losses()[which].mode.density
    matrix = scale_matrix(unit, observed)
    size = np.linspace(0.0, 1.0, 4001)
    rows = observed.values - unit.healthy() - np.array([unit.shift(which, p) for p in size])
    logs = log_density(rows, matrix)
    top, peak = float(logs.max()), float(size[int(np.argmax(logs))])

    def above(place: float) -> float:
        row = observed.values - unit.healthy() - unit.shift(which, place)
        often = float(density(np.array([place]))[0])
        return often * math.exp(float(log_density(row, matrix)[0]) - top)

    breaks = sorted({0.0, 1.0, *np.clip([peak - 0.02, peak, peak + 0.02], 0.0, 1.0).tolist()})
    parts = [integrate.quad(above, a, b, limit=200)[0] for a, b in pairwise(breaks)]
    return top + math.log(sum(parts))


@pytest.mark.slow
@pytest.mark.parametrize("strength", [0.03, 0.3, 3.0, 8.686])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_evidence_is_the_integral_over_all_sizes(
    strength: float, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From readings that hardly see the size to a first-order slope, 8.686 dB for a factor e."""
    known_surely(monkeypatch)
    unit = random_unit(seed, strength)
    place = float(np.random.default_rng(seed).uniform())
    values = unit.shift(0, place) + noise(unit, np.random.default_rng(seed), 1)[0]
    observed = unit.observed(values, BENCH)
    found = unit.weighed(observed)
    true = by_quadrature(unit, observed, 0)
    assert found.scored[0].exact
    assert found.scored[0].log_evidence == pytest.approx(true, abs=0.03)


def test_health_is_the_density_at_the_healthy_readings() -> None:
    unit = random_unit(4, 1.0)
    observed = unit.observed(np.linspace(-1.0, 1.0, 8), BENCH)
    (expected,) = log_density(observed.values - unit.healthy(), scale_matrix(unit, observed))
    assert unit.weighed(observed).healthy - math.log(PRIOR_HEALTHY) == pytest.approx(expected)


@pytest.mark.slow
@pytest.mark.parametrize("strength", [0.3, 3.0, 8.686])
def test_the_interval_holds_nine_of_ten(
    strength: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sizes drawn from the prior, readings from the likelihood: then 90 % is exact by Bayes.

    Of 200 draws the number inside is binomial; its central 99.9 % is allowed.
    """
    known_surely(monkeypatch)
    unit = random_unit(5, strength, parts=1)
    found, bench = unit.found(), unit.bench()
    random = np.random.default_rng(17)
    draws = 200
    inside = []
    for row in noise(unit, random, draws):
        place = float(random.uniform())
        observed = unit.observed(unit.shift(0, place) + row, BENCH)
        _, low, high = weigh(found, observed, [0.0], bench).scored[0].interval(0)
        inside.append(low <= place <= high)
    allowed = stats.binom.interval(0.999, draws, 0.9)
    assert allowed[0] <= sum(inside) <= allowed[1]


def test_the_interval_is_not_wider_than_it_must_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far from the limits, the posterior of a linear size is Student's: its own 90 % range."""
    known_surely(monkeypatch, misread=False)
    unit = random_unit(6, 3.0, parts=1)
    observed = unit.observed(unit.shift(0, 0.5), BENCH)
    (one,) = unit.weighed(observed).scored
    best, low, high = one.interval(0)
    freedom, _ = model_errors()
    slope = unit.shift(0, 1.0) - unit.shift(0, 0.0)
    precision = slope @ np.linalg.solve(scale_matrix(unit, observed), slope)
    # no residual: scale² = ν / ((ν + m - 1) · precision), with ν + m - 1 degrees of freedom
    left = freedom + len(slope) - 1.0
    half = stats.t.ppf(0.95, left) * math.sqrt(freedom / (left * precision))
    assert best == pytest.approx(0.5, abs=half / 5.0)
    assert low == pytest.approx(0.5 - half, abs=half / 20.0)
    assert high == pytest.approx(0.5 + half, abs=half / 20.0)


def test_a_size_between_the_simulated_ones_fits_as_well_as_one_of_them() -> None:
    """The squared distance does not depend on where the grid happens to stand."""
    unit = random_unit(7, 8.686, parts=1)
    for place in np.linspace(0.4, 0.4 + 2.0 / (scored.GRID - 1), 9):
        observed = unit.observed(unit.shift(0, float(place)), BENCH)
        assert unit.weighed(observed).scored[0].square < 0.1


# -- probabilities ---------------------------------------------------------------------------------


def total(posterior: Posterior) -> float:
    return sum(p for _, p in posterior.suspects) + posterior.healthy + posterior.unmodelled


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.0, 100.0), st.sampled_from(["", "<", ">"]))
def test_probabilities_add_up_to_one(seed: int, off: float, bound: str) -> None:
    unit = random_unit(seed, 1.0, count=4)
    values = off * np.random.default_rng(seed).normal(size=4)
    observed = replace(unit.observed(values, BENCH), bounds=(bound, "", "", ""))
    posterior = share(unit.weighed(observed, (5.0, 1.0, 0.1)))
    assert total(posterior) == pytest.approx(1.0, abs=1e-12)
    chances = [p for _, p in posterior.suspects]
    assert chances == sorted(chances, reverse=True)
    assert min(*chances, posterior.healthy, posterior.unmodelled) >= 0.0


def test_no_information_leaves_the_priors() -> None:
    """Readings that no known fault moves: the odds among them and health are the priors'.

    A fault outside the library moves something, which these readings speak against.
    """
    unit = LinearUnit(np.zeros((3, 3)), gains(3))
    posterior = share(unit.weighed(unit.observed(np.zeros(3)), (6.0, 3.0, 1.0)))
    assert posterior.unmodelled < PRIOR_UNMODELLED
    known = (1.0 - posterior.unmodelled) / (1.0 - PRIOR_UNMODELLED)
    assert posterior.healthy == pytest.approx(PRIOR_HEALTHY * known)
    modelled = 1.0 - PRIOR_HEALTHY - PRIOR_UNMODELLED
    assert [p for _, p in posterior.suspects] == pytest.approx(
        [share * modelled * known for share in (0.6, 0.3, 0.1)]
    )


def first(posterior: Posterior) -> str:
    answers = {" with ".join(h.part for h in s.hypotheses): p for s, p in posterior.suspects}
    answers |= {"healthy": posterior.healthy, "unmodelled": posterior.unmodelled}
    return max(answers, key=lambda name: answers[name])


def inferred(unit: LinearUnit, values: Array) -> Posterior:
    found = unit.found()
    return infer(found, unit.observed(values, BENCH), [0.0] * len(found.faults), unit.bench())


def test_healthy_readings_are_called_healthy() -> None:
    unit = random_unit(8, 1.0)
    posterior = inferred(unit, unit.healthy())
    assert first(posterior) == "healthy"
    assert posterior.healthy > 0.9
    assert posterior.fit > 0.99


@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("place", [0.05, 0.37, 0.8])
def test_a_fault_is_named_and_sized(which: int, place: float) -> None:
    unit = random_unit(9, 3.0)
    values = unit.shift(which, place) + noise(unit, np.random.default_rng(which), 1)[0]
    posterior = inferred(unit, values)
    top, probability = posterior.suspects[0]
    assert [h.part for h in top.hypotheses] == [f"C{which + 1}"]
    assert probability > 0.95
    assert posterior.unmodelled < 0.01
    assert top.interval(0)[0] == pytest.approx(place, abs=0.05)


WILD = {
    "see-saw": [60.0, -60.0] * 4,
    "one reading": [0.0, 0.0, 0.0, 90.0, 0.0, 0.0, 0.0, 0.0],
    "steps": [40.0, 40.0, -40.0, -40.0, 40.0, 40.0, -40.0, -40.0],
    "all over": list(50.0 * np.random.default_rng(1).normal(size=8)),
}


@pytest.mark.parametrize("what", WILD)
def test_what_no_fault_explains_is_called_unmodelled(what: str) -> None:
    """Three faults span three of eight directions; these readings lie far outside."""
    unit = random_unit(10, 10.0)
    values = np.array(WILD[what])
    columns, *_ = np.linalg.lstsq(unit.moves, values, rcond=None)
    left = values - unit.moves @ columns
    assert np.linalg.norm(left) > 30.0  # no sum of them comes near
    posterior = inferred(unit, values)
    assert first(posterior) == "unmodelled"
    assert posterior.unmodelled > 0.9
    assert posterior.fit < 1e-6


def test_a_rare_fault_that_explains_everything_does_not_lose_to_one_of_no_library() -> None:
    """An unknown fault wins when nothing fits; what it does like a known one is that one's."""
    unit = random_unit(9, 3.0)
    values = unit.shift(1, 0.01)
    rare = [0.0, math.log(1e-6), 0.0]
    posterior = infer(unit.found(), unit.observed(values, BENCH), rare, unit.bench())
    assert posterior.fit > FITS
    top, probability = posterior.suspects[0]
    assert [h.part for h in top.hypotheses] == ["C2"]
    assert probability > 0.9


@pytest.mark.slow
def test_an_answer_given_with_eighty_percent_is_right_eight_times_of_ten() -> None:
    """Units drawn from the prior and the likelihood: calibration is exact by Bayes.

    Of the draws that are given a probability p, a share p is right: the difference between hits
    and promised hits has variance Σ p (1 - p). 3.5 standard deviations are allowed in each bin.
    """
    unit = random_unit(11, 0.08, parts=4, count=5)  # readings that leave real doubt
    found, bench = unit.found(), unit.bench()
    random = np.random.default_rng(23)
    priors = np.array([8.0, 4.0, 2.0, 1.0])
    modelled = 1.0 - PRIOR_HEALTHY - PRIOR_UNMODELLED
    chances = np.array([*(priors / priors.sum() * modelled), PRIOR_HEALTHY])
    promised: list[float] = []
    right: list[bool] = []
    for row in noise(unit, random, 250):
        truth = int(random.choice(5, p=chances / chances.sum()))
        shift = unit.healthy() if truth == 4 else unit.shift(truth, float(random.uniform()))
        posterior = share(weigh(found, unit.observed(shift + row, BENCH),
                                [math.log(p) for p in priors], bench))
        by_part = {s.hypotheses[0].part: p for s, p in posterior.suspects}
        # no unit is drawn from outside the library
        told = np.array([*(by_part[f"C{k + 1}"] for k in range(4)), posterior.healthy])
        told /= told.sum()
        promised += told.tolist()
        right += [k == truth for k in range(5)]
    bins = np.digitize(promised, [0.1, 0.3, 0.5, 0.7, 0.9])
    for k in range(6):
        p = np.array(promised)[bins == k]
        hits = np.array(right)[bins == k].sum()
        assert abs(hits - p.sum()) <= 3.5 * math.sqrt(float((p * (1.0 - p)).sum())) + 0.5, k
    assert len(set(bins.tolist())) >= 5


# -- what must not matter --------------------------------------------------------------------------


def by_name(posterior: Posterior) -> dict[str, float]:
    made = {s.hypotheses[0].part: p for s, p in posterior.suspects}
    return made | {"healthy": posterior.healthy, "unmodelled": posterior.unmodelled}


VALUES = np.array([-1.0, 0.4, -2.0, 0.3, -0.6, 0.2, 0.9, -1.4])


def test_the_order_of_the_readings_does_not_matter() -> None:
    unit = random_unit(12, 0.3)
    before = by_name(share(unit.weighed(unit.observed(VALUES, BENCH))))
    order = np.random.default_rng(3).permutation(8)
    turned = unit.permuted(order.tolist())
    after = by_name(share(turned.weighed(turned.observed(VALUES[order], BENCH))))
    assert after == pytest.approx(before, rel=1e-6)


def test_the_order_of_the_hypotheses_does_not_matter() -> None:
    unit = random_unit(12, 0.3)
    found = unit.found()
    turned = replace(found, faults=found.faults[::-1])
    observed = unit.observed(VALUES, BENCH)
    logs = [math.log(p) for p in (3.0, 2.0, 1.0)]
    before = by_name(share(weigh(found, observed, logs, unit.bench())))
    after = by_name(share(weigh(turned, observed, logs[::-1], unit.bench())))
    assert after == pytest.approx(before, rel=1e-9)


def test_a_unit_of_a_logarithmic_quantity_does_not_matter() -> None:
    """Amperes or milliamperes: every logarithm moves by ln 1000, predicted and measured alike."""
    unit = replace(random_unit(13, 0.3), readings=currents(8))
    moved = replace(unit, offset=math.log(1e3))
    before = by_name(share(unit.weighed(unit.observed(VALUES, BENCH))))
    after = by_name(share(moved.weighed(moved.observed(VALUES + math.log(1e3), BENCH))))
    assert after == pytest.approx(before, rel=1e-9)


@pytest.mark.parametrize("factor", [1e3, 1e-3])
def test_a_unit_of_a_linear_quantity_does_not_matter(
    factor: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Volts or millivolts, with the model's error in the same unit: probabilities are no volts."""
    readings = tuple(Reading("dc voltage", at=f"n{k}") for k in range(8))
    unit = replace(random_unit(14, 0.03), readings=readings, offset=5.0)
    scaled = replace(unit, moves=unit.moves * factor, offset=5.0 * factor)
    values = 5.0 + 0.1 * VALUES
    before = by_name(share(unit.weighed(unit.observed(values, 0.01))))
    freedom, errors = model_errors()
    about = errors["dc voltage"]
    other = {**errors, "dc voltage": replace(about, sigma=about.sigma * factor)}
    monkeypatch.setattr(model_error, "model_errors", lambda: (freedom, other))
    after = by_name(share(scaled.weighed(scaled.observed(values * factor, 0.01 * factor))))
    assert after == pytest.approx(before, rel=1e-6)


def test_one_misread_value_does_not_decide_a_case() -> None:
    """A slip of the pen in one of eight readings leaves the right part first."""
    unit = random_unit(15, 3.0)
    values = unit.shift(1, 0.5)
    for k in range(8):
        slipped = values.copy()
        slipped[k] += 3.0
        assert first(inferred(unit, slipped)) == "C2"


def test_a_reading_below_what_the_meter_sees_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bound rules out what would show above it, and says nothing on what would not."""
    known_surely(monkeypatch)
    unit = LinearUnit(np.array([[3.0, 0.0], [0.0, 3.0]]), gains(2))
    values = np.array([-3.0, 0.0])
    observed = replace(unit.observed(values, BENCH), bounds=("<", ""))
    assert first(share(unit.weighed(observed))) == "C1"
    # "< 3 dB" is true of a good unit and of any loss of C1: their odds are those of the priors
    idle = replace(unit.observed(np.array([3.0, 0.0]), BENCH), bounds=("<", ""))
    chances = by_name(share(unit.weighed(idle)))
    modelled = 1.0 - PRIOR_HEALTHY - PRIOR_UNMODELLED
    assert chances["healthy"] / chances["C1"] == pytest.approx(PRIOR_HEALTHY / (modelled / 2.0))
    assert chances["C2"] < 0.05


def test_tolerances_are_those_of_the_faulty_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part that counts only once another has failed widens what that fault predicts."""
    known_surely(monkeypatch)
    unit = random_unit(16, 1.0, parts=2, count=3)

    def rule(stage: Stage, reading: Reading) -> float:
        one, two = (stage.part(name).value for name in ("C1", "C2"))
        assert one is not None
        assert two is not None
        lost = math.log(one / FARADS)
        return lost * (1.0 + 5.0 * math.log(two / FARADS))

    bench = FakeBench(rule)
    found = signatures(unit.stage, unit.readings, unit.losses()[:1], bench)
    assert np.abs(found.sensitivities[1]).max() == 0.0
    values = np.full(3, math.log(0.06))
    (one,) = weigh(found, unit.observed(values, BENCH), [0.0], bench).scored
    spread = one.spread.factor @ one.spread.factor.T
    sigma = math.log1p(unit.tolerance) / math.sqrt(3.0)
    own = spread - np.diag([BENCH**2] * 3) - model_covariance(unit.readings, values)
    expected = sigma**2 * (1.0 + (5.0 * math.log(0.06)) ** 2)
    assert own == pytest.approx(np.full((3, 3), expected), rel=0.2)
