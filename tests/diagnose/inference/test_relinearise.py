"""The live fit against the integral that it stands for, where straight lines of tolerances fail.

The truth is brute force: Student's density is a normal one whose covariance is divided by a gamma
variable (Lange, Little and Taylor 1989, from memory), so the evidence of a unit with one straying
part is the mean, over many draws of both, of the normal density of the readings around what the
very unit reads. With straight lines this mean is exactly the density that `likelihood` writes.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import logsumexp

from circuits.errors import NoSolution
from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.inference.likelihood import Observed
from diagnose.inference.model_error import model_covariance, model_errors
from diagnose.inference.posterior import PRIOR_HEALTHY, healthy, share, weigh
from faultlib.catalogue import hypotheses
from faultlib.signature import Signatures, signatures
from faultlib.tolerance import spreads
from tests.diagnose.density import known_surely
from tests.diagnose.fake_bench import FARADS, LOSS, Array, FakeBench, Rule, currents

READINGS = currents(3)
BENCH = 0.03
TOLERANCE = 0.2
DRAWS = 200_000

Curve = Callable[[Array], list[Array]]
"""The three readings for C1 over its nominal value."""


def cancelling(x: Array) -> list[Array]:
    """Two paths that nearly cancel, 0.2 left of 1, and one that does not: a notch."""
    return [2.0 * np.log(np.abs(1.0 - 0.8 * x) + 0.05), 4.0 * np.log(x), 0.0 * x]


def saturating(x: Array) -> list[Array]:
    """A stage that is driven into its limits within the tolerance of one part."""
    return [3.0 * np.tanh(8.0 * np.log(x)), 4.0 * np.log(x), 0.0 * x]


def straight(x: Array) -> list[Array]:
    return [2.0 * np.log(x), 4.0 * np.log(x), 0.0 * x]


def stage() -> Stage:
    """C1 strays; C2 has no tolerance and moves the third reading."""
    return Stage("notch", (
        Part("C1", "film", ("a", "0"), FARADS, TOLERANCE),
        Part("C2", "electrolytic", ("b", "0"), FARADS),
    ))


SIGMA = next(s.sigma for s in spreads(stage()) if s.target == "C1")


def rule(curve: Curve) -> Rule:
    def read(made: Stage, reading: Reading) -> float:
        first, second = (made.part(n).value or FARADS for n in ("C1", "C2"))
        row = curve(np.array([first / FARADS]))
        return float(row[READINGS.index(reading)][0]) + (
            math.log(second / FARADS) if reading == READINGS[2] else 0.0)

    return read


@pytest.fixture(autouse=True)
def well_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Brute force stands for the lines of good parts; misread values are another matter."""
    known_surely(monkeypatch, misread=False)


def at(curve: Curve, z: float) -> Array:
    """Readings of a good unit whose C1 lies z standard deviations off."""
    return np.array(curve(np.array([math.exp(SIGMA * z)])))[:, 0]


def observed(values: Array) -> Observed:
    return Observed(READINGS, values, np.full(3, BENCH), ("",) * 3)


def truth(curve: Curve, values: Array) -> float:
    """Log evidence of health by brute force; its own error is below 0.02 nats here."""
    freedom, _ = model_errors()
    random = np.random.default_rng(0)
    weight = random.gamma(freedom / 2.0, 2.0 / freedom, DRAWS)
    z = random.normal(size=DRAWS) / np.sqrt(weight)
    means = np.array(curve(np.exp(SIGMA * z))).T
    noise = np.diag(observed(values).bench ** 2) + model_covariance(READINGS, values)
    factor = np.linalg.cholesky(noise)
    squares = (np.linalg.solve(factor, (values - means).T) ** 2).sum(axis=0)
    logs = (1.5 * np.log(weight / (2.0 * math.pi)) - 0.5 * weight * squares
            - float(np.log(np.diag(factor)).sum()))
    return float(logsumexp(logs)) - math.log(DRAWS)


def found(bench: FakeBench) -> Signatures:
    return signatures(stage(), READINGS, (), bench)


