"""Model cards → arrays of parameters, devices by units.

A card is what SPICE is told of one device: the parameters of its model, its `AREA`, how
`MANY` stand in parallel (SPICE's multiplier m, which would be a diode's grading M), and its
`POLARITY`, 1 for npn, n-channel and diodes and -1 for the others.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from circuits.batch.devices.constants import CELSIUS
from circuits.circuit import Model

Card: TypeAlias = Mapping[str, float]
Cards: TypeAlias = Sequence[Sequence[Card]]
"""Of d devices, each in u units."""
Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]

_P = TypeVar("_P")

_POLARITY = {
    "npn": 1.0, "pnp": -1.0, "njf": 1.0, "pjf": -1.0, "nmos": 1.0, "pmos": -1.0, "d": 1.0,
}
"""Types of models by the sign of their voltages."""
_INSTANCE = {"m": "MANY"}
"""Words of a device's line that a card has by another name."""
COMMON = {"AREA": 1.0, "MANY": 1.0, "POLARITY": 1.0}
"""What a card of any family may have, and what it is where it has not."""
IDLE = frozenset({"TNOM", "EG", "XTI", "XTB"})
"""What moves with temperature alone: nothing at 27 °C for a model that holds there."""


@lru_cache(maxsize=4096)
def card(model: Model, instance: str = "") -> Card:
    """The card of a device; the same object for the same words.

    Parameters
    ----------
    model : Model
        As the circuit has it.
    instance : str
        What follows the model's name in the device's line, such as ``area=2.0 m=3.0``.
    """
    found = {name.upper(): float(value) for name, value in model.parameters}
    for word in instance.split():
        name, _, value = word.partition("=")
        try:
            found[_INSTANCE.get(name.lower(), name.upper())] = float(value)
        except ValueError:
            found[word.upper()] = 1.0
    family = model.type.lower()
    if family in _POLARITY:
        found["POLARITY"] = _POLARITY[family]
    else:
        found[family.upper()] = 1.0
    return MappingProxyType(found)


def unknown(given: Card, known: Mapping[str, float]) -> str:
    """Why a card is more than these laws hold: a word that none of them knows, another temperature.

    Empty where it is not.
    """
    if given.get("TNOM", CELSIUS) != CELSIUS:
        return f"TNOM of {given['TNOM']:g} °C"
    strange = [name for name in given if not (name in known or name in COMMON or name in IDLE)]
    return f"{', '.join(sorted(strange))} of a model" if strange else ""


def table(cards: Cards, known: Mapping[str, float]) -> dict[str, Floats]:
    """Parameters (d, u) by name.

    Parameters
    ----------
    cards : sequence of sequence of Card
        A card that is one object in many units is read once.
    known : mapping
        The parameters of the family with their defaults.
    """
    defaults = {**COMMON, **known}
    places: dict[int, int] = {}
    rows: list[list[float]] = []
    index = np.zeros((len(cards), len(cards[0]) if cards else 0), dtype=np.intp)
    for d, units in enumerate(cards):
        for u, given in enumerate(units):
            place = places.get(id(given))
            if place is None:
                place = places[id(given)] = len(rows)
                rows.append([given.get(name, value) for name, value in defaults.items()])
            index[d, u] = place
    values = np.array(rows, dtype=float).reshape(len(rows), len(defaults))
    return {name: values[index, k] for k, name in enumerate(defaults)}


def selected(parameters: _P, units: Any) -> _P:
    """The parameters of some units, which an index of the last axis names."""
    assert dataclasses.is_dataclass(parameters)
    assert not isinstance(parameters, type)
    chosen: dict[str, Any] = {}
    for field in dataclasses.fields(parameters):
        value = getattr(parameters, field.name)
        if isinstance(value, np.ndarray):
            chosen[field.name] = value[:, units]
        elif dataclasses.is_dataclass(value):
            chosen[field.name] = selected(value, units)
    return dataclasses.replace(parameters, **chosen)


def inverse(values: Floats) -> Floats:
    """One over each, and zero for zero, by which SPICE means that there is no limit."""
    found = np.zeros_like(values)
    np.divide(1.0, values, out=found, where=values != 0.0)
    return found
