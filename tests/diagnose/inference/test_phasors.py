"""Levels of sums of phasors against their laws: Rayleigh, arcsine, Jensen's formula, Monte Carlo.

The power of many phasors is exponential: mean of its logarithm -γ, standard deviation π/√6, so
-2.51 and 5.57 dB (handbooks of statistics). Two equal ones: the power over its mean is 1 + cos φ
(arcsine law), whose logarithm has a standard deviation of π/√3, 7.88 dB. Of two unequal ones the
mean logarithm is that of the larger (Jensen's formula), the variance 2·Li₂(z²).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import spence

from circuits.reading import Reading, compared
from circuits.stage import Rail, Stage
from diagnose.inference import posterior, screen
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Observed, slipping
from diagnose.inference.phasors import RAYLEIGH_DB, Phases, of_sizes, powers
from faultlib.catalogue import hypotheses
from faultlib.signature import signatures
from tests.diagnose.fake_bench import Array, FakeBench
from tests.small import read, resistor

NEPERS = 10.0 / math.log(10.0)
"""dB of power per natural logarithm."""


def drawn(sizes: list[float], count: int = 200_000) -> Array:
    """Powers over their mean, phases drawn evenly by numpy."""
    random = np.random.default_rng(4)
    turns = np.exp(2j * np.pi * random.random((count, len(sizes))))
    return np.abs(turns @ np.array(sizes)) ** 2 / float(np.square(sizes).sum())


def density(parts: list[float], rest: float, levels: Array) -> Array:
    """What the likelihood takes for levels, dB over the power sum."""
    sigma = of_sizes(parts, rest)[2]
    made = Phases(*np.array([of_sizes(parts, rest)]).T).within(np.array([sigma**2]))
    warped = made.warped(levels[:, None])
    return np.asarray(stats.norm.pdf(warped[:, 0], 0.0, sigma)
                      * np.exp(made.log_slopes(warped)[:, 0]))


def moments(parts: list[float], rest: float) -> tuple[float, float]:
    levels = 10.0 * np.log10(powers(parts, rest))
    return float(levels.mean()), float(levels.std())


@pytest.mark.slow
def test_many_phasors_have_the_rayleigh_law() -> None:
    mean, sigma = moments([], 1.0)
    assert mean == pytest.approx(-np.euler_gamma * NEPERS, abs=0.1)
    assert sigma == pytest.approx(5.57, abs=0.15)
    assert pytest.approx(math.pi / math.sqrt(6.0) * NEPERS) == RAYLEIGH_DB
    by_draws = 10.0 * np.log10(drawn([1.0] * 40))
    assert sigma == pytest.approx(float(by_draws.std()), abs=0.15)


def test_two_equal_phasors_have_the_arcsine_law() -> None:
    mean, sigma = moments([1.0, 1.0], 0.0)
    assert mean == pytest.approx(10.0 * math.log10(0.5), abs=0.1)
    assert sigma == pytest.approx(math.pi / math.sqrt(3.0) * NEPERS, abs=0.3)
    ours = np.sort(powers([1.0, 1.0], 0.0))
    assert stats.ks_2samp(ours, drawn([1.0, 1.0])).statistic < 0.01


@pytest.mark.parametrize("ratio", [0.8, 0.5, 0.1])
def test_of_two_the_larger_is_the_mean_level(ratio: float) -> None:
    mean, sigma = moments([1.0, ratio**2], 0.0)
    assert mean == pytest.approx(-10.0 * math.log10(1.0 + ratio**2), abs=0.05)
    dilogarithm = float(spence(1.0 - ratio**2))
    assert sigma == pytest.approx(math.sqrt(2.0 * dilogarithm) * NEPERS, rel=0.02)


def test_one_part_that_dominates_does_not_stray() -> None:
    assert of_sizes([1.0]) == (0.0, 0.0, 0.0, 0.0)
    assert of_sizes([1.0, 1e-4])[2] == pytest.approx(NEPERS * math.sqrt(2.0) * 0.01, rel=0.1)
    assert of_sizes([1.0, 1.0], steady=1e6) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("sizes", [[1.0] * 30, [1.0, 0.9, 0.8], [1.0, 0.5], [1.0, 1.0]])
def test_the_density_beats_that_of_a_power_sum(sizes: list[float]) -> None:
    """Mean logarithm over Monte Carlo draws, in nats; the other one has 1.2 dB of error."""
    levels = 10.0 * np.log10(np.maximum(drawn(sizes), 1e-6))
    parts = [x**2 for x in sorted(sizes, reverse=True)]
    ours = float(np.log(density(parts[:3], sum(parts[3:]), levels)).mean())
    best = float(stats.norm.logpdf(levels, levels.mean(), levels.std()).mean())
    powers_only = float(stats.norm.logpdf(levels, 0.0, 1.2).mean())
    assert ours > powers_only + 0.5
    assert ours > best - 0.02  # no normal density of dB does better


def test_nulls_have_their_exponential_tail() -> None:
    """10 dB deeper is a tenth as likely: P(power < x) is x."""
    levels = np.array([-20.0, -30.0, -40.0])
    found = density([], 1.0, levels)
    truth = 10.0 ** (levels / 10.0) / NEPERS
    assert np.all(np.abs(np.log(found / truth)) < 1.2)
    assert found[1] / found[2] == pytest.approx(10.0, rel=0.05)


def test_slopes_are_those_of_the_warp() -> None:
    made = Phases(*np.column_stack([of_sizes([1.0, 0.6, 0.2], 0.1), np.zeros(4)]))
    made = made.within(np.array([5.0, 3.0]) ** 2)
    at, step = np.array([[-25.0, -3.0], [1.0, 8.0]]), 1e-5
    slope = (made.warped(at + step) - made.warped(at - step)) / (2.0 * step)
    np.testing.assert_allclose(made.log_slopes(made.warped(at)), np.log(slope), atol=1e-6)
    np.testing.assert_allclose(slope[:, 1], 1.0)


# -- a case ----------------------------------------------------------------------------------------

LINES = (50.0, 150.0, 250.0)
STAGE = Stage(
    "two ways", (resistor("R1", "in", "0", 1e3), resistor("R2", "in", "out", 1e3)),
    rails=(Rail("vcc", 10.0, ((100.0, 1e-5),)),),
    pickup=tuple((f, 1e-4) for f in LINES),
    stray=(("out", tuple((f, 0.7e-4) for f in LINES)),),
)


def two_ways(stage: Stage, reading: Reading) -> float:
    """Hum of pick-up and stray current, one ohm for both; a divider's output for other readings."""
    if reading.quantity != "hum":
        return math.log(float(stage.part("R1").value or 0.0) / float(stage.part("R2").value or 1.0))
    parts = [dict(lines).get(reading.frequency, 0.0) for lines in
             (stage.pickup, *(lines for _, lines in stage.stray))]
    parts.sort(reverse=True)
    value = math.sqrt(sum(x**2 for x in parts)) if not reading.way else (
        parts[reading.way - 1] if reading.way <= len(parts) else 0.0
    )
    return compared(reading, value)


