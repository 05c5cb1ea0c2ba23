"""A fault whose unit as drawn stands at an edge, against the integral over good units.

With C1 open the invented stage is a latch: it falls to the side of the larger of two capacitors
where they differ enough, and drawn with equal ones it stays in the middle. The truth is brute
force, as in `test_relinearise`: the mean over many good units of the density of the readings around
what the very unit reads. That a reading may be misread, with a chance of 1 %, is left out of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp

from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.inference.likelihood import Observed, tail
from diagnose.inference.model_error import model_covariance, model_errors
from diagnose.inference.posterior import share, weigh
from faultlib.catalogue import hypotheses
from faultlib.signature import Signatures, signatures
from faultlib.tolerance import spreads
from tests.diagnose.fake_bench import FARADS, LOSS, Array, FakeBench, currents

READINGS = currents(3)
BENCH = 0.03
DRAWS = 400_000
STEP = 3.0
"""How far the latch goes to either side, ln."""
OTHER = 2.0
"""By how much the other faults miss what it does."""
EDGE = 1.2
"""From which difference of the capacitors on, standard deviations of one."""


def stage() -> Stage:
    """C1 has no tolerance; C2 and C3 stray and decide."""
    return Stage("latch", (
        Part("C1", "film", ("a", "0"), FARADS),
        Part("C2", "film", ("b", "0"), FARADS, 0.4),
        Part("C3", "film", ("c", "0"), FARADS, 0.4),
    ))


SIGMA = next(s.sigma for s in spreads(stage()) if s.target == "C2")


def side(second: Array, third: Array) -> Array:
    """Where the latch lies."""
    apart = second - third
    return np.where(np.abs(apart) > EDGE * SIGMA, STEP * np.sign(apart), 0.0)


def rule(made: Stage, reading: Reading) -> float:
    """C2 or C3 open does about what the latch does to either side, and is no explanation."""
    logs = [math.log((made.part(n).value or FARADS) / FARADS) for n in ("C1", "C2", "C3")]
    gone = [x < -7.0 for x in logs]
    _, second, third = (0.0 if out else x for x, out in zip(logs, gone, strict=True))
    if gone[1] or gone[2]:
        fell = STEP if gone[1] else -STEP
        return (0.5 * fell + OTHER, -fell - OTHER, fell)[READINGS.index(reading)]
    fell = float(side(np.array(second), np.array(third))) if gone[0] else 0.0
    return (second + 0.5 * fell, third - fell, fell)[READINGS.index(reading)]


def unit(second: float, third: float) -> Observed:
    """Readings of a unit with C1 open, its capacitors so many standard deviations off."""
    a, b = SIGMA * second, SIGMA * third
    fell = float(side(np.array(a), np.array(b)))
    values = np.array([a + 0.5 * fell, b - fell, fell])
    return Observed(READINGS, values, np.full(3, BENCH), ("",) * 3)


def truth(seen: Observed) -> float:
    """Log evidence of C1 open; its own error is below 0.03 nats here."""
    freedom, _ = model_errors()
    random = np.random.default_rng(0)
    weight = random.gamma(freedom / 2.0, 2.0 / freedom, DRAWS)
    a, b = SIGMA * random.normal(size=(2, DRAWS)) / np.sqrt(weight)
    fell = side(a, b)
    means = np.column_stack([a + 0.5 * fell, b - fell, fell])
    # the drawn stage reads nothing, so that readings are how far the fault has moved them
    noise = np.diag(seen.bench**2) + model_covariance(READINGS, seen.values, shift=seen.values)
    factor = np.linalg.cholesky(noise)
    squares = (np.linalg.solve(factor, (seen.values - means).T) ** 2).sum(axis=0)
    logs = (1.5 * np.log(weight / (2.0 * math.pi)) - 0.5 * weight * squares
            - float(np.log(np.diag(factor)).sum()))
    return float(logsumexp(logs)) - math.log(DRAWS)


def library(bench: FakeBench) -> Signatures:
    opens = [h for h in hypotheses(stage()) if h.mode.name == "open"]
    return signatures(stage(), READINGS, opens, bench)


@pytest.mark.parametrize(("second", "third"), [(1.2, -1.0), (-0.9, 1.2), (1.8, -0.2), (-1.9, 0.1)])
def test_the_fault_is_found_on_whichever_side_the_unit_lies(second: float, third: float) -> None:
    """And its evidence is the integral's, to half a nat: lines reach over the edge a little."""
    bench, seen = FakeBench(rule), unit(second, third)
    made = library(bench)
    weighed = weigh(made, seen, [0.0] * len(made.faults), bench)
    found = next(s for s in weighed.scored if s.hypotheses[0].part == "C1")
    assert found.log_evidence == pytest.approx(truth(seen), abs=0.5)
    (first, probability), *_ = share(weighed).suspects
    assert first.hypotheses[0].part == "C1"
    assert probability > 0.9


def test_nothing_more_is_simulated_where_something_explains_the_readings() -> None:
    """A good unit: what random units cost is spared."""
    bench = FakeBench(rule)
    made = library(bench)
    before = len(bench.asked)
    seen = Observed(READINGS, np.array([SIGMA, -SIGMA, 0.0]), np.full(3, BENCH), ("",) * 3)
    weigh(made, seen, [0.0] * len(made.faults), bench)
    assert len(bench.asked) - before < 30


def test_an_open_is_found_though_something_else_explains_the_readings() -> None:
    """A loss of C1 that happens to move readings as the latch does, at one size."""
    seen = unit(1.8, -0.2)

    def twofold(made: Stage, reading: Reading) -> float:
        lost = math.log((made.part("C1").value or FARADS) / FARADS)
        if not -7.0 < lost < -1e-6:
            return rule(made, reading)
        k, rest = READINGS.index(reading), [made.part(n).value or FARADS for n in ("C2", "C3")]
        return float(seen.values[k]) * lost / -2.0 + (0.0 if k == 2 else math.log(rest[k] / FARADS))

    bench, parts = FakeBench(twofold), stage().parts
    # films do not lose capacitance
    dries = replace(stage(), parts=(replace(parts[0], kind="electrolytic"), *parts[1:]))
    known = [h for h in hypotheses(dries)
             if h.mode.name == "open" or (h.part, h.mode.name) == ("C1", LOSS)]
    made = signatures(dries, READINGS, known, bench)
    weighed = weigh(made, seen, [0.0] * len(made.faults), bench)
    by_name = {s.hypotheses[0].label(): s for s in weighed.scored}
    rival = by_name[f"C1 {LOSS}"]
    assert tail(rival.square, rival.size) > 0.01  # the control: that one explains them
    assert by_name["C1 open"].log_evidence == pytest.approx(truth(seen), abs=0.5)


def test_a_fault_of_no_library_stays_one() -> None:
    """A latch that lies where no unit's does is not forced upon C1."""
    bench = FakeBench(rule)
    made = library(bench)
    seen = Observed(READINGS, np.array([6.0, 6.0, -6.0]), np.full(3, BENCH), ("",) * 3)
    assert share(weigh(made, seen, [0.0] * len(made.faults), bench)).unmodelled > 0.9
