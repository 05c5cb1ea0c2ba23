"""With the power off an op-amp or a cold valve is no amplifier: the meter sees resistors alone.

Common practice: at 0.1 V of test voltage no junction conducts and a cold cathode emits nothing.
"""

from __future__ import annotations

import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Rail, Stage
from tests.small import device, parallel, read, resistor


def ohms(stage: Stage, red: str, black: str) -> float:
    return read(stage, Reading("resistance", between=(red, black)))[0]


@pytest.mark.parametrize(("red", "black"), [("inp", "0"), ("0", "inp")])
def test_input_of_an_op_amp(red: str, black: str) -> None:
    """47 k to ground behind the input; the coupling capacitor blocks what lies before it."""
    assert ohms(load_stage("phono-opamp"), red, black) == pytest.approx(47e3, rel=0.01)


@pytest.mark.parametrize("swapped", [False, True])
def test_output_of_an_op_amp(swapped: bool) -> None:
    """270 k and 22 k of the network from output to inverting input, nothing else."""
    red, black = ("inn", "o") if swapped else ("o", "inn")
    assert ohms(load_stage("phono-opamp"), red, black) == pytest.approx(292e3, rel=0.01)


def test_cold_triode() -> None:
    # a published fit of a high-mu triode (from memory); cold, none of it counts
    model = {"mu": 100.0, "ex": 1.4, "kg1": 1060.0, "kp": 600.0, "kvb": 300.0}
    stage = Stage(
        "valve",
        (
            resistor("Rin", "in", "0", 1e3),
            resistor("Rout", "out", "0", 1e3),
            resistor("R1", "hv", "a", 100e3),
            resistor("R2", "hv", "0", 470e3),
            resistor("R3", "k", "0", 1.5e3),
            resistor("R4", "g", "0", 1e6),
            resistor("R5", "a", "0", 2e6),
            device("V1", "triode", ("a", "g", "k"), model),
        ),
        rails=(Rail("hv", 250.0),),
    )
    assert ohms(stage, "a", "k") == pytest.approx(parallel(570e3, 2e6) + 1.5e3, rel=0.01)
    assert ohms(stage, "k", "a") == pytest.approx(parallel(570e3, 2e6) + 1.5e3, rel=0.01)
