"""One part as frozen data in SI units; changing one means making another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from circuits.circuit import Element, Model

Pairs = tuple[tuple[str, float], ...]
"""A frozen mapping of names to numbers, in the order of the file."""


@dataclass(frozen=True)
class Behaviour:
    """Elements and models between the pins ``p0``, ``p1`` … of a part; see `circuits.behaviour`."""

    elements: tuple[Element, ...]
    models: tuple[Model, ...] = ()


@dataclass(frozen=True)
class Part:
    """One part of a stage.

    Attributes
    ----------
    name : str
        Reference designator, such as ``R1``.
    kind : str
        A key of `circuits.kinds.kinds`.
    nodes : tuple of str
        In the order of the kind's pins (SPICE's order).
    value : float or None
        Ohm, farad, henry or (zener) volt; None where the kind has none.
    tolerance : float
        Relative limit of the value of a good part, 0.05 for ±5 %.
    role : str
        What it does in the stage.
    model : str
        Name of the device data that `parameters` came from, empty for passive parts.
    parameters : pairs
        Device parameters (SPICE's for semiconductors, the macromodel's for an op-amp).
    spread : pairs
        Relative standard deviation of those parameters between good devices (log-normal).
    position : float
        Wiper of a potentiometer or trimmer, 0 at the last node, 1 at the first.
    esr : float
        Series resistance of a capacitor, ohm.
    rating : float
        What it bears, W, or V of a capacitor; 0 where the file does not say.
    heat : float
        K that hot neighbours hold a capacitor above the rest of the case.
    known : tuple of str
        Device parameters that were measured of this very part: no make moves them.
    behaviour : Behaviour or None
        What it does, where a subcircuit of the user's tells; None for the models of this project.
    """

    name: str
    kind: str
    nodes: tuple[str, ...]
    value: float | None = None
    tolerance: float = 0.0
    role: str = ""
    model: str = ""
    parameters: Pairs = ()
    spread: Pairs = ()
    position: float = 0.5
    esr: float = 0.0
    rating: float = 0.0
    heat: float = 0.0
    known: tuple[str, ...] = ()
    behaviour: Behaviour | None = None

    def parameter(self, name: str, default: float = 0.0) -> float:
        """One device parameter, or `default` where the device data are silent."""
        for key, value in self.parameters:
            if key == name:
                return value
        return default

    def with_parameter(self, name: str, value: float) -> Part:
        """The same part with one device parameter set."""
        kept = tuple((k, v) for k, v in self.parameters if k != name)
        return replace(self, parameters=(*kept, (name, value)))

    def scaled(self, factors: Mapping[str, float]) -> Part:
        """The same part with device parameters multiplied; one that it does not have stays so."""
        kept = tuple((k, v * factors[k] if k in factors else v) for k, v in self.parameters)
        return replace(self, parameters=kept)
