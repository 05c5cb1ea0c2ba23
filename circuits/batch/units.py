"""The units of one topology: their numbers, as arrays whose last axis is the unit."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar, cast

import numpy as np

from circuits.batch.devices.card import card
from circuits.batch.devices.expression import parsed
from circuits.batch.equations import Equations, Group
from circuits.batch.families import Device
from circuits.batch.formulas import Constants, Formulas
from circuits.batch.lu import Array, Places
from circuits.batch.topology import UNSTEADY, Shape
from circuits.circuit import Circuit, Element, Model

_T = TypeVar("_T")

_ABSENT = {"r": np.inf, "z": 0.0, "c": 0.0, "g": 0.0, "i": 0.0}
"""What stands for an element that a unit has not."""


@dataclass(frozen=True, eq=False)
class Units:
    """Numbers of many units.

    Attributes
    ----------
    equations : Equations
    numbers : (m + 1, u) array
        What each line adds to the matrix or the right hand side: conductance of a resistor, ohm of
        a joint, farad, henry (mutual, of a coupling), volt, ampere, gain; and one.
    parameters : tuple
        Of each group of devices, as its family has them.
    flicker, exponent : (m, u) arrays
        Of resistors whose noise falls with frequency: KF and AF of their model, else 0 and 2.
    """

    equations: Equations
    numbers: Array
    parameters: tuple[Any, ...]
    flicker: Array
    exponent: Array

    @property
    def count(self) -> int:
        """How many units."""
        return int(self.numbers.shape[1])

    def some(self, places: Places) -> Units:
        """Those of them at some places."""
        return Units(
            self.equations, self.numbers[:, places],
            tuple(selected(p, places) for p in self.parameters),
            self.flicker[:, places], self.exponent[:, places],
        )


def selected(parameters: _T, places: Places) -> _T:
    """Parameters of some units: every array of them is indexed by its last axis."""
    family: Any = type(parameters)
    found: _T = object.__new__(family)
    for name in _names(family):
        value = getattr(parameters, name)
        if isinstance(value, np.ndarray):
            value = value[..., places]
        elif dataclasses.is_dataclass(value):
            value = selected(value, places)
        object.__setattr__(found, name, value)
    return found


@cache
def _names(family: type) -> tuple[str, ...]:
    # asked of every step of every search: `dataclasses.replace` would take as long as the arrays
    return tuple(field.name for field in dataclasses.fields(family))


def units(made: Equations, circuits: Sequence[Circuit], shapes: Sequence[Shape]) -> Units:
    """The numbers of circuits that have a topology in common.

    Parameters
    ----------
    shapes : sequence of Shape
        Of each circuit.
    """
    lines = made.lines
    absent = np.array([_ABSENT.get(line.kind, np.nan) for line in lines])
    takes: dict[int, tuple[Places, Places]] = {}
    values = np.empty((len(circuits), len(lines)))
    values[:] = absent
    for u, (circuit, shape) in enumerate(zip(circuits, shapes, strict=True)):
        take = takes.get(id(shape))
        if take is None:
            place = {line.name: k for k, line in enumerate(shape.lines)}
            both = [(k, shape.places[place[line.name]]) for k, line in enumerate(lines)
                    if line.name in place]
            to, of = (np.array(x, np.intp) for x in zip(*both, strict=True))
            take = takes[id(shape)] = to, of
        to, of = take
        given = np.array([element.value for element in circuit.elements], dtype=float)
        values[u, to] = given[of]
    numbers = np.ones((len(lines) + 1, len(circuits)))
    numbers[:-1] = values.T
    resistors = list(made.of_kind.get("r", ()))
    numbers[resistors] = 1.0 / numbers[resistors]
    _coupled(made, circuits, numbers)
    flicker, exponent = _unsteady(made, circuits)
    return Units(made, numbers, _parameters(made, circuits), flicker, exponent)


def _named(circuit: Circuit) -> dict[str, Element]:
    return {element.name: element for element in circuit.elements}


def _coupled(made: Equations, circuits: Sequence[Circuit], numbers: Array) -> None:
    """Mutual inductances, of the coefficients of couplings."""
    for k in made.of_kind.get("k", ()):
        line = made.lines[k]
        first, second = (made.place[name.lower()] for name in line.nodes)
        share = np.array([float(_named(circuit)[line.name].text) for circuit in circuits])
        numbers[k] = share * np.sqrt(numbers[first] * numbers[second])


def _unsteady(made: Equations, circuits: Sequence[Circuit]) -> tuple[Array, Array]:
    flicker = np.zeros((len(made.lines), len(circuits)))
    exponent = np.full_like(flicker, 2.0)
    mine = [k for k, line in enumerate(made.lines) if line.shape == UNSTEADY]
    if not mine:
        return flicker, exponent
    for u, circuit in enumerate(circuits):
        models = {m.name: dict(m.parameters) for m in circuit.models if m.type.lower() == "r"}
        elements = _named(circuit)
        for k in mine:
            element = elements.get(made.lines[k].name)
            if element is not None and element.text:
                model = models[element.text]
                flicker[k, u], exponent[k, u] = model.get("KF", 0.0), model.get("AF", 2.0)
    return flicker, exponent


def _parameters(made: Equations, circuits: Sequence[Circuit]) -> tuple[Any, ...]:
    if not made.groups:
        return ()
    wanted = {name for group in made.groups for name in group.names}
    texts: dict[str, list[tuple[str, Model | None]]] = {name: [] for name in wanted}
    for circuit in circuits:
        models = {model.name: model for model in circuit.models}
        for element in circuit.elements:
            if element.name in wanted:
                model = models.get(element.text.partition(" ")[0])
                texts[element.name].append((element.text, model))
    return tuple(_of_group(group, texts) for group in made.groups)


def _of_group(group: Group, texts: Mapping[str, Sequence[tuple[str, Model | None]]]) -> Any:
    if isinstance(group.family, Formulas):
        numbers = [[parsed(text)[1] for text, _ in texts[name]] for name in group.names]
        return Constants(np.moveaxis(np.array(numbers), -1, 0))
    cards = [
        [card(model, text.partition(" ")[2]) for text, model in texts[name] if model is not None]
        for name in group.names
    ]
    return cast(Device, group.family).parameters(cards)
