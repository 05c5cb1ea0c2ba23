"""The spread of good parts against the distributions that it promises, and by Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from circuits.bench.take import take
from circuits.excess import INDEX
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from faultlib.tolerance import PICKUP, Spread, covariance, deviate, draw, spreads
from tests.diagnose.fake_bench import LinearUnit, gains

COUNT = 4000
SQUARE = 1.0 / math.sqrt(3.0)
"""Standard deviation of a uniform spread, in units of its half width (any handbook)."""


def stage() -> Stage:
    return Stage(
        "spread",
        (
            Part("R1", "carbon-film", ("a", "0"), 4700.0, 0.05),
            Part("R2", "carbon-film", ("a", "b"), 1000.0, 0.0),
            Part("C1", "electrolytic", ("a", "b"), 1e-5, 0.2, esr=1.5),
            Part("Q1", "npn", ("a", "b", "0"), parameters=(("BF", 200.0),), spread=(("BF", 0.3),)),
        ),
        rails=(Rail("vcc", 24.0, ripple=((100.0, 0.01),)), Rail("vee", -24.0)),
        pickup=((50.0, 1e-6),),
        stray=(("b", ((50.0, 1e-9),)),),
    )


def value(made: Stage, name: str) -> float:
    found = made.part(name).value
    assert found is not None
    return found


def drawn(name: str) -> list[float]:
    random = np.random.default_rng(1)
    healthy = stage()
    return [value(deviate(healthy, draw(healthy, random)), name) for _ in range(COUNT)]


def test_what_strays_is_named_once() -> None:
    names = [(s.target, s.what) for s in spreads(stage())]
    assert names == [("R1", "value"), ("C1", "value"), ("C1", "esr"), ("Q1", "BF"),
                     ("vcc", "volts"), ("vcc", "ripple"), ("vee", "volts"), (PICKUP, PICKUP),
                     ("carbon-film", INDEX)]


@pytest.mark.parametrize(("name", "limit"), [("R1", 0.05), ("C1", 0.2)])
def test_good_parts_keep_their_makers_promise(name: str, limit: float) -> None:
    """No draw outside ± the tolerance, and the whole of it is used."""
    ratios = np.array(drawn(name)) / value(stage(), name)
    assert ratios.max() <= 1.0 + limit + 1e-12
    assert ratios.min() >= 1.0 - limit - 1e-12
    assert ratios.max() > 1.0 + 0.95 * limit
    assert ratios.min() < 1.0 - 0.75 * limit


@pytest.mark.parametrize(("name", "limit"), [("R1", 0.05), ("C1", 0.2)])
def test_values_are_uniform_between_their_limits(name: str, limit: float) -> None:
    """Kolmogorov-Smirnov on the logarithm; sigma is half width / √3."""
    logs = np.log(np.array(drawn(name)) / value(stage(), name))
    half = math.log1p(limit)
    assert stats.kstest(logs, stats.uniform(-half, 2.0 * half).cdf).pvalue > 0.001
    (one,) = [s for s in spreads(stage()) if (s.target, s.what) == (name, "value")]
    assert one.sigma == pytest.approx(half * SQUARE)
    # the variance of a sample variance of a uniform: relative sd sqrt(0.8 / n); four of them
    assert logs.var() == pytest.approx(one.sigma**2, rel=4.0 * math.sqrt(0.8 / COUNT))


def test_a_transistors_gain_is_log_normal() -> None:
    """Its relative standard deviation s makes ln(1 + s) that of the logarithm."""
    random = np.random.default_rng(2)
    healthy = stage()
    logs = [
        math.log(deviate(healthy, draw(healthy, random)).part("Q1").parameter("BF") / 200.0)
        for _ in range(COUNT)
    ]
    assert stats.kstest(logs, stats.norm(0.0, math.log1p(0.3)).cdf).pvalue > 0.001


@pytest.mark.parametrize("z", [-1.0, 0.5])
def test_each_spread_moves_its_own_number_and_no_other(z: float) -> None:
    healthy = stage()
    for spread in spreads(healthy):
        made = deviate(healthy, [(spread, z)])
        factor = math.exp(spread.sigma * z)
        expected = _moved(healthy, spread, factor)
        assert made == expected, spread


def test_lines_of_stray_mains_tilt_about_the_lowest() -> None:
    """A power of frequency: 150 Hz by 3 to that power, 50 Hz not at all."""
    healthy = replace(stage(), pickup=((50.0, 1e-6), (150.0, 2e-7)))
    (tilt,) = (s for s in spreads(healthy) if s.what == "tilt")
    made = deviate(healthy, [(tilt, 2.0)])
    assert made.pickup == ((50.0, 1e-6), (150.0, pytest.approx(2e-7 * 3.0 ** (2.0 * tilt.sigma))))
    assert made.stray == healthy.stray


def test_resistors_of_one_make_are_louder_by_as_much() -> None:
    """At 500 V excess noise is all: twice the noise index is twice the noise (IEC 60195)."""
    high = Stage("divider", (
        Part("R1", "carbon-film", ("vcc", "out"), 10e3, 0.05),
        Part("R2", "carbon-film", ("out", "0"), 10e3, 0.05),
        Part("R3", "wirewound", ("in", "0"), 1e6),
    ), rails=(Rail("vcc", 1000.0),))
    (index,) = (s for s in spreads(high) if s.what == INDEX)
    noise = [Reading("noise", band=(100.0, 1000.0))]
    usual, twice = take(high, noise), take(deviate(high, [(index, math.log(2.0) / index.sigma)]),
                                           noise)
    assert twice[0] / usual[0] == pytest.approx(2.0, rel=1e-3)


def _moved(healthy: Stage, spread: Spread, factor: float) -> Stage:
    """The same by hand."""
    r1, r2, c1, q1 = healthy.parts
    vcc, vee = healthy.rails
    match (spread.target, spread.what):
        case ("R1", "value"):
            r1 = replace(r1, value=4700.0 * factor)
        case ("C1", "value"):
            c1 = replace(c1, value=1e-5 * factor)
        case ("C1", "esr"):
            c1 = replace(c1, esr=1.5 * factor)
        case ("Q1", "BF"):
            q1 = replace(q1, parameters=(("BF", 200.0 * factor),))
        case ("vcc", "volts"):
            vcc = replace(vcc, volts=24.0 * factor)
        case ("vee", "volts"):
            vee = replace(vee, volts=-24.0 * factor)
        case ("vcc", "ripple"):
            vcc = replace(vcc, ripple=((100.0, 0.01 * factor),))
        case ("carbon-film", what) if what == INDEX:
            # 20 lg of the noise voltage: -14 dB, the usual figure of the kind, and the factor's own
            index = ((INDEX, pytest.approx(-14.0 + 20.0 * math.log10(factor))),)
            r1, r2 = replace(r1, parameters=index), replace(r2, parameters=index)
        case (_, "pickup"):
            return replace(healthy, pickup=((50.0, 1e-6 * factor),),
                           stray=(("b", ((50.0, 1e-9 * factor),)),))
        case other:
            pytest.fail(f"unknown spread {other}")
    return replace(healthy, parts=(r1, r2, c1, q1), rails=(vcc, vee))


def test_deviating_leaves_the_healthy_stage_alone() -> None:
    healthy = load_stage("phono-two-transistor")
    before = healthy.key()
    moves = draw(healthy, np.random.default_rng(4))
    first, second = deviate(healthy, moves), deviate(healthy, moves)
    assert healthy.key() == before
    assert first == second != healthy
    assert deviate(healthy, ()) is healthy


def test_deviations_back_and_forth_cancel() -> None:
    """exp(σz) · exp(-σz) = 1."""
    healthy = stage()
    for spread in spreads(healthy):
        back = deviate(healthy, [(spread, 0.7), (spread, -0.7)])
        for a, b in zip(back.parts, healthy.parts, strict=True):
            assert a.value == (b.value if b.value is None else pytest.approx(b.value))
            assert a.esr == pytest.approx(b.esr)


def test_the_same_seed_draws_the_same_unit() -> None:
    healthy = stage()
    one = draw(healthy, np.random.default_rng(5))
    assert one == draw(healthy, np.random.default_rng(5))
    assert one != draw(healthy, np.random.default_rng(6))


def test_the_covariance_is_that_of_many_drawn_units() -> None:
    """Readings linear in the logarithms: Jᵀ J is exact, and a sample of n units tells it.

    A sample covariance has a standard deviation of at most √((Σ_ii Σ_jj + Σ_ij²) / n) (equal for
    normal readings; sums of uniform ones have lighter tails). 4.5 of them hold for 15 entries.
    """
    random = np.random.default_rng(7)
    linear = LinearUnit(random.normal(size=(5, 6)), gains(5), tolerance=0.1)
    unit = linear.stage
    rows = []
    for _ in range(COUNT):
        made = deviate(unit, draw(unit, random))
        rows.append([linear.rule(made, r) for r in linear.readings])
    expected = covariance(linear.sensitivities())
    error = np.abs(np.cov(np.array(rows).T) - expected)
    variance = np.diag(expected)
    allowed = np.sqrt((np.outer(variance, variance) + expected**2) / COUNT)
    assert float((error / allowed).max()) < 4.5
