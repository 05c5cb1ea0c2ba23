"""The classic bias exercise with its faults, voltages worked out by hand.

The table and its sources are in tests/published/bias_exercise.yaml.
"""

from __future__ import annotations

from typing import Any

import pytest

from circuits.reading import Reading
from circuits.stage import Rail, Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.published.read import published
from tests.small import capacitor, device, read, resistor

EXERCISE = published("bias_exercise")
ELECTRODES = {"base": "b", "emitter": "e", "collector": "c"}


def stage(gain: float) -> Stage:
    return Stage(
        "bias exercise",
        (
            resistor("R1", "vcc", "b", 10e3),
            resistor("R2", "b", "0", 4.7e3),
            resistor("R3", "vcc", "c", 1e3),
            resistor("R4", "e", "0", 470.0),
            device("Q1", "npn", ("c", "b", "e"), {"IS": 1e-14, "BF": gain, "BR": 5.0, "VAF": 80.0}),
            capacitor("C1", "in", "b", 1e-5),
            capacitor("C2", "c", "out", 1e-5),
            capacitor("C3", "e", "0", 1e-4),
            resistor("R5", "out", "0", 1e4),
        ),
        rails=(Rail("vcc", 10.0),),
        source_impedance=600.0,
    )


def voltages(of: Stage) -> dict[str, float]:
    values = read(of, *(Reading("dc voltage", at=node) for node in ELECTRODES.values()))
    return dict(zip(ELECTRODES, values, strict=True))


def expect(found: dict[str, float], wanted: dict[str, Any]) -> None:
    for electrode in ELECTRODES:
        if electrode in wanted:
            limit = wanted.get("tolerance", EXERCISE["tolerance"])
            assert found[electrode] == pytest.approx(wanted[electrode], abs=limit), electrode


@pytest.mark.parametrize("gain", [100.0, 150.0, 200.0])
def test_healthy(gain: float) -> None:
    expect(voltages(stage(gain)), EXERCISE["healthy"])


@pytest.mark.parametrize("gain", [100.0, 200.0])
@pytest.mark.parametrize("row", EXERCISE["faults"], ids=lambda row: f"{row['part']} {row['mode']}")
def test_fault(row: dict[str, Any], gain: float) -> None:
    expect(voltages(inject(stage(gain), Fault(row["part"], row["mode"]))), row)


@pytest.mark.parametrize("part", ["C1", "C2", "C3"])
def test_open_capacitor_leaves_the_bias_alone(part: str) -> None:
    """Common practice: normal voltages and no signal mean a capacitor."""
    healthy = voltages(stage(150.0))
    assert voltages(inject(stage(150.0), Fault(part, "open"))) == pytest.approx(healthy, abs=1e-3)


def test_shorted_bypass_saturates() -> None:
    """Base at 0.7 V, emitter at ground, collector near ground (STP 11-25R13, as above)."""
    row = {"base": 0.7, "emitter": 0.0, "collector": 0.1}
    expect(voltages(inject(stage(150.0), Fault("C3", "short"))), row)


def test_a_wrong_voltage_is_noticed() -> None:
    """The comparison itself fails on a voltage that is off by a volt."""
    with pytest.raises(AssertionError, match="collector"):
        expect(voltages(stage(150.0)), EXERCISE["healthy"] | {"collector": 5.7})
