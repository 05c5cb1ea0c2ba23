"""Sparse elimination of many systems that have the same pattern of entries.

Which entries there are, and in what order rows and columns are eliminated, is found out once, on a
few systems of the many (Markowitz's count with a threshold on the size of pivots). Pivots that do
not touch each other's rows and columns are eliminated in one step. Each step is a few operations on
arrays whose last axes are the systems. The order is the same for all of them: a system whose pivots
come out small is not solved well, which whoever asks has to look for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[Any]
"""Of floats or complex numbers."""
Places: TypeAlias = npt.NDArray[np.intp]

Flags: TypeAlias = npt.NDArray[np.bool_]

_THRESHOLD = 1e-3
"""Least size of a pivot relative to the largest in its column: a usual compromise between sparsity
and stability (SPICE takes the same by default)."""
_WASTE = 0.7
"""Share of rows still to be eliminated, below which the others are left out of the search."""
_DONE = -1
"""In place of a row or column that is eliminated."""
_WORSE = 2.0
"""How much more fill than the best of a step further pivots of it may make, plus one (measured)."""


@dataclass(frozen=True, eq=False)
class _Sum:
    """Where products go, of which several may go to one place.

    Attributes
    ----------
    places : (t,) array
    order : (p,) array or None
        Products by the place they go to; None where they stand so already.
    begin : (t,) array or None
        Where in that order those of each place begin; None where each has a place of its own.
    """

    places: Places
    order: Places | None
    begin: Places | None

    @classmethod
    def of(cls, targets: Places) -> _Sum:
        order = np.argsort(targets, kind="stable")
        places, begin = np.unique(targets[order], return_index=True)
        if len(places) == len(targets):
            return cls(targets, None, None)
        return cls(places, None if (np.diff(order) == 1).all() else order, begin)

    def take_from(self, values: Array, products: Array) -> None:
        """Subtract products (p, …) from their places among values."""
        if self.begin is not None:
            if self.order is not None:
                products = products[self.order]
            products = np.add.reduceat(products, self.begin, axis=0)
        values[self.places] -= products


@dataclass(frozen=True, eq=False)
class _Step:
    """Pivots that are eliminated together, in places of the array of entries.

    Attributes
    ----------
    pivots, rows, columns : (k,) arrays
        Their entries, rows and columns.
    below, below_of, below_row : (m,) arrays
        Entries under the pivots, the pivot each stands under, and its row.
    right, right_of, right_column : (p,) arrays
        Entries beside the pivots likewise, with their columns.
    first, second : (t,) arrays
        Places in `below` and `right` whose products change entries.
    changed : _Sum
        Where those products go.
    passed, gathered : _Sum
        Where, in a solution, products with the entries below and with those beside go.
    passed_up, gathered_up : _Sum
        The same of the transposed equations, with the entries beside and with those below.
    """

    pivots: Places
    rows: Places
    columns: Places
    below: Places
    below_of: Places
    below_row: Places
    right: Places
    right_of: Places
    right_column: Places
    first: Places
    second: Places
    changed: _Sum
    passed: _Sum
    gathered: _Sum
    passed_up: _Sum
    gathered_up: _Sum


@dataclass(frozen=True, eq=False)
class Pattern:
    """Where entries are, those that the elimination fills in included, and its order.

    Attributes
    ----------
    size : int
        Of the system.
    entries : int
        How many there are.
    slot : (n, n) array
        The entry at a row and column, -1 for none.
    steps : tuple
    """

    size: int
    entries: int
    slot: Places
    steps: tuple[_Step, ...]

    def factors(self, entries: Array) -> Factors:
        """Eliminate; a system that has no solution becomes no numbers, and spoils no other.

        Parameters
        ----------
        entries : (e, …) array
            The systems; it is overwritten.
        """
        inverses = []
        with np.errstate(all="ignore"):
            for step in self.steps:
                inverse = 1.0 / entries[step.pivots]
                inverses.append(inverse)
                if step.below.size:
                    factor = entries[step.below]
                    factor *= inverse[step.below_of] if len(step.pivots) > 1 else inverse
                    entries[step.below] = factor
                    if step.first.size:
                        products = factor[step.first]
                        products *= entries[step.right][step.second]
                        step.changed.take_from(entries, products)
        return Factors(self, entries, tuple(inverses))


@dataclass(frozen=True, eq=False)
class Factors:
    """What the elimination leaves: factors in place of the entries, and the pivots' inverses."""

    pattern: Pattern
    entries: Array
    inverses: tuple[Array, ...]

    @property
    def shape(self) -> tuple[int, ...]:
        """Of the systems."""
        return self.entries.shape[1:]

    def some(self, *places: Any) -> Factors:
        """Some of the systems, by indices of their axes."""
        wanted = slice(None), *places
        return Factors(self.pattern, self.entries[wanted],
                       tuple(one[wanted] for one in self.inverses))

    def solve(self, right: Array) -> Array:
        """The solutions of A x = b.

        Parameters
        ----------
        right : (n, …) array
            b by row; an axis more than the systems have, after the first, is of right hand sides
            of their own, (n, q, …). It is overwritten.

        Returns
        -------
        (n, …) array
            x by column.
        """
        steps, entries = self.pattern.steps, self.entries
        wide = (slice(None), None) if right.ndim == entries.ndim + 1 else (slice(None),)
        with np.errstate(all="ignore"):
            for step in steps:
                if step.below.size:
                    products = right[step.rows[step.below_of]]
                    products *= entries[step.below][wide]
                    step.passed.take_from(right, products)
            result = np.empty_like(right)
            for step, inverse in zip(reversed(steps), reversed(self.inverses), strict=True):
                if step.right.size:
                    products = result[step.right_column]
                    products *= entries[step.right][wide]
                    step.gathered.take_from(right, products)
                result[step.columns] = right[step.rows] * inverse[wide]
        return result

    def solve_transposed(self, right: Array) -> Array:
        """The solutions of Aᵀ x = b, b by column and x by row; see `solve`."""
        steps, entries = self.pattern.steps, self.entries
        wide = (slice(None), None) if right.ndim == entries.ndim + 1 else (slice(None),)
        with np.errstate(all="ignore"):
            result = np.empty_like(right)
            for step, inverse in zip(steps, self.inverses, strict=True):
                value = right[step.columns] * inverse[wide]
                result[step.rows] = value
                if step.right.size:
                    products = value[step.right_of]
                    products *= entries[step.right][wide]
                    step.passed_up.take_from(right, products)
            for step in reversed(steps):
                if step.below.size:
                    products = result[step.below_row]
                    products *= entries[step.below][wide]
                    step.gathered_up.take_from(result, products)
        return result


