"""Poles of units, and whether they swing by themselves.

Sources: a series resonance's characteristic equation; Barkhausen's condition; a transient run of
the same unit, in plain ngspice; common practice.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from circuits.batch.engine import Many
from circuits.bench.analysis import Modes, Poles, Transient
from circuits.bench.engine import Engine
from circuits.bench.steps import abreast, alone
from circuits.bench.switching import Oscillation, probe
from circuits.circuit import Circuit, Element
from circuits.load import load_stage, stage_names
from circuits.moving import GENERATOR
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.small import capacitor as coupled
from tests.small import opamp, resistor

QUICK = {"gbw": 1e10, "gain": 1e6, "swing": 10.0}
OHMS, FARAD = 1e3, 100e-12
PHASE_SHIFT = 1.0 / (2.0 * math.pi * OHMS * FARAD * math.sqrt(6.0))


def poles(net: Circuit, band: tuple[float, float] = (1.0, 1e9)) -> np.ndarray:
    """Of a circuit, by the batch alone."""
    many = Many(Engine().run)
    run = Transient(("out",), 1e-6, 1e-8)
    ((answer,),) = many.run([(net, (Poles(GENERATOR, 1e-3, run, band),))])  # type: ignore[misc]
    assert isinstance(answer, Modes)
    assert many.count.batched == 1
    return answer.poles


@pytest.mark.parametrize("ohms", [1.0, 100.0, -20.0])
def test_a_series_resonance(ohms: float) -> None:
    """LCλ² + RCλ + 1 = 0; a negative resistance, of a controlled source, lets it grow."""
    henry, farad = 1e-3, 1e-9
    net = Circuit((
        Element(GENERATOR, ("in", "0"), 0.0),
        Element("R1", ("in", "a"), max(ohms, 1e-3)),
        # a current of −V/R beside R makes R negative
        Element("G1", ("in", "a", "in", "a"), 0.0 if ohms > 0.0 else 1.0 / ohms - 1e3),
        Element("L1", ("a", "out"), henry),
        Element("C1", ("out", "0"), farad),
    ))
    root = -ohms / (2.0 * henry) + 1j * math.sqrt(1.0 / (henry * farad) - (ohms / 2 / henry) ** 2)
    assert poles(net) == pytest.approx(np.array([root]), rel=1e-6)
    assert not len(poles(net, (1e6, 1e8)))


def phase_shift(gain: float) -> Stage:
    """Three sections of a series capacitor and a resistor around an inverting gain."""
    sections = [("out", "a"), ("a", "b"), ("b", "c")]
    return Stage(
        "phase shift",
        (
            *(coupled(f"C{k}", x, y, FARAD) for k, (x, y) in enumerate(sections)),
            *(resistor(f"R{k}", y, "0", OHMS) for k, (_, y) in enumerate(sections)),
            opamp("U1", ("c", "d", "d"), QUICK),
            resistor("R4", "d", "m", 1e4),
            resistor("R5", "m", "out", 1e4 * gain),
            opamp("U2", ("0", "m", "out"), QUICK),
            resistor("R6", "in", "m", 1e5),
        ),
    )


def probed(*stages: Stage) -> list[Oscillation | None]:
    """What the batch finds; all must be answered there but for how far one swings."""
    many = Many(Engine().run)
    found = abreast([probe(stage) for stage in stages], many.run)
    assert set(many.count.others) <= {"transient runs"}
    return found  # type: ignore[return-value]


def test_barkhausen() -> None:
    """It swings at 1/2πRC√6 with a gain above 29; at 28 a run of 60 µs cannot tell."""
    quiet, slow, fast = probed(phase_shift(28.0), phase_shift(30.0), phase_shift(40.0))
    assert quiet is None
    assert slow is not None
    assert fast is not None
    assert slow.frequency == pytest.approx(PHASE_SHIFT, rel=0.05)
    assert fast.frequency == pytest.approx(PHASE_SHIFT, rel=0.15)


def test_units_swing_as_a_transient_run_says() -> None:
    """Common practice: a power amplifier oscillates when its compensation opens."""
    stage = load_stage("output-complementary")
    faults = [("C5", "open"), ("C4", "open"), ("C7", "open"), ("C8", "open"), ("R9", "open")]
    units = [stage, *(inject(stage, Fault(*fault), stage) for fault in faults)]
    run = Engine().run
    others = [alone(probe(unit), run) for unit in units]
    assert [one is not None for one in others] == [False, True, True, False, False, True]
    for mine, other in zip(probed(*units), others, strict=True):
        assert (mine is None) == (other is None)
        if mine is not None and other is not None:
            assert mine.frequency == pytest.approx(other.frequency, rel=1e-3)
            assert mine.amplitude == pytest.approx(other.amplitude, rel=1e-2)


@pytest.mark.parametrize("name", stage_names())
def test_healthy_stages_are_quiet(name: str) -> None:
    """As `test_switching` has it of some by transient runs."""
    assert probed(load_stage(name)) == [None]


def test_what_grows_too_slowly_for_a_run_is_told_by_its_poles() -> None:
    """At a gain just above 29, set off by little, the wave is below 0.1 mV after 60 µs still."""
    stage = phase_shift(29.3)
    weak = replace(stage, parts=(*stage.parts[:-1], resistor("R6", "in", "m", 1e11)))
    assert alone(probe(weak), Engine().run) is None
    (found,) = probed(weak)
    assert found is not None
    assert math.isnan(found.amplitude)
    assert found.frequency == pytest.approx(PHASE_SHIFT, rel=0.05)
