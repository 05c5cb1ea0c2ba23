"""Sources that follow an expression, as a family of devices like any other.

A source of current draws what its expression says between its two nodes. One of voltage has a
current of its own among the unknowns, whose equation says what is across it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from circuits.batch.devices.card import Flags, Floats
from circuits.batch.devices.constants import GMIN
from circuits.batch.devices.expression import Expression
from circuits.batch.devices.noisy import Source


@dataclass(frozen=True)
class Constants:
    """The numbers of expressions that are one formula, (n, d, u)."""

    values: Floats


class Formulas:
    """Sources whose expressions differ in numbers and nodes alone.

    Parameters
    ----------
    expression : Expression
        Of one of them.
    """

    def __init__(self, expression: Expression) -> None:
        self._expression = expression
        count = len(expression.branches) + len(expression.currents)
        ends = 2 if expression.kind == "i" else 1
        self.TERMINALS = tuple("ab"[:ends])
        self.BRANCHES = tuple((f"x{k}", "0") for k in range(count))
        self.PATTERN = tuple((t, k) for t in range(ends) for k in range(count))
        self.CHARGE_PATTERN: tuple[tuple[int, int], ...] = ()

    def start(self, p: Constants) -> Floats:
        """Nothing across any branch."""
        return np.zeros((len(self.BRANCHES), *p.values.shape[1:]))

    def evaluate(self, p: Constants, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
        """Currents into the nodes, A, or less than nothing across the source, V; derivatives."""
        wide = p.values.reshape(
            len(p.values), *(1,) * (x.ndim - p.values.ndim), *p.values.shape[1:]
        )
        value, slope = self._expression.evaluate(wide, x)
        value = np.broadcast_to(value, x.shape[1:])
        slope = np.broadcast_to(slope, x.shape)
        if self._expression.kind == "v":
            return -value[None], -slope[None]
        return np.stack([value, -value]), np.stack([slope, -slope])

    def both(
        self, p: Constants, x: Floats, gmin: float = GMIN
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """`evaluate`, and charges, of which it has none."""
        flows, slopes = self.evaluate(p, x, gmin)
        return flows, slopes, np.zeros_like(flows), np.zeros_like(slopes)

    def small_signal(
        self, p: Constants, x: Floats, gmin: float = GMIN
    ) -> tuple[Floats, Floats]:
        """Derivatives of currents and of charges."""
        slopes = self.evaluate(p, x, gmin)[1]
        return slopes, np.zeros_like(slopes)

    def limit(self, p: Constants, new: Floats, old: Floats) -> tuple[Floats, Flags]:
        """Every step is taken whole, as ngspice does."""
        return new, np.zeros(new.shape[1:], bool)

    def noise(self, p: Constants, x: Floats) -> tuple[Source, ...]:
        """A source that follows makes none."""
        return ()