def pattern(
    size: int, row: Places, column: Places, samples: Array, firm: Array
) -> Pattern:
    """The order of elimination of systems with entries at these places.

    Parameters
    ----------
    row, column : (e,) arrays
        Each place once.
    samples : (e, s) array
        Entries of some systems: a pivot must be large enough in each of them.
    firm : (e,) array of bool
        Entries that are large enough in systems that are not among the samples as well; others are
        pivots only where nothing else is left.

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
    sure = np.zeros((size, size), bool)
    sure[row, column] = firm
    # which rows and columns these are: what is done is left out now and then
    at_row, at_column = np.arange(size), np.arange(size)
    left = size
    order: list[list[tuple[int, int, Places, Places]]] = []
    while left:
        if left < _WASTE * len(active):
            rows, columns = np.flatnonzero(at_row >= 0), np.flatnonzero(at_column >= 0)
            at_row, at_column = at_row[rows], at_column[columns]
            matrix = matrix[:, rows[:, None], columns]
            active, sure = active[rows[:, None], columns], sure[rows[:, None], columns]
        chosen = _chosen(matrix, active, sure)
        if not chosen:
            raise ArithmeticError("the equations have no solution whatever their values")
        together = []
        for r, c in chosen:
            active[r, c] = False
            together.append((r, c, np.flatnonzero(active[:, c]), np.flatnonzero(active[r])))
            active[r], active[:, c] = False, False
        for r, c, rows, columns in together:
            factor = matrix[:, rows, c] / matrix[:, r, c][:, None]
            block = np.ix_(rows, columns)
            matrix[:, block[0], block[1]] -= factor[:, :, None] * matrix[:, r, columns][:, None]
            active[block] = True
            filled[np.ix_(at_row[rows], at_column[columns])] = True
        order.append([(int(at_row[r]), int(at_column[c]), at_row[rows], at_column[columns])
                      for r, c, rows, columns in together])
        for r, c, *_ in together:
            matrix[:, r] = matrix[:, :, c] = 0.0
            at_row[r] = at_column[c] = _DONE
        left -= len(together)
    rows_of, columns_of = np.nonzero(filled)
    slot = np.full((size, size), -1, np.intp)
    slot[rows_of, columns_of] = np.arange(len(rows_of))
    return Pattern(size, len(rows_of), slot, tuple(_step(slot, one) for one in order))


def _chosen(matrix: Array, active: Flags, sure: Flags) -> list[tuple[int, int]]:
    """The pivots of a step: the one that fills in least, and others that it leaves alone."""
    magnitude = np.abs(matrix)
    largest = magnitude.max(axis=1)
    with np.errstate(all="ignore"):
        share = np.nan_to_num((magnitude / largest[:, None, :]).min(axis=0))
    fit = active & (share > _THRESHOLD)
    if (fit & sure).any():
        fit &= sure
    elif not fit.any():
        return []
    count = np.outer(active.sum(axis=1) - 1, active.sum(axis=0) - 1)
    # among equals the pivot that is largest beside the others of its column
    cost = np.where(fit, count + 0.5 * (1.0 - share), np.inf)
    most = _WORSE * cost.min() + 1.0
    found: list[tuple[int, int]] = []
    while True:
        r, c = divmod(int(cost.argmin()), len(active))
        if not cost[r, c] <= most:
            return found
        found.append((r, c))
        cost[active[:, c]] = np.inf
        cost[:, active[r]] = np.inf


def _step(slot: Places, together: list[tuple[int, int, Places, Places]]) -> _Step:
    below: list[int] = []
    below_of: list[int] = []
    below_row: list[int] = []
    right: list[int] = []
    right_of: list[int] = []
    right_column: list[int] = []
    first: list[int] = []
    second: list[int] = []
    target: list[int] = []
    for k, (r, c, rows, columns) in enumerate(together):
        start, begin = len(below), len(right)
        below += slot[rows, c].tolist()
        below_of += [k] * len(rows)
        below_row += rows.tolist()
        right += slot[r, columns].tolist()
        right_of += [k] * len(columns)
        right_column += columns.tolist()
        for i, at in enumerate(rows):
            first += [start + i] * len(columns)
            second += range(begin, begin + len(columns))
            target += slot[at, columns].tolist()
    places = [np.array(x, np.intp) for x in (
        below, below_of, below_row, right, right_of, right_column, first, second, target,
    )]
    own_rows, own_columns = (np.array(x, np.intp) for x in list(zip(*together, strict=True))[:2])
    by_target = np.argsort(places[8], kind="stable")
    places[6:] = [one[by_target] for one in places[6:]]
    under, of_under, at_row, beside, of_beside, at_column, one, two, changed = places
    return _Step(
        slot[own_rows, own_columns], own_rows, own_columns, under, of_under, at_row, beside,
        of_beside, at_column, one, two, changed=_Sum.of(changed), passed=_Sum.of(at_row),
        gathered=_Sum.of(own_rows[of_beside]), passed_up=_Sum.of(at_column),
        gathered_up=_Sum.of(own_rows[of_under]),
    )
