"""Good units where the drawn one stands in a null, against suspects that fill the null.

Two paths cancel in the unit as drawn and in no real one. Lines about the drawn unit know one side
of the null only; six suspects fill it by themselves and have lines that hold. The truth is brute
force as in `test_relinearise`: the mean, over many units drawn whole (part, size of the fault, the
common scale of Student's density), of the normal density of the readings around what each reads.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy.special import logsumexp

from circuits.reading import Reading
from circuits.stage import Part, Stage
from diagnose.inference.likelihood import Observed, covariance_around
from diagnose.inference.model_error import model_errors
from diagnose.inference.posterior import PRIOR_HEALTHY, Weighed, healthy, weigh
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.signature import signatures
from faultlib.tolerance import spreads
from tests.diagnose.density import known_surely
from tests.diagnose.fake_bench import FARADS, LOSS, Array, FakeBench, currents

READINGS = currents(4)
BENCH = 0.3
TOLERANCE = 0.2
DRAWS = 200_000
FILLERS = tuple(f"C{k}" for k in range(3, 9))
"""More than are looked at closely."""
BOTTOM = 0.03
"""What the null leaves of the signal."""


def stage() -> Stage:
    """CA and CB stray; C2 moves the last reading; the others let hum in as they dry out."""
    return Stage("null", (
        Part("CA", "film", ("a", "0"), FARADS, TOLERANCE),
        Part("CB", "film", ("b", "0"), FARADS, TOLERANCE),
        *(Part(name, "electrolytic", (name.lower(), "0"), FARADS) for name in ("C2", *FILLERS)),
    ))


Ratio = Array | float
Z = tuple[float, float]
"""Standard deviations that CA and CB lie off."""


def curve(a: Ratio, b: Ratio, second: Ratio, filled: Ratio) -> list[Array]:
    """The readings for CA, CB and C2 over their nominal value, and what comes by another way."""
    left = (np.asarray(a) - np.asarray(b)) ** 2 + BOTTOM**2 + np.asarray(filled) ** 2
    return [np.log(left), 4.0 * np.log(a), 4.0 * np.log(b), np.log(second)]


def filling(loss: Ratio) -> Ratio:
    """What comes in by a capacitor of which so much is left."""
    return 0.3 * (1.0 - loss)


def read(made: Stage, reading: Reading) -> float:
    a, b, second, *rest = ((made.part(n).value or FARADS) / FARADS
                           for n in ("CA", "CB", "C2", *FILLERS))
    filled = math.fsum(float(filling(x)) for x in rest)
    return float(curve(a, b, second, filled)[READINGS.index(reading)])


SIGMA = next(s.sigma for s in spreads(stage()) if s.target == "CA")


@pytest.fixture(autouse=True)
def well_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Brute force stands for the spread of good units; misread values are another matter."""
    known_surely(monkeypatch, misread=False)


def at(z: Z) -> Observed:
    """Readings of a good unit whose CA and CB lie z standard deviations off."""
    a, b = (math.exp(SIGMA * one) for one in z)
    values = np.array([float(x) for x in curve(a, b, 1.0, 0.0)])
    return Observed(READINGS, values, np.full(4, BENCH), ("",) * 4)


@cache
def losses() -> tuple[Hypothesis, ...]:
    return tuple(h for h in hypotheses(stage())
                 if h.mode.name == LOSS and h.part in ("C2", *FILLERS))


@cache
def found(z: Z) -> Weighed:
    bench = FakeBench(read)
    made = signatures(stage(), READINGS, losses(), bench)
    return weigh(made, at(z), [0.0] * len(made.faults), bench)


@cache
def truth(z: Z, part: str | None) -> float:
    """Log evidence of loss of capacitance of a part, or of health."""
    freedom, _ = model_errors()
    random, seen = np.random.default_rng(0), at(z)
    weight = random.gamma(freedom / 2.0, 2.0 / freedom, DRAWS)
    a, b = np.exp(SIGMA * random.normal(size=(2, DRAWS)) / np.sqrt(weight))
    left: Array = np.ones(DRAWS)
    if part is not None:
        mode = next(h.mode for h in losses() if h.part == part)
        left = mode.size(mode.drawn(random.uniform(size=DRAWS)))
    one = np.ones(DRAWS)
    rows = np.array(curve(a, b, left if part == "C2" else one,
                          filling(left) if part in FILLERS else 0.0)).T
    noise = covariance_around(seen, seen.values)
    factor = np.linalg.cholesky(noise)
    squares = (np.linalg.solve(factor, (seen.values - rows).T) ** 2).sum(axis=0)
    logs = (2.0 * np.log(weight / (2.0 * math.pi)) - 0.5 * weight * squares
            - float(np.log(np.diag(factor)).sum()))
    return float(logsumexp(logs)) - math.log(DRAWS)


def evidence(weighed: Weighed, part: str) -> float:
    return next(s.log_evidence for s in weighed.scored if s.hypotheses[0].part == part)


UNITS = [(-1.5, 0.5), (-2.0, -0.5), (1.0, -1.5), (0.0, -2.0), (-1.5, 0.0), (-1.0, -2.0)]
"""On the side of the null that lines about the drawn unit do not know."""
SIXTH = [*UNITS[:-1], pytest.param(UNITS[-1], marks=pytest.mark.xfail(
    reason="of the six that fill the null five are fitted; by its lines the sixth is 2.8 nats up"))]


@pytest.mark.parametrize("z", UNITS)
def test_lines_about_the_drawn_unit_miss_it(z: Z) -> None:
    """By more than 3 nats: what the fit is for."""
    bench = FakeBench(read)
    lines = healthy(signatures(stage(), READINGS, (), bench), at(z)).log_evidence
    assert lines < truth(z, None) - 3.0


@pytest.mark.parametrize("z", [*UNITS, (1.5, 0.0), (0.0, 0.0), (0.3, 0.3)])
def test_health_has_its_evidence_however_many_suspects_lead_it(z: Z) -> None:
    """Within half a nat, the goal of all evidence."""
    assert found(z).healthy_evidence == pytest.approx(truth(z, None), abs=0.5)


@pytest.mark.parametrize("z", UNITS)
def test_what_reads_as_a_good_unit_gains_what_health_gains(z: Z) -> None:
    """C2 is no part of the null; a slight loss of it hides in a good unit."""
    assert evidence(found(z), "C2") == pytest.approx(truth(z, "C2"), abs=0.5)


@pytest.mark.parametrize("z", SIXTH)
def test_suspects_that_fill_the_null_keep_theirs(z: Z) -> None:
    """Within a nat: their own lines bend a little."""
    weighed = found(z)
    for part in FILLERS:
        assert evidence(weighed, part) == pytest.approx(truth(z, FILLERS[0]), abs=1.0)


@pytest.mark.parametrize("z", SIXTH)
def test_health_is_as_probable_as_brute_force_has_it(z: Z) -> None:
    """The odds of health against all suspects together, within half a nat."""
    weighed = found(z)
    ours = weighed.healthy - logsumexp([s.score for s in weighed.scored])
    each = math.log(sum(math.exp(s.log_prior) for s in weighed.scored) / len(weighed.scored))
    suspects = [truth(z, "C2"), *[truth(z, FILLERS[0])] * len(FILLERS)]
    true = math.log(PRIOR_HEALTHY) + truth(z, None) - each - float(logsumexp(suspects))
    assert ours == pytest.approx(true, abs=0.5)
