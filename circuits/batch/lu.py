"""Sparse elimination of many systems that have the same pattern of entries.

Which entries there are, and in what order rows and columns are eliminated, is found out once, on a
few systems of the many (Markowitz's count with a threshold on the size of pivots). Then a step of
the elimination is one operation on an array whose last axis is the system. The order is the same
for all, so a system whose pivots come out small is not solved well: `Factors.solve` refines its
answer once, and `residual` tells what is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[Any]
"""Of floats or complex numbers."""
Places: TypeAlias = npt.NDArray[np.intp]

_THRESHOLD = 1e-3
"""Least size of a pivot relative to the largest in its column: a usual compromise between sparsity
and stability (SPICE takes the same by default)."""


@dataclass(frozen=True, eq=False)
class _Step:
    """One step of the elimination, in places of the array of entries.

    Attributes
    ----------
    pivot : int
        The entry.
    row, column : int
        Of the pivot.
    below, rows : (m,) arrays
        Entries in the column of the pivot that are still to be eliminated, and their rows.
    right, columns : (p,) arrays
        Entries in the row of the pivot, and their columns.
    target : (m p,) array
        The entries that change.
    """

    pivot: int
    row: int
    column: int
    below: Places
    rows: Places
    right: Places
    columns: Places
    target: Places


@dataclass(frozen=True, eq=False)
class Pattern:
    """Where entries are, those that the elimination fills in included, and its order.

    Attributes
    ----------
    size : int
        Of the system.
    row, column : (e,) arrays
        Of each entry.
    slot : (n, n) array
        The entry at a row and column, -1 for none.
    steps : tuple
    """

    size: int
    row: Places
    column: Places
    slot: Places
    steps: tuple[_Step, ...]

    @property
    def entries(self) -> int:
        """How many there are."""
        return len(self.row)

    def factors(self, entries: Array) -> Factors:
        """Eliminate; a system that has no solution becomes no numbers, and spoils no other.

        Parameters
        ----------
        entries : (e, …) array
            The systems; it is overwritten.
        """
        inverse = np.empty((self.size, *entries.shape[1:]), entries.dtype)
        shape = entries.shape[1:]
        with np.errstate(all="ignore"):
            for k, step in enumerate(self.steps):
                own = np.divide(1.0, entries[step.pivot], out=inverse[k])
                if step.below.size:
                    factor = entries[step.below] * own
                    entries[step.below] = factor
                    if step.right.size:
                        change = factor[:, None] * entries[step.right]
                        entries[step.target] -= change.reshape(len(step.target), *shape)
        return Factors(self, entries, inverse)


@dataclass(frozen=True, eq=False)
class Factors:
    """What the elimination leaves: factors in place of the entries, and the pivots' inverses."""

    pattern: Pattern
    entries: Array
    inverse: Array

    def solve(self, right: Array) -> Array:
        """The solutions of A x = b.

        Parameters
        ----------
        right : (n, …) array
            b by row; further axes before the last ones of the systems are right hand sides of
            their own, (n, q, …). It is overwritten.

        Returns
        -------
        (n, …) array
            x by column.
        """
        steps, entries = self.pattern.steps, self.entries
        several = right.ndim == entries.ndim + 1
        with np.errstate(all="ignore"):
            for step in steps:
                if step.rows.size:
                    factor = entries[step.below]
                    if several:
                        factor = factor[:, None]
                    right[step.rows] -= factor * right[step.row]
            result = np.empty_like(right)
            for k in range(len(steps) - 1, -1, -1):
                step = steps[k]
                value = right[step.row]
                if step.columns.size:
                    known = entries[step.right]
                    if several:
                        known = known[:, None]
                    value = value - (known * result[step.columns]).sum(axis=0)
                result[step.column] = value * self.inverse[k]
        return result

    def solve_transposed(self, right: Array) -> Array:
        """The solutions of Aᵀ x = b, b by column and x by row; see `solve`."""
        steps, entries = self.pattern.steps, self.entries
        several = right.ndim == entries.ndim + 1
        with np.errstate(all="ignore"):
            middle = np.empty_like(right)
            for k, step in enumerate(steps):
                value = right[step.column] * self.inverse[k]
                middle[step.row] = value
                if step.columns.size:
                    factor = entries[step.right]
                    if several:
                        factor = factor[:, None]
                    right[step.columns] -= factor * value
            for step in reversed(steps):
                if step.rows.size:
                    known = entries[step.below]
                    if several:
                        known = known[:, None]
                    middle[step.row] -= (known * middle[step.rows]).sum(axis=0)
        return middle


def pattern(size: int, row: Sequence[int], column: Sequence[int], samples: Array) -> Pattern:
    """The order of elimination of systems with entries at these places.

    Parameters
    ----------
    row, column : (e,)
        Each place once.
    samples : (e, s) array
        Entries of some systems: a pivot must be large enough in each of them.

    Raises
    ------
    ArithmeticError
        For systems that no order solves.
    """
    matrix = np.zeros((samples.shape[1], size, size), samples.dtype)
    matrix[:, row, column] = samples.T
    filled = np.zeros((size, size), bool)
    filled[row, column] = True
    active = filled.copy()
    left_rows, left_columns = np.ones(size, bool), np.ones(size, bool)
    order: list[tuple[int, int, Places, Places]] = []
    for _ in range(size):
        magnitude = np.abs(matrix)
        largest = magnitude.max(axis=1)
        fit = active & (magnitude > _THRESHOLD * largest[:, None, :]).all(axis=0)
        if not fit.any():
            raise ArithmeticError("the equations have no solution whatever their values")
        count = np.outer(active.sum(axis=1) - 1, active.sum(axis=0) - 1)
        # among equals the pivot that is largest beside the others of its column
        with np.errstate(all="ignore"):
            share = np.nan_to_num((magnitude / largest[:, None, :]).min(axis=0))
        cost = np.where(fit, count + 0.5 * (1.0 - share), np.inf)
        r, c = divmod(int(cost.argmin()), size)
        active[r, c] = False
        rows, columns = np.flatnonzero(active[:, c]), np.flatnonzero(active[r])
        order.append((r, c, rows, columns))
        factor = matrix[:, rows, c] / matrix[:, r, c][:, None]
        block = np.ix_(rows, columns)
        matrix[(slice(None), *block)] -= factor[:, :, None] * matrix[:, r, columns][:, None, :]
        active[block] = True
        filled[block] = True
        left_rows[r] = left_columns[c] = False
        active[r] = False
        active[:, c] = False
        matrix[:, r] = 0.0
        matrix[:, :, c] = 0.0
    rows_of, columns_of = np.nonzero(filled)
    slot = np.full((size, size), -1, np.intp)
    slot[rows_of, columns_of] = np.arange(len(rows_of))
    steps = tuple(
        _Step(int(slot[r, c]), r, c, slot[rows, c], rows, slot[r, columns], columns,
              slot[np.ix_(rows, columns)].ravel())
        for r, c, rows, columns in order
    )
    return Pattern(size, rows_of, columns_of, slot, steps)
