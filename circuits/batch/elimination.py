"""How the systems of one topology are solved: few of them as matrices, many in one order.

An order of elimination costs some milliseconds to find and as many operations on arrays as there
are pivots, however few the systems are; a matrix costs LAPACK's time for each. The order is found
when it is first needed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from circuits.batch.dense import Dense, DenseFactors
from circuits.batch.equations import Equations
from circuits.batch.lu import Array, Factors, Pattern, pattern

_FEW = 50_000
"""Systems times entries of their matrices, below which they are solved as matrices (measured)."""
_FILL = 1.5
"""Entries with fill over those without, while no order is known (judgement: of a sum of bytes)."""


class Solver(Protocol):
    """Systems ready to be solved; see `circuits.batch.lu.Factors`."""

    def solve(self, right: Array) -> Array:
        """The solutions of A x = b."""

    def solve_transposed(self, right: Array) -> Array:
        """The solutions of Aᵀ x = b."""


class Order(Protocol):
    """What solves systems by the entries of their equations."""

    def factors(self, entries: Array) -> Solver:
        """Systems (e, …), ready to be solved."""


class Elimination:
    """How the systems of one topology are solved.

    Attributes
    ----------
    size : int
        Of a system.
    dense : Dense
        Each with pivots of its own.
    """

    def __init__(self, made: Equations) -> None:
        self._made = made
        self.size = made.size
        self.dense = Dense(made.size, made.at_row, made.at_column)
        self._samples: Callable[[], Array] | None = None
        self._pattern: Pattern | None = None

    def about(self, samples: Callable[[], Array]) -> None:
        """Say what some of the systems look like, (e, s), for an order to be found by."""
        if self._pattern is None:
            self._samples = samples

    @property
    def entries(self) -> int:
        """How many entries a system has."""
        if self._pattern is not None:
            return self._pattern.entries
        return int(_FILL * len(self._made.at_row))

    def factors(self, entries: Array) -> Factors | DenseFactors:
        """Systems (e, …), ready to be solved."""
        order = self._order(entries, _FEW)
        if order is None:
            return self.dense.factors(entries)
        return order.factors(self._scattered(order, entries))

    def between(self, entries: Array, asked: Array, given: Array) -> Array:
        """What is asked of the solutions for what is given: asked · A⁻¹ · given of each system.

        Parameters
        ----------
        entries : (e, …) array
        asked : (a, n) array
        given : (n, g) array

        Returns
        -------
        (…, a, g) array
            No numbers for a system that has no solution.
        """
        order = self._order(entries, _FEW)
        if order is None:
            return self.dense.between(entries, asked, given)
        solver = order.factors(self._scattered(order, entries))
        shape = entries.shape[1:]
        fewer = len(asked) < given.shape[1]
        right = np.empty((self.size, min(len(asked), given.shape[1]), *shape), entries.dtype)
        right[:] = (asked.T if fewer else given).reshape(*right.shape[:2], *(1 for _ in shape))
        found = solver.solve_transposed(right) if fewer else solver.solve(right)
        other = (given.T if fewer else asked) @ found.reshape(self.size, -1)
        whole = other.reshape(-1, *found.shape[1:])
        ends = (-1, -2) if fewer else (-2, -1)
        return np.ascontiguousarray(np.moveaxis(whole, (0, 1), ends))

    def _order(self, entries: Array, few: float) -> Pattern | None:
        """The order for so many systems; None where they are solved as matrices."""
        count = int(np.prod(entries.shape[1:]))
        if count * self.size**2 < few:
            return None
        if self._pattern is None and self._samples is not None:
            made, samples = self._made, self._samples
            self._samples = None
            try:
                self._pattern = pattern(made.size, made.at_row, made.at_column, samples(),
                                        made.firm)
            except ArithmeticError:  # no order solves all of them: each is left to its own pivots
                return None
        return self._pattern

    def _scattered(self, order: Pattern, values: Array) -> Array:
        """Values (e, …) of entries as those of a pattern, which has zeros where it fills in."""
        whole = np.zeros((order.entries, *values.shape[1:]), values.dtype)
        whole[order.slot[self._made.at_row, self._made.at_column]] = values
        return whole
