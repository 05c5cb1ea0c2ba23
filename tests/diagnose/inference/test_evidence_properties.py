"""What evidence must obey on a real circuit: twins, readings that tell nothing, units, order.

The stage is two resistors in series into a node that two capacitors in parallel bypass: circuit
theory alone says which faults are twins. On paper, with a closed form for a bench, order and scales
are in ``test_posterior.py``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

import diagnose
from diagnose.inference import model_error
from diagnose.inference.infer import Weighing, observe, weighing
from diagnose.sheet.case import Case
from faultlib.simulate import Laboratory
from faultlib.store import Memory

pytestmark = pytest.mark.slow

SAME = 0.05
"""Nat by which the evidence of exact twins may differ: the goal that the project set itself."""
STILL = 1e-3
"""Probability that a reading which tells nothing may move: the same."""

FEED = """\
stage: fed node
title: A node fed through two resistors and bypassed by two capacitors
source: invented
rails: {vcc: {volts: 12}, vdd: {volts: 9}}
ports: {input: in, output: n}
source impedance: 600
load: 1M
parts:
  C1: {kind: electrolytic, nodes: [n, "0"], value: 100n}
  C2: {kind: electrolytic, nodes: [n, "0"], value: 100n}
  R1: {kind: metal-film, nodes: [vcc, m], value: 10k, tolerance: 1%}
  R2: {kind: metal-film, nodes: [m, n], value: 10k, tolerance: 1%}
  R3: {kind: metal-film, nodes: [n, "0"], value: 20k, tolerance: 1%}
  R4: {kind: metal-film, nodes: [in, a], value: 10k, tolerance: 1%}
  C3: {kind: film, nodes: [a, n], value: 1u}
  R5: {kind: metal-film, nodes: [vdd, "0"], value: 10k, tolerance: 1%}
