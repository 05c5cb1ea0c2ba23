"""Systems that are solved as matrices, each with pivots of its own, by LAPACK."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from circuits.batch.lu import Array, Places


@dataclass(frozen=True, eq=False)
class Dense:
    """Where the entries of systems stand in a matrix.

    Attributes
    ----------
    size : int
        Of the system.
    row, column : (e,) arrays
        Of each entry.
    """

    size: int
    row: Places
    column: Places

    def factors(self, entries: Array) -> DenseFactors:
        """The systems (e, …) as matrices (…, n, n)."""
        return DenseFactors(self._matrix(entries))

    def between(self, entries: Array, asked: Array, given: Array) -> Array:
        """See `circuits.batch.elimination.Elimination.between`."""
        matrix = self._matrix(entries)
        right = np.broadcast_to(given.astype(entries.dtype), (*matrix.shape[:-2], *given.shape))
        try:
            found = np.linalg.solve(matrix, right)
        except np.linalg.LinAlgError:
            found = _each(matrix, right)
        return asked @ found

    def _matrix(self, entries: Array) -> Array:
        matrix = np.zeros((*entries.shape[1:], self.size, self.size), entries.dtype)
        matrix[..., self.row, self.column] = np.moveaxis(entries, 0, -1)
        return matrix


@dataclass(frozen=True, eq=False)
class DenseFactors:
    """Systems as matrices (…, n, n); see `circuits.batch.lu.Factors`."""

    matrix: Array

    def solve(self, right: Array) -> Array:
        """The solutions of A x = b."""
        return _solved(self.matrix, right)

    def solve_transposed(self, right: Array) -> Array:
        """The solutions of Aᵀ x = b."""
        return _solved(self.matrix.swapaxes(-1, -2), right)


def _wide(matrix: Array, right: Array) -> tuple[Array, bool]:
    """Right hand sides (n, …) or (n, q, …) as (…, n, q), and whether they had that axis."""
    several = right.ndim == matrix.ndim
    columns = right if several else right[:, None]
    return np.moveaxis(columns, (0, 1), (-2, -1)), several


def _tall(found: Array, several: bool) -> Array:
    result = np.moveaxis(found, (-2, -1), (0, 1))
    return result if several else result[:, 0]


def _solved(matrix: Array, right: Array) -> Array:
    wide, several = _wide(matrix, right)
    try:
        found = np.linalg.solve(matrix, wide)
    except np.linalg.LinAlgError:
        found = _each(matrix, wide)
    return _tall(found, several)


def _each(matrix: Array, right: Array) -> Array:
    """Solutions one by one, where one of them has none, which becomes no numbers."""
    found = np.full(right.shape, np.nan, np.result_type(matrix, right))
    for place in np.ndindex(matrix.shape[:-2]):
        try:
            found[place] = np.linalg.solve(matrix[place], right[place])
        except np.linalg.LinAlgError:
            continue
    return found
