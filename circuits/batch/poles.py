"""Where units at rest have their poles: whether they swing by themselves.

A pole is a λ with (G + λC) x = 0. Most unknowns have no capacitance, and many of those that have
are tied to each other, so that most λ are infinite. They drop out of the eigenvalues of
(G + σC)⁻¹C, which are 1 / (σ − λ): only the columns of C that hold something count.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from circuits.batch.linear import Network
from circuits.batch.lu import Array
from circuits.bench.analysis import Answer, Modes, Poles

_SHIFT = 2.0 * np.pi * 3e6
"""σ, 1/s: in the middle of what oscillations are found at, where eigenvalues are most exact."""
_INFINITE = 1e-7
"""Of the largest eigenvalue, what belongs to a pole a thousand times beyond any that matters."""
_BYTES = 4 << 20
"""Of solutions that are in work at a time (judgement)."""


def answers(wanted: Poles, net: Network) -> list[Answer | None]:
    """The poles of each unit in a band; None where they cannot be told."""
    made = net.units.equations
    count, size = net.units.count, made.size
    moving = np.unique(made.at_column[(net.capacitances != 0.0).any(axis=1)])
    low, high = (2.0 * np.pi * hertz for hertz in wanted.band)
    found: list[Answer | None] = [None] * count
    width = max(1, _BYTES // (8 * size * max(len(moving), 1)))
    for first in range(0, count, width):
        some = np.arange(first, min(first + width, count))
        matrices = _reduced(net, moving, some)
        sure = np.isfinite(matrices).all(axis=(1, 2))
        values = np.zeros(matrices.shape[:2], complex)
        if len(moving):
            values[sure] = np.linalg.eigvals(matrices[sure])
        for u, row in zip(some[sure].tolist(), values[sure], strict=True):
            finite = row[np.abs(row) > _INFINITE * np.abs(row).max(initial=0.0)]
            poles = _SHIFT - 1.0 / finite
            kept = poles[(poles.imag > low) & (poles.imag < high)]
            found[u] = Modes(kept[np.argsort(-kept.real)])
    return found


def _reduced(net: Network, moving: Array, some: Sequence[int] | Array) -> Array:
    """(G + σC)⁻¹C of some units between the unknowns that have a capacitance, (u, r, r)."""
    made = net.units.equations
    still, charges = net.conductances[:, some], net.capacitances[:, some]
    entries = still + _SHIFT * charges
    place = {int(column): k for k, column in enumerate(moving)}
    right = np.zeros((made.size, len(moving), len(some)))
    for row, column, value in zip(made.at_row.tolist(), made.at_column.tolist(), charges,
                                  strict=True):
        if column in place:
            right[row, place[column]] = value
    solved = net.order.factors(entries).solve(right)
    return np.ascontiguousarray(solved[moving].transpose(2, 0, 1))
