"""Small circuits for the tests: parts in a word, and one reading of them."""

from __future__ import annotations

import math
from collections.abc import Mapping

from circuits.bench.take import take
from circuits.reading import Reading
from circuits.stage import Part, Stage

KELVIN = 300.15
"""27 °C, SPICE's usual temperature."""
BOLTZMANN = 1.380649e-23
CHARGE = 1.602176634e-19
"""J/K and C, exact by the definition of the SI."""
THERMAL_VOLT = BOLTZMANN * KELVIN / CHARGE

BUFFER = {
    "gain": 1e9, "gbw": 1e12, "input resistance": 1e12, "output resistance": 1e-3, "swing": 1e3,
    "noise voltage": 0.0, "noise corner": 0.0, "bias current": 0.0, "offset": 0.0,
}
"""An op-amp so near the ideal one that closed forms of ideal ones hold to six digits."""


def resistor(name: str, a: str, b: str, ohms: float) -> Part:
    return Part(name, "metal-film", (a, b), ohms, 0.01)


def capacitor(name: str, a: str, b: str, farads: float, esr: float = 0.0) -> Part:
    return Part(name, "electrolytic", (a, b), farads, 0.2, esr=esr)


def device(name: str, kind: str, nodes: tuple[str, ...], model: Mapping[str, float]) -> Part:
    return Part(name, kind, nodes, parameters=tuple(model.items()))


def opamp(name: str, nodes: tuple[str, ...], changed: Mapping[str, float] | None = None) -> Part:
    """A near-ideal op-amp, or one with some parameters changed."""
    return device(name, "opamp", nodes, BUFFER | dict(changed or {}))


def read(stage: Stage, *readings: Reading) -> list[float]:
    """Values of readings, in order."""
    return [float(value) for value in take(stage, readings)]


def db(ratio: float) -> float:
    return 20.0 * math.log10(abs(ratio))


def parallel(*ohms: float) -> float:
    return 1.0 / sum(1.0 / r for r in ohms)
