"""Small signals in many units: one elimination a unit and frequency, whatever is asked of it.

What a source drives is a solution of the equations; what every source of noise does to one output
is one solution of the transposed ones. Instruments that are on during a reading are no part of the
equations: what they change follows from the unloaded solution and the impedances where they lie
(Woodbury's formula; with one instrument, Thévenin's theorem).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from circuits.batch.bias import Rest, taken
from circuits.batch.elimination import Elimination, Order
from circuits.batch.lu import Array, Places
from circuits.batch.units import Units
from circuits.bench.analysis import Loaded
from circuits.ready import COUPLING

_BYTES = 3 << 20
"""Of entries that are eliminated at a time: what a cache holds (measured)."""

Rows = tuple[tuple[int, float], ...]
"""A right hand side: rows and what stands there; ground is left out."""


@dataclass(frozen=True, eq=False)
class Network:
    """Units at rest as linear networks: G + jωC by entries of the equations, (e, u) each.

    Solutions of units that are `soft` (u,) are refined; those that are `rough` are solved as
    matrices.
    """

    units: Units
    order: Elimination
    conductances: Array
    capacitances: Array
    rough: Array
    soft: Array


def network(
    units: Units, order: Elimination, at: Rest, rough: Array, soft: Array | None = None
) -> Network:
    """What units at rest are to a small signal."""
    made = units.equations
    still = made.conductances @ units.numbers
    moving = made.capacitances @ units.numbers
    for group, p, x in zip(made.groups, units.parameters, at.branches, strict=True):
        slopes, farads = group.family.small_signal(p, x)
        still = still + group.currents @ taken(slopes, group.family.PATTERN)
        moving = moving + group.charges @ taken(farads, group.family.CHARGE_PATTERN)
    none = np.zeros(units.count, bool)
    return Network(units, order, still, moving, rough, none if soft is None else soft)


@dataclass(frozen=True)
class Question:
    """A set of right hand sides and the rows that are read of each solution.

    Attributes
    ----------
    driven, heard : tuple of Rows
        Of the equations, and of the transposed ones.
    rows : tuple of int
        That are kept of solutions of the first; of the others all are.
    """

    driven: tuple[Rows, ...]
    heard: tuple[Rows, ...]
    rows: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Solutions:
    """Solutions by frequency and unit.

    Attributes
    ----------
    driven : (q, r, f, u) array
        Of each right hand side, at the rows that were asked for.
    heard : (q, n, f, u) array
    """

    driven: Array
    heard: Array


def solved(net: Network, frequencies: Sequence[float], asked: Question) -> Solutions:
    """Solve units at frequencies (f,), Hz."""
    turns = 2j * np.pi * np.asarray(frequencies, dtype=float)
    size, count = net.order.size, net.units.count
    driven = np.empty((len(asked.driven), len(asked.rows), len(turns), count), complex)
    heard = np.empty((len(asked.heard), size, len(turns), count), complex)
    rows = list(asked.rows)
    width = max(1, _BYTES // (16 * net.order.entries))
    ways: tuple[tuple[Array, Order, bool], ...] = (
        (~net.soft & ~net.rough, net.order, False), (net.soft & ~net.rough, net.order, True),
        (net.rough, net.order.dense, False),
    )
    for mine, order, refined in ways:
        places = np.flatnonzero(mine)
        few = max(1, min(len(places), width))
        many = max(1, width // few)
        for some in (places[k : k + few] for k in range(0, len(places), few)):
            for first in range(0, len(turns), many):
                part = np.arange(first, min(first + many, len(turns)))
                one = _System(net, order, turns[part], some, refined)
                shape = len(part), len(some)
                if asked.driven:
                    x = one.solve(_right(asked.driven, size, shape), False)
                    driven[:, :, part[:, None], some] = x[rows].swapaxes(0, 1)
                if asked.heard:
                    y = one.solve(_right(asked.heard, size, shape), True)
                    heard[:, :, part[:, None], some] = y.swapaxes(0, 1)
    return Solutions(driven, heard)


class _System:
    """Some units at some frequencies, eliminated; solutions are refined once if they are to be."""

    def __init__(
        self, net: Network, order: Order, turns: Array, some: Places, refined: bool
    ) -> None:
        self._made, self._refined = net.units.equations, refined
        self._entries = (
            net.conductances[:, None, some] + turns[:, None] * net.capacitances[:, None, some]
        )
        self._factors = order.factors(self._entries)

    def solve(self, right: Array, transposed: bool) -> Array:
        """Solutions (n, q, f, u) of the equations, or of the transposed ones."""
        way = self._factors.solve_transposed if transposed else self._factors.solve
        if not self._refined:
            return way(right)
        found = way(right.copy())
        left = right - self._made.times(self._entries[:, None], found, transposed)
        return found + way(left)


def _right(asked: Sequence[Rows], size: int, shape: tuple[int, int]) -> Array:
    right = np.zeros((size, len(asked), *shape), complex)
    for q, rows in enumerate(asked):
        for row, value in rows:
            right[row, q] += value
    return right


def siemens(one: Loaded, turns: Array) -> Array:
    """Admittance of an a.c. input that is on, (f,)."""
    found: Array = 1.0 / (one.ohms + 1.0 / (turns * COUPLING)) + turns * one.farads
    return found


def loaded(bare: Array, columns: Array, impedances: Array, admittances: Array, at: Array) -> Array:
    """A solution with instruments on, of the one without.

    Parameters
    ----------
    bare : (r, f, u) array
        Rows of the solution without them.
    columns : (m, r, f, u) array
        The same rows of what a current into the node of each instrument does.
    impedances : (m, m, f, u) array
        Of those, at the nodes of the instruments: of a row what the current of a column does.
    admittances : (m, f) array
        S.
    at : (m, f, u) array
        The bare solution at the nodes of the instruments.
    """
    if len(columns) == 1:
        drawn = admittances[0][:, None] * at[0] / (1.0 + admittances[0][:, None] * impedances[0, 0])
        single: Array = bare - columns[0] * drawn
        return single
    count = len(columns)
    matrix = np.moveaxis(admittances[:, None, :, None] * impedances, (0, 1), (-2, -1))
    matrix = matrix + np.eye(count)
    right = np.moveaxis(admittances[:, :, None] * at, 0, -1)[..., None]
    flows = np.moveaxis(np.linalg.solve(matrix, right)[..., 0], -1, 0)
    found: Array = bare - np.einsum("mrfu,mfu->rfu", columns, flows)
    return found


def ends(row: Mapping[str, int], nodes: Sequence[str]) -> Rows:
    """An ampere into the first node and out of the second."""
    signs = zip(nodes, (1.0, -1.0), strict=False)
    return tuple((row[n.lower()], sign) for n, sign in signs if row[n.lower()] >= 0)
