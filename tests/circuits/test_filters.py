"""The three benchmark filters against their transfer functions with ideal amplifiers.

Schematics: tests/data/filters, with their sources. Each function follows from the node equations
beside it; s = jω.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from tests.small import db, read

FOLDER = Path(__file__).parents[1] / "data" / "filters"


def filter_stage(name: str) -> Stage:
    return load_stage(FOLDER / f"{name}.yaml")


def sallen_key(s: complex) -> complex:
    """(in − a)/R1 + (out − a)/R2 = sC1·a + sC2(a − b), sC2(a − b) = b/R3, out = 2b."""
    r1, r2, r3, c = 1e3, 3e3, 2e3, 5e-9
    a_over_b = 1.0 + 1.0 / (s * c * r3)
    node = a_over_b * (1.0 / r1 + 1.0 / r2 + 2.0 * s * c) - s * c - 2.0 / r2
    return 2.0 / (r1 * node)


def biquad(s: complex) -> complex:
    """−s²T1T2 / (1 + sT2 + s²T1T2), T1 = 6.2k·5n, T2 = 1.6k·5n.

    v1(1/R + sC1) + v3/R = −in/R, v3 = v1/(sR4C2), out = −(in + v1 + v3).
    """
    first, second = 6.2e3 * 5e-9, 1.6e3 * 5e-9
    top = s * s * first * second
    return -top / (1.0 + s * second + top)


def state_variable(s: complex) -> complex:
    """−1 / (1 + 0.9sT + (sT)²) with T = 10k·20n.

    hp = 3p − in − lp, p = 0.3·bp, bp = −hp/sT, lp = −bp/sT.
    """
    t = s * 10e3 * 20e-9
    return -1.0 / (1.0 + 0.9 * t + t * t)


CASES: dict[str, tuple[Callable[[complex], complex], float]] = {
    "sallen-key-band-pass": (sallen_key, 25e3),
    "biquad-high-pass": (biquad, 10e3),
    "state-variable": (state_variable, 800.0),
}


@pytest.mark.parametrize("name", CASES)
def test_response(name: str) -> None:
    transfer, middle = CASES[name]
    for ratio in (0.1, 0.5, 0.9, 1.0, 1.2, 2.0, 8.0):
        frequency = ratio * middle
        ideal = transfer(2j * math.pi * frequency)
        gain, phase = read(
            filter_stage(name),
            Reading("gain", frequency=frequency),
            Reading("phase", frequency=frequency),
        )
        assert gain == pytest.approx(db(ideal), abs=0.01), frequency
        turned = phase - math.degrees(cmath.phase(ideal))
        assert (turned + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.1), frequency


@pytest.mark.parametrize("name", CASES)
def test_named_frequency_is_the_filters_own(name: str) -> None:
    """Published: 25 kHz, 10 kHz, 800 Hz; they are rounded names, within 5 %."""
    own = {
        "sallen-key-band-pass": math.sqrt((1e-3 + 1 / 3e3) / (2e3 * 5e-9**2)) / (2.0 * math.pi),
        "biquad-high-pass": 1.0 / (2.0 * math.pi * 5e-9 * math.sqrt(6.2e3 * 1.6e3)),
        "state-variable": 1.0 / (2.0 * math.pi * 10e3 * 20e-9),
    }[name]
    assert own == pytest.approx(CASES[name][1], rel=0.05)


@pytest.mark.parametrize(
    ("name", "first", "second"),
    [("biquad-high-pass", "R4", "C2"), ("state-variable", "R4", "C1"),
     ("state-variable", "R5", "C2")],
)
def test_pairs_that_no_response_separates(name: str, first: str, second: str) -> None:
    """They enter as a product alone, so 50 % more of either gives one response."""
    stage = filter_stage(name)
    readings = [Reading("gain", frequency=CASES[name][1] * ratio) for ratio in (0.3, 1.0, 3.0)]

    def raised(part: str) -> list[float]:
        value = stage.part(part).value
        assert value is not None
        return read(stage.with_part(replace(stage.part(part), value=value * 1.5)), *readings)

    healthy = read(stage, *readings)
    assert raised(first) == pytest.approx(raised(second), abs=5e-3)
    assert raised(first) != pytest.approx(healthy, abs=0.5)
