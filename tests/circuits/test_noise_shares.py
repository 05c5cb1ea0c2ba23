"""What each resistor contributes to the noise: Nyquist's formula, and driving it directly."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.behind_rails import rail_resistor, rail_source
from circuits.bench.analysis import NoiseDensity, NoiseSpectrum, Response, SmallSignal
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element
from circuits.errors import EngineFault
from circuits.load import load_stage
from circuits.moving import GENERATOR
from circuits.netlist import SOURCE, circuit
from tests.small import BOLTZMANN, KELVIN

LADDER = Circuit(
    (
        Element("V1", ("in", "0"), 0.0),
        Element("R1", ("in", "a"), 10e3),
        Element("C1", ("a", "0"), 10e-9),
        Element("R2", ("a", "out"), 22e3),
        Element("C2", ("out", "0"), 4.7e-9),
    )
)


@pytest.mark.parametrize(
    "frequencies", [(1e3,), (100.0, 1e3), (50.0, 100.0, 150.0, 200.0), (20.0, 90.0, 310.0, 7e3)]
)
def test_shares_follow_nyquist(frequencies: tuple[float, ...]) -> None:
    """√(4kTR) in series with each resistor, through the ladder's textbook transfer function.

    The largest difference comes from the simulator's own value of Boltzmann's constant.
    """
    (answer,) = Engine().run(LADDER, [NoiseSpectrum("out", "V1", frequencies, ("R1", "R2"))])
    assert isinstance(answer, NoiseDensity)
    s = 2j * np.pi * np.array(frequencies)
    r1, r2, c1, c2 = 10e3, 22e3, 10e-9, 4.7e-9
    whole = 1.0 + s * (r1 * c1 + (r1 + r2) * c2) + s * s * r1 * r2 * c1 * c2
    four = 4.0 * BOLTZMANN * KELVIN
    first = math.sqrt(four * r1) * np.abs(1.0 / whole)
    second = math.sqrt(four * r2) * np.abs((1.0 + s * r1 * c1) / whole)
    np.testing.assert_allclose(answer.shares, np.stack([first, second], axis=1), rtol=1e-5)
    np.testing.assert_allclose(answer.density, np.hypot(first, second), rtol=1e-5)


def test_shares_tell_what_driving_each_way_in_tells() -> None:
    """The adjoint network against as many runs as there are ways in."""
    stage = load_stage("output-complementary")
    net = circuit(stage)
    lines = (50.0, 100.0, 150.0)
    ways = [(GENERATOR, SOURCE, stage.source_impedance)]
    ways += [(rail_source(r.name), rail_resistor(r.name), r.resistance) for r in stage.rails]
    driven = Engine().run(net, [SmallSignal(drive, lines, ("out",)) for drive, _, _ in ways])
    resistors = tuple(name for _, name, _ in ways)
    (told,) = Engine().run(net, [NoiseSpectrum("out", GENERATOR, lines, resistors)])
    assert isinstance(told, NoiseDensity)
    for k, (_, _, ohms) in enumerate(ways):
        answer = driven[k]
        assert isinstance(answer, Response)
        gain = told.shares[:, k] / math.sqrt(4.0 * BOLTZMANN * KELVIN * ohms)
        np.testing.assert_allclose(gain, np.abs(answer.nodes[:, 0]), rtol=1e-5)


def test_an_unknown_resistor_never_reaches_the_simulator() -> None:
    with pytest.raises(EngineFault, match="no resistor 'r9'"):
        Engine().run(LADDER, [NoiseSpectrum("out", "V1", (1e3,), ("R9",))])
    with pytest.raises(EngineFault, match="no resistor 'c1'"):
        Engine().run(LADDER, [NoiseSpectrum("out", "V1", (1e3,), ("C1",))])


def test_nothing_arrives_at_ground() -> None:
    (answer,) = Engine().run(LADDER, [NoiseSpectrum("0", "V1", (1e3,), ("R1",))])
    assert isinstance(answer, NoiseDensity)
    assert answer.shares.tolist() == [[0.0]]
