"""The sampler that evidence is held against, itself held against closed forms and nested sampling.

`tests/benchmarks/sampled_evidence.py` writes the integral out, and draws where straight lines say.
On a unit whose readings are straight lines the answer stands on paper; on a series trap, whose gain
near its notch bends within the tolerance of one part, a general-purpose nested sampler (dynesty;
Speagle 2020) integrates the same density without knowing of any lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

import diagnose
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.channels import doubted
from diagnose.inference.evidence import Scored
from diagnose.inference.likelihood import Observed
from diagnose.inference.posterior import healthy, weigh
from faultlib.catalogue import hypotheses
from faultlib.signature import Signatures, signatures
from tests.benchmarks.sampled_evidence import Sampled, Target, lines, sampled
from tests.diagnose.fake_bench import Array, FakeBench, LinearUnit, gains

BENCH = 0.1
DRAWS = 4000
BENDING = 20_000
"""Draws where readings bend."""
FAR = ((1.2, 0.5), (2.0, 0.25), (4.0, 0.25))
"""How wide these are."""
LIVE = 120
"""Points of the nested sampler."""


def linear(seed: int) -> tuple[LinearUnit, Observed]:
    """A unit whose eight gains move with three capacitors, C1 lost by a third of its scale."""
    random = np.random.default_rng(seed)
    unit = LinearUnit(3.0 * random.normal(size=(8, 3)), gains(8), 0.2)
    values = unit.shift(0, 0.3) + 0.3 * random.normal(size=8)
    return unit, unit.observed(values, BENCH)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_where_lines_are_straight_the_sampler_gives_the_closed_form(seed: int) -> None:
    """Within four of its own standard errors, and these are small."""
    unit, observed = linear(seed)
    found, bench = unit.found(), unit.bench()
    weighed = weigh(found, observed, [0.0] * len(found.faults), bench)
    first = max(weighed.scored, key=lambda s: s.log_evidence)
    assert first.hypotheses[0].part == "C1"
    for scored in (first, replace(healthy(found, observed))):
        target = Target(scored, found, observed, bench)
        made = sampled(target, lines(target, bench), DRAWS, np.random.default_rng(seed))
        assert made.error < 0.1
        assert made.log_evidence == pytest.approx(scored.log_evidence, abs=4.0 * made.error + 0.02)


TRAP = """\
stage: trap
title: A series trap across a line
source: invented
rails: {}
ports: {input: in, output: n}
source impedance: 1k
load: 100k
parts:
  R1: {kind: metal-film, nodes: [in, n], value: 1k, tolerance: 1%}
  C1: {kind: electrolytic, nodes: [n, m], value: 1u, tolerance: 10%}
  L1: {kind: inductor, nodes: [m, "0"], value: 100m, tolerance: 10%}
"""
HERTZ = (100.0, 400.0, 503.0, 1000.0)


def level(hertz: float, ohms: float, farads: float, henries: float, series: float) -> float:
    """Gain over the e.m.f., dB, by Kirchhoff: 1 kohm and R1, the trap, the load."""
    w = 2.0 * math.pi * hertz
    trap = series + 1j * w * henries + 1.0 / (1j * w * farads)
    across = 1.0 / (1.0 / trap + 1e-5)
    return 20.0 * math.log10(abs(across / (1e3 + ohms + across)))


def rule(made: Stage, reading: Reading) -> float:
    capacitor = made.part("C1")
    values = [made.part(name).value for name in ("R1", "C1", "L1")]
    ohms, farads, henries = (x or math.nan for x in values)
    return level(reading.frequency or math.nan, ohms, farads, henries, capacitor.esr)


@dataclass(frozen=True)
class Trap:
    """The trap with C1 a fifth low, which good units seldom have and ill ones may."""

    found: Signatures
    observed: Observed
    by_lines: float
    scored: dict[str, Scored]
    bench: FakeBench

    def target(self, which: str) -> Target:
        """What is integrated."""
        return Target(self.scored[which], self.found, self.observed, self.bench)

    def sampled(self, which: str) -> Sampled:
        """By the project's sampler."""
        target = self.target(which)
        drawn = lines(target, self.bench)
        return sampled(target, drawn, BENDING, np.random.default_rng(1), FAR)


@pytest.fixture(scope="module")
def trap() -> Trap:
    stage, bench = diagnose.load_stage(TRAP), FakeBench(rule)
    readings = tuple(Reading("gain", frequency=hertz) for hertz in HERTZ)
    values = np.array([level(hertz, 1e3, 0.8e-6, 0.1, 20.0) for hertz in HERTZ])
    seen = Observed(readings, values, np.full(4, 2.0 * BENCH), ("",) * 4)
    lost = [h for h in hypotheses(stage) if h.label() == "C1 capacitance loss"]
    found = signatures(stage, readings, lost, bench, around=doubted(stage))
    weighed = weigh(found, seen, [0.0], bench)
    straight = healthy(found, seen)
    good = replace(straight, log_evidence=weighed.healthy_evidence)
    scored = {"healthy": good, "lost": weighed.scored[0]}
    return Trap(found, seen, straight.log_evidence, scored, bench)


@pytest.mark.slow
def test_nested_sampling_finds_the_same_integral(trap: Trap) -> None:
    """Within four standard errors of both together; dynesty's is the larger by far."""
    dynesty = pytest.importorskip("dynesty", reason="dynesty is not installed")
    target, made = trap.target("lost"), trap.sampled("lost")
    assert made.effective > 100.0
    moving = np.flatnonzero(np.abs(trap.found.sensitivities).max(axis=1) > 1e-3).tolist()

    def log_likelihood(numbers: Array) -> float:
        whole = numbers if target.sized else np.append(0.5, numbers)
        place, scale, deviations = target.point(whole, moving)
        one, by = np.array([place]), np.array([scale])
        return float(target.log_likelihoods(one, by, deviations[None])[0])

    nested = dynesty.NestedSampler(
        log_likelihood, np.copy, int(target.sized) + 1 + len(moving), nlive=LIVE, sample="rwalk",
        rstate=np.random.default_rng(2),
    )
    nested.run_nested(dlogz=0.1, print_progress=False)
    told, error = float(nested.results.logz[-1]), float(nested.results.logzerr[-1])
    assert error < 0.4
    assert made.log_evidence == pytest.approx(told, abs=4.0 * math.hypot(error, made.error))


@pytest.mark.slow
@pytest.mark.parametrize("which", ["healthy", "lost"])
def test_the_ranking_finds_the_same_integral(trap: Trap, which: str) -> None:
    """Within half a nat, the goal of the project, where no straight line holds."""
    made = trap.sampled(which)
    assert made.error < 0.12
    assert trap.scored[which].log_evidence == pytest.approx(made.log_evidence, abs=0.5)


@pytest.mark.slow
def test_straight_lines_put_a_good_unit_far_behind_at_a_notch(trap: Trap) -> None:
    """So the test above is of something: by lines alone health is a thousand times too unlikely."""
    assert trap.by_lines < trap.sampled("healthy").log_evidence - 7.0
