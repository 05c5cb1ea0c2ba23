"""Operating points found already: a unit that is asked one thing after another rests once.

The steps of a reading under drive ask for poles, gain and steady states of one circuit, with rails
that sag a little more from one to the next; and what a unit draws is asked before its readings are.
Circuits with the very same numbers have the very same operating point. Where only sources differ,
Newton's method begins from where the same unit was at rest, and is there in a few steps.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any

import numpy as np

from circuits.batch.bias import Rest, rest
from circuits.batch.elimination import Elimination
from circuits.batch.lu import Array, Places
from circuits.batch.topology import Line
from circuits.batch.units import Units


@dataclass
class _Known:
    """Units of a topology at rest: unknowns, and voltages of the branches of each group of devices.

    Attributes
    ----------
    exactly : dict of bytes to (array, tuple of arrays)
        By all their numbers.
    nearly : dict of bytes to (array, tuple of arrays)
        By their numbers but for sources: what was found last.
    """

    exactly: dict[bytes, tuple[Array, tuple[Array, ...]]] = field(default_factory=dict)
    nearly: dict[bytes, tuple[Array, tuple[Array, ...]]] = field(default_factory=dict)


_MOST = 4096
"""Units that are remembered; with one more all are forgotten (judgement: some 10 MB)."""
_KNOWN: dict[tuple[Line, ...], _Known] = {}


def forget() -> None:
    """Begin anew: where a search began shows in the last digits of what it found."""
    _KNOWN.clear()


def rested(units: Units, order: Elimination) -> Rest:
    """The operating point of every unit; see `circuits.batch.bias.rest`."""
    if sum(len(one.exactly) for one in _KNOWN.values()) > _MOST:
        forget()
    known = _KNOWN.setdefault(units.equations.lines, _Known())
    names, akin = _names(units)
    new: list[int] = []
    moved: list[int] = []
    same: list[int] = []
    for u, (name, other) in enumerate(zip(names, akin, strict=True)):
        (same if name in known.exactly else moved if other in known.nearly else new).append(u)
    found = Rest(
        np.zeros((units.equations.size + 1, units.count)),
        tuple(np.zeros((*group.plus.shape, units.count)) for group in units.equations.groups),
        np.zeros(units.count, bool),
    )
    if new:
        _enter(found, new, _some(units, order, new))
    if moved:
        start = _stacked([known.nearly[akin[u]] for u in moved])
        _enter(found, moved, _some(units, order, moved, start.branches))
    for u in (*new, *moved):
        if found.settled[u]:
            column = found.volts[:, u].copy(), tuple(x[..., u].copy() for x in found.branches)
            known.exactly[names[u]] = known.nearly[akin[u]] = column
    if same:
        _enter(found, same, _stacked([known.exactly[names[u]] for u in same]))
    return found


def _some(
    units: Units, order: Elimination, places: list[int], start: Sequence[Array] | None = None
) -> Rest:
    few = units if len(places) == units.count else units.some(np.array(places, np.intp))
    return rest(few, order, start=start)


def _enter(found: Rest, places: list[int], some: Rest) -> None:
    found.volts[:, places], found.settled[places] = some.volts, some.settled
    for whole, part in zip(found.branches, some.branches, strict=True):
        whole[..., places] = part


def _stacked(columns: Sequence[tuple[Array, tuple[Array, ...]]]) -> Rest:
    volts = np.stack([one for one, _ in columns], axis=-1)
    each = zip(*(branches for _, branches in columns), strict=True)
    return Rest(volts, tuple(np.stack(one, axis=-1) for one in each),
                np.ones(len(columns), bool))


def _names(units: Units) -> tuple[list[bytes], list[bytes]]:
    """What tells the circuit of each unit from any other of its topology; and but for sources."""
    made = units.equations
    sources: Places = np.array(
        sorted((*made.of_kind.get("v", ()), *made.of_kind.get("i", ()))), dtype=np.intp)
    firm = [np.delete(units.numbers, sources, axis=0),
            *(x for p in units.parameters for x in _arrays(p, units.count))]
    akin = [_digest(row) for row in np.ascontiguousarray(np.concatenate(firm).T)]
    driven = np.ascontiguousarray(units.numbers[sources].T)
    return [name + row.tobytes() for name, row in zip(akin, driven, strict=True)], akin


def _digest(row: Array) -> bytes:
    return blake2b(row.tobytes(), digest_size=16).digest()


def _arrays(parameters: Any, count: int) -> Iterator[Array]:
    """Every array of parameters, its last axis the unit."""
    for one in dataclasses.fields(parameters):
        value = getattr(parameters, one.name)
        if isinstance(value, np.ndarray):
            yield value.reshape(-1, count).astype(float)
        elif dataclasses.is_dataclass(value):
            yield from _arrays(value, count)