@pytest.mark.parametrize("null", [0.0, 15.0, 25.0, 35.0])
def test_a_line_at_a_null_does_not_kill_the_right_fault(
    null: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pick-up a hundred times too strong by two ways that nearly cancel at the third line.

    Alone, not with a second fault that would explain the null.
    """
    readings = (*(Reading("hum", frequency=f) for f in LINES), Reading("input impedance"))
    found = signatures(STAGE, readings, hypotheses(STAGE), FakeBench(two_ways))
    values = found.healthy + np.array([40.0, 40.0, 40.0 - null, 0.0])
    bench = np.array([0.7, 0.7, 0.7, 0.03])
    observed = Observed(readings, values, bench, ("",) * 4,
                        slips=slipping(readings, values, bench))
    priors = [math.log(s.hypothesis.prior) for s in found.faults]

    def pickup() -> float:
        made = infer(found, observed, priors, FakeBench(two_ways))
        return math.fsum(p for s, p in made.suspects
                         if [h.part for h in s.hypotheses] == ["pickup"])

    assert pickup() > 0.9
    if null:  # by powers alone it is a fault in no library, or two at once
        for module in (posterior, screen):
            monkeypatch.setattr(module, "phases", lambda _, units, *__: [None] * len(units))
        assert pickup() < 0.8


def test_beside_other_causes_a_sum_hardly_strays_above_its_greatest() -> None:
    """Two equal parts reach 3 dB over their power sum; 5 dB of other causes are added as normal.

    By convolution on a fine grid of phases (numpy), against what is taken, in nats. Farther out it
    is a shape and no more: 1.3 nats too little at -25 dB, as much too much at 25 dB.
    """
    sizes = of_sizes([1.0, 1.0])
    other, whole = 5.0, math.hypot(5.0, sizes[2])
    made = Phases(*np.array([sizes]).T).within(np.array([whole**2]))
    turns = (np.arange(20_000) + 0.5) / 20_000 * math.pi
    parts = 10.0 * np.log10(1.0 + np.cos(turns))
    for level in (-20.0, -10.0, 0.0, 10.0, 20.0):
        truth = float(stats.norm.pdf(level - parts, 0.0, other).mean())
        warped = made.warped(np.array([[level]]))
        taken = float(stats.norm.logpdf(warped[0, 0], 0.0, whole) + made.log_slopes(warped)[0, 0])
        assert taken == pytest.approx(math.log(truth), abs=1.0)


def test_two_rails_of_one_transformer_and_a_pick_up() -> None:
    """Monte Carlo: the rails' phasors in one phase, that of the pick-up in any; volts by Ohm's law.

    As three ways the same sizes would stray by 6 dB.
    """
    lines, pickup, rng = ((100.0, 10e-3),), 0.6e-3, np.random.default_rng(11)
    ohms = {"vcc": 10e3, "vee": 12e3, "in": 10e3}
    parts = tuple(resistor(f"R{name}", name, "out", value) for name, value in ohms.items())
    stage = Stage(
        "adder", parts, rails=(Rail("vcc", 30.0, lines), Rail("vee", -30.0, lines)),
        pickup=((100.0, pickup),), source_impedance=1.0, mains=50.0,
    )
    conductance = {name: 1.0 / value for name, value in ohms.items()}
    whole = sum(conductance.values())
    rails = (conductance["vcc"] - conductance["vee"]) / whole * 10e-3
    turns = np.exp(2j * np.pi * rng.random(200_000))
    drawn_levels = 20.0 * np.log10(np.abs(rails + turns * pickup * conductance["in"] / whole))
    sizes = read(stage, *(Reading("hum", frequency=100.0, way=k) for k in (1, 2, 3)))
    (shown,) = read(stage, Reading("hum", frequency=100.0))
    levels = 10.0 * np.log10(powers([size**2 for size in sizes]))
    assert levels.std() == pytest.approx(drawn_levels.std(), abs=0.15)
    assert levels.mean() + 20.0 * math.log10(shown) == pytest.approx(drawn_levels.mean(), abs=0.15)
    assert len({round(size, 9) for size in sizes if size > 1e-9}) == 2
