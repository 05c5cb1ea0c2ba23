"""What can be made of the last steps of an iteration: Anderson's acceleration, for many units."""

from __future__ import annotations

from typing import Any

import numpy as np

from circuits.batch.lu import Array

_KEPT = 5
"""Steps that the next one is made of."""
_RIDGE = 1e-13
"""Of the trace, what keeps the equations of steps that are alike solvable."""


class Memory:
    """The last steps of each unit, and the best that can be made of them (Anderson's method).

    Everything is weighed: (m, n, u) differences of steps and of unknowns, (u, m, m) products.
    """

    def __init__(self, size: int, count: int) -> None:
        self._moves = np.zeros((_KEPT, size, count))
        self._turns = np.zeros((_KEPT, size, count))
        self._products = np.zeros((count, _KEPT, _KEPT))
        self._last: tuple[Array, Array] | None = None
        self._next = 0

    def some(self, places: Any) -> None:
        """Keep some units."""
        self._moves, self._turns = self._moves[..., places], self._turns[..., places]
        self._products = self._products[places]
        if self._last is not None:
            self._last = self._last[0][..., places], self._last[1][..., places]

    def forget(self, units: Array) -> None:
        """Begin anew with some units (u,) of bool."""
        if not units.any():
            return
        self._moves[..., units] = 0.0
        self._turns[..., units] = 0.0
        self._products[units] = 0.0

    def best(self, x: Array, step: Array, fresh: Array) -> Array:
        """What to go on from x with, of its own step and those before.

        Parameters
        ----------
        x, step : (n, u) arrays
        fresh : (u,) array of bool
            Units whose last step tells nothing about this one.
        """
        if self._last is not None:
            k = self._next
            old = ~fresh
            np.multiply(step - self._last[1], old, out=self._turns[k])
            np.multiply(x - self._last[0], old, out=self._moves[k])
            row = np.einsum("anu,nu->ua", self._turns, self._turns[k])
            self._products[:, k] = self._products[:, :, k] = row
            self._next = (k + 1) % _KEPT
        self._last = x, step
        taken = step
        trace = np.trace(self._products, axis1=1, axis2=2)
        if trace.any():
            right = np.einsum("anu,nu->ua", self._turns, step)
            ridge = (_RIDGE * trace + 1e-300)[:, None, None] * np.eye(_KEPT)
            share = np.linalg.solve(self._products + ridge, right[..., None])[..., 0].T
            taken = step + np.einsum("anu,au->nu", self._moves - self._turns, share)
        return taken