def both(curve: Curve, z: float) -> tuple[float, float, float]:
    """Log evidence of health by straight lines, by the fit, and in truth."""
    bench, seen = FakeBench(rule(curve)), observed(at(curve, z))
    made = found(bench)
    lines = healthy(made, seen).log_evidence
    fit = weigh(made, seen, [], bench).healthy - math.log(PRIOR_HEALTHY)
    return lines, fit, truth(curve, seen.values)


@pytest.mark.parametrize("z", [-2.0, -1.0, 0.0, 1.0, 2.0])
def test_straight_lines_are_the_truth_where_readings_are_straight(z: float) -> None:
    """So the brute force means the same thing as the closed form."""
    lines, fit, true = both(straight, z)
    assert lines == pytest.approx(true, abs=0.05)
    assert fit == pytest.approx(true, abs=0.05)


@pytest.mark.parametrize("z", [-2.0, -1.5, -1.0, -0.5, 0.0])
def test_the_fit_finds_the_evidence_where_signals_cancel(z: float) -> None:
    """To 0.3 nats, a third in odds, over the tolerance of the part."""
    _, fit, true = both(cancelling, z)
    assert fit == pytest.approx(true, abs=0.3)


@pytest.mark.parametrize("z", [-2.0, -1.5, -1.0])
def test_straight_lines_miss_it_there(z: float) -> None:
    """What the fit is for: without it a good unit is thought 5 to 90 times less likely."""
    lines, _, true = both(cancelling, z)
    assert lines < true - 1.5


@pytest.mark.parametrize("z", [-2.0, -1.5, -1.0, -0.5, 0.5, 1.0, 1.5])
def test_the_fit_comes_near_where_a_part_saturates_the_stage(z: float) -> None:
    """To 1.1 nats where lines miss by up to 9.8: a bend is followed, its curvature is not."""
    _, fit, true = both(saturating, z)
    assert fit == pytest.approx(true, abs=1.1)


def test_straight_lines_miss_by_far_when_saturated() -> None:
    lines, _, true = both(saturating, -2.0)
    assert lines < true - 3.0


def test_a_good_unit_at_a_notch_is_called_good() -> None:
    """C1 low within its tolerance, and C2 that moves nothing of what is off: health is ahead."""
    bench = FakeBench(rule(cancelling))
    losses = [h for h in hypotheses(stage()) if h.mode.name == LOSS]
    made = signatures(stage(), READINGS, losses, bench)
    posterior = share(weigh(made, observed(at(cancelling, -2.0)), [0.0], bench))
    ((suspect, probability),) = posterior.suspects
    assert suspect.hypotheses[0].part == "C2"
    assert posterior.healthy > 0.9 > 0.1 > probability


def test_where_lines_hold_nothing_more_is_simulated_than_to_see_that() -> None:
    """One block of sensitivities (of 2 units) and one unit to check it."""
    bench = FakeBench(rule(straight))
    made = found(bench)
    before = len(bench.asked)
    weigh(made, observed(at(straight, 1.0)), [], bench)
    assert len(bench.asked) - before <= 3


def test_the_rounds_are_bounded_however_crooked_the_readings() -> None:
    """First lines, then per round one check and one new block: 2 + 3 · (1 + 2) units at most."""
    bench = FakeBench(rule(cancelling))
    made = found(bench)
    before = len(bench.asked)
    weigh(made, observed(at(cancelling, -2.0)), [], bench)
    assert 3 < len(bench.asked) - before <= 11


def test_a_unit_that_has_no_solution_leaves_the_lines_as_they_were() -> None:
    plain = rule(cancelling)

    def brittle(made: Stage, reading: Reading) -> float:
        if (made.part("C1").value or 0.0) < 0.97 * FARADS:
            raise NoSolution("no operating point")
        return plain(made, reading)

    bench, seen = FakeBench(brittle), observed(at(cancelling, -2.0))
    made = found(bench)
    fit = weigh(made, seen, [], bench).healthy - math.log(PRIOR_HEALTHY)
    assert fit == pytest.approx(healthy(made, seen).log_evidence)