"""
"""The second rail feeds a resistor of its own, which nothing else is joined to."""

TWINS = (("R1", "R2"), ("C1", "C2"))

Sheet = list[dict[str, Any]]


def gain(frequency: str, value: float) -> dict[str, Any]:
    return {"quantity": "gain", "frequency": frequency, "value": f"{value} dB"}


def volts(value: str) -> dict[str, Any]:
    return {"quantity": "dc voltage", "at": "n", "value": value}


def current(value: str) -> dict[str, Any]:
    return {"quantity": "supply current", "rail": "vcc", "value": value}


def theory(r1: float, c1: float) -> Sheet:
    """Readings of the stage by the laws of Ohm and Kirchhoff, with R1 and C1 of these values."""
    r2, r3, load = 10e3, 20e3, 1e6
    low = 1.0 / (1.0 / r3 + 1.0 / load)
    amperes = 12.0 / (r1 + r2 + low)
    made = [volts(f"{amperes * low:.4f} V"), current(f"{1e3 * amperes:.5f} mA")]
    for hertz in (20.0, 200.0, 1000.0, 5000.0):
        w = 2.0 * math.pi * hertz
        across = 1.0 / (1.0 / low + 1.0 / (r1 + r2) + 1j * w * (c1 + 100e-9))
        total = 600.0 + 10e3 + 1.0 / (1j * w * 1e-6) + across
        made.append(gain(f"{hertz} Hz", round(20.0 * math.log10(abs(across / total)), 4)))
    return made


HEALTHY, DRIFTED, OPEN, LOST = (
    theory(10e3, 100e-9), theory(16e3, 100e-9), theory(1e9, 100e-9), theory(10e3, 25e-9)
)


def sheet(readings: Sheet, stage: str = FEED) -> Case:
    return diagnose.load_case({"case": "invented", "stage": diagnose.load_stage(stage),
                               "readings": readings})


@cache
def _bench() -> Laboratory:
    return Laboratory(Memory(), workers=0)


def weighed(readings: Sheet, stage: str = FEED) -> Weighing:
    return weighing(sheet(readings, stage), _bench())


def evidence(found: Weighing) -> dict[str, float]:
    """Of every single fault, by its label."""
    return {s.hypotheses[0].label(): s.log_evidence for s, _ in found.posterior.suspects
            if len(s.hypotheses) == 1}


def probabilities(found: Weighing) -> dict[str, float]:
    """Of everything that competes, by its label."""
    made = {" with ".join(h.label() for h in s.hypotheses): p for s, p in found.posterior.suspects}
    return made | {"healthy": found.posterior.healthy, "unmodelled": found.posterior.unmodelled}


def moved(before: dict[str, float], after: dict[str, float]) -> float:
    """The largest change of a probability."""
    names = set(before) | set(after)
    return max(abs(before.get(n, 0.0) - after.get(n, 0.0)) for n in names)


@pytest.mark.parametrize("readings", [HEALTHY, DRIFTED, OPEN, LOST],
                         ids=["healthy", "drifted", "open", "lost"])
def test_twins_have_the_same_evidence(readings: Sheet) -> None:
    """Series resistors and parallel capacitors: no reading at their ends tells them apart."""
    found = evidence(weighed(readings))
    compared = 0
    for one, other in TWINS:
        for label, nats in found.items():
            if label.startswith(f"{one} "):
                twin = found[label.replace(one, other, 1)]
                assert nats == pytest.approx(twin, abs=SAME), label
                compared += 1
    assert compared >= 6  # open, short and drift of resistors, and what capacitors do


RAIL = {"quantity": "dc voltage", "at": "vcc", "value": "12.00 V"}


def test_the_leading_fault_is_one_of_the_twins() -> None:
    """So that the comparison above is not one of hypotheses that nobody looked at.

    With the rail read: without, a low rail explains less current as well.
    """
    for readings, names in ((DRIFTED, {"R1", "R2"}), (OPEN, {"R1", "R2"}), (LOST, {"C1", "C2"})):
        suspects = weighed([*readings, RAIL]).posterior.suspects
        assert {s.hypotheses[0].part for s, _ in suspects[:2]} == names


def chain(count: int) -> str:
    """The stage with R1 and R2 as `count` resistors of the same sum."""
    nodes = ["vcc", *(f"m{k}" for k in range(1, count)), "n"]
    rows = [f"  RS{k + 1}: {{kind: metal-film, nodes: [{a}, {b}], value: {20e3 / count:.6g}, "
            "tolerance: 1%}\n" for k, (a, b) in enumerate(pairwise(nodes))]
    kept = [line for line in FEED.splitlines(keepends=True) if not line.startswith("  R1:")
            and not line.startswith("  R2:")]
    return "".join([*kept, *rows])


@pytest.mark.parametrize("readings", [HEALTHY, DRIFTED, OPEN], ids=["healthy", "drifted", "open"])
def test_many_twins_have_the_same_evidence(readings: Sheet) -> None:
    """More of them than are looked at closely (`relinearise`)."""
    found = weighed(readings, chain(8))
    for mode in ("drift up", "open", "short"):
        nats = [x for label, x in evidence(found).items()
                if label.startswith("RS") and label.endswith(mode)]
        if nats:
            assert len(nats) == 8
            assert max(nats) - min(nats) < SAME, mode


IDLE = {"quantity": "dc voltage", "at": "vdd", "value": "9.000 V"}
"""A rail that nothing but R5 hangs on, and the rail is ideal."""


def told(readings: Sheet, more: Sheet) -> float:
    """The largest change of a probability by more readings, among what predicts these alike.

    A fault outside the library may have moved them and becomes less likely; a few hypotheses are of
    the second rail itself. They stand aside.
    """
    return moved(_among(weighed(readings)), _among(weighed([*readings, *more])))


@pytest.mark.parametrize("readings", [HEALTHY, DRIFTED, LOST], ids=["healthy", "drifted", "lost"])
def test_a_reading_that_all_predict_alike_moves_nothing_where_tails_are_normal(
    readings: Sheet, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, errors = model_error.model_errors()
    monkeypatch.setattr(model_error, "model_errors", lambda: (1e6, errors))
    assert told(readings, [IDLE]) < STILL


@pytest.mark.parametrize("readings", [
    HEALTHY,
    pytest.param(DRIFTED, marks=pytest.mark.xfail(
        reason="Student's density of 50 degrees of freedom has one scale for all errors: a reading "
        "where it belongs says that errors are small, which tells on what fits less well (0.005)")),
    LOST,
], ids=["healthy", "drifted", "lost"])
def test_a_reading_that_all_predict_alike_moves_nothing(readings: Sheet) -> None:
    assert told(readings, [IDLE]) < STILL


def _among(found: Weighing) -> dict[str, float]:
    kept = {name: p for name, p in probabilities(found).items()
            if name != "unmodelled" and "vdd" not in name}
    whole = math.fsum(kept.values())
    return {name: p / whole for name, p in kept.items()}


def test_the_order_of_the_readings_does_not_matter() -> None:
    turned = [DRIFTED[k] for k in np.random.default_rng(5).permutation(len(DRIFTED))]
    assert moved(probabilities(weighed(DRIFTED)), probabilities(weighed(turned))) < 1e-6


WRITTEN: Sequence[tuple[dict[str, Any], dict[str, Any]]] = (
    (volts("5.214 V"), volts("5214 mV")),
    (current("0.3512 mA"), current("351.2 uA")),
    (gain("1 kHz", -9.31), {"quantity": "gain", "frequency": "1000 Hz", "value": -9.31}),
    ({**gain("1 kHz", -9.31), "uncertainty": "0.17200 dB"},
     {**gain("1 kHz", -9.31), "uncertainty": "1.9998 %"}),
)
"""The same reading in two units: 20 log10 1.019998 = 0.17200."""


@pytest.mark.parametrize("pair", WRITTEN, ids=["V", "A", "bare", "dB"])
def test_units_of_a_reading_do_not_matter(pair: tuple[dict[str, Any], dict[str, Any]]) -> None:
    same = ("quantity", "at", "rail")
    rest = [r for r in DRIFTED if any(r.get(k) != pair[0].get(k) for k in same)]
    first, second = (probabilities(weighed([*rest, one])) for one in pair)
    assert moved(first, second) < 1e-4


def test_percent_and_db_of_distortion_are_one_reading() -> None:
    """0.25000 % is 20 log10 0.0025 = -52.0412 dB."""
    under = {"quantity": "thd", "frequency": "1 kHz", "input level": "1 V"}
    seen = [observe(sheet([{**under, "value": v}]).readings) for v in ("0.25000 %", "-52.0412 dB")]
    assert seen[0].values == pytest.approx(seen[1].values, abs=1e-4)
    assert seen[0].bench == pytest.approx(seen[1].bench, abs=1e-4)
    assert seen[0].readings == seen[1].readings
