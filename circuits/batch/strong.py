"""Branches that bend most, and steps of Newton's method by what is known of them.

The equations of a few branches are solved together; the others, which only just bend, follow. The
derivatives are those of one unit for all that are like it (`Chord`), or each unit's own (`Own`).
What either leaves out is mended by what is made of the last steps (`circuits.batch.anderson`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from circuits.batch.lu import Array
from circuits.batch.under_drive import Balance, System, balance

_AGE = 1
"""Steps that a unit's own derivatives serve while it is far off."""
NEAR = 1e-2
"""How little a line may move, relative to the largest, where it is near."""
_TINY = 1e-9
"""V, less than what any branch that counts moves by."""


@dataclass(frozen=True, eq=False)
class Strong:
    """Branches that bend most, and what they see: their equations are solved together.

    Attributes
    ----------
    places : list of int
        Among the P, S of them.
    into : list of int
        Terminals of their devices among the J, T of them.
    columns : list of (int, int, int, list of (int, int))
        Part, branch and device of each, and its terminals: in the part and among the T.
    """

    places: list[int]
    into: list[int]
    columns: list[tuple[int, int, int, list[tuple[int, int]]]]


def strong(system: System, places: list[int]) -> Strong:
    """The named branches."""
    columns: list[tuple[int, int, int, list[tuple[int, int]]]] = []
    into: dict[int, int] = {}
    start = begin = 0
    for g, law in enumerate(system.laws):
        d = law.rest.shape[1]
        many, terminals = len(law.part.branches), len(law.part.terminals)
        for place in places:
            if start <= place < start + many * d:
                b, device = divmod(place - start, d)
                own = [(t, into.setdefault(begin + t * d + device, len(into)))
                       for t in range(terminals)]
                columns.append((g, b, device, own))
        start += many * d
        begin += terminals * d
    return Strong(places, list(into), columns)


def _seen(system: System, of: Strong) -> Array:
    """What branches see of currents into terminals, (T, S, K + 1, u), ohm."""
    seen = system.reach[:, :, of.places][..., of.into]
    return np.ascontiguousarray(seen.transpose(3, 2, 0, 1))


def _jacobians(system: System, at: Balance, of: Strong, seen: Array) -> Array:
    """Derivatives (u, n, n) of what the strong branches are off by; n = S R, branch by branch."""
    coefficients, differences, sums = system.grid.products
    lines, size, many = system.grid.lines + 1, system.grid.size, len(of.places)
    whole = np.zeros((many, many, lines, size, system.count), complex)
    for column, (g, b, device, own) in enumerate(of.columns):
        for t, j in own:
            spectra = (coefficients @ one[t, b, :, device]
                       for one in (at.done[g].slopes, at.done[g].farads))
            flows, charges = (_products(one, differences, sums) for one in spectra)
            flows += system.turns[:, None, None] * charges
            whole[:, column] += seen[j][:, :, None] * flows
    both = np.concatenate([whole.real, whole.imag[:, :, 1:]], axis=2)
    found = both.transpose(4, 0, 2, 1, 3).reshape(system.count, many * size, many * size)
    found[:, range(many * size), range(many * size)] += 1.0
    return found


def _products(spectrum: Array, differences: Array, sums: Array) -> Array:
    """From numbers of a wave to lines of its product with another, (K + 1, R, u)."""
    less, more = spectrum[differences], spectrum[sums]
    found = np.concatenate([less + more, 1j * (less - more)[:, 1:]], axis=1)
    found[0] *= 0.5
    return found


class Chord:
    """Steps by the derivatives of one unit in its steady state, for all that are like it."""

    alone = False
    """Whether it takes derivatives of each unit, and its steps are taken as they are when far."""

    def __init__(self, of: Strong, inverse: Array) -> None:
        self._of, self._inverse = of, inverse

    @classmethod
    def at(cls, system: System, unknown: Array, of: Strong) -> Chord:
        """Those of a system of one unit."""
        matrix = _jacobians(system, balance(system, unknown), of, _seen(system, of))[0]
        return cls(of, np.linalg.inv(matrix))

    def some(self, places: Any) -> None:
        """All units take the same steps."""

    def step(self, system: System, at: Balance, moved: Array) -> Array:
        """What is taken off the unknowns."""
        return _with(at.off, self._of, lambda wrong: self._inverse @ wrong)


class Own:
    """Steps by each unit's own derivatives, which are worked out anew while it is far off."""

    alone = True
    """As for `Chord`."""

    def __init__(self, system: System, of: Strong) -> None:
        self._of = of
        self._seen = _seen(system, of)
        self._factors: list[Any] = [None] * system.count
        self._age = np.full(system.count, _AGE)

    def some(self, places: Any) -> None:
        """Keep some units."""
        kept = np.arange(len(self._factors))[places]
        self._factors = [self._factors[k] for k in kept]
        self._seen, self._age = self._seen[..., places], self._age[places]

    def step(self, system: System, at: Balance, moved: Array) -> Array:
        """What is taken off the unknowns."""
        from scipy.linalg.lapack import dgetrf, dgetrs

        fresh = np.flatnonzero((self._age >= _AGE) & ~(moved < NEAR))
        self._age += 1
        if fresh.size:
            done = [one.some(fresh) for one in at.done]
            part = Balance(at.off, at.heard, at.waves, done)
            made = _jacobians(system.some(fresh), part, self._of, self._seen[..., fresh])
            self._age[fresh] = 1
            for k, matrix in zip(fresh, made, strict=True):
                self._factors[k] = None
                if matrix.size and np.isfinite(matrix).all():
                    *factors, singular = dgetrf(matrix.T)
                    self._factors[k] = None if singular else factors

        def solved(wrong: Array) -> Array:
            return np.stack([
                w if f is None else dgetrs(*f, w, trans=1)[0]
                for f, w in zip(self._factors, wrong.T, strict=True)
            ], axis=1)

        return _with(at.off, self._of, solved)


def _with(off: Array, of: Strong, solved: Callable[[Array], Array]) -> Array:
    """Steps whose strong branches are solved together; the others follow."""
    step = off.copy()
    wrong = off[:, of.places].swapaxes(0, 1)
    found = solved(np.ascontiguousarray(wrong).reshape(-1, off.shape[-1]))
    step[:, of.places] = found.reshape(wrong.shape).swapaxes(0, 1)
    return step


def bending(system: System, unknown: Array) -> Array:
    """How much what each branch does to the others differs from what it does at rest, (P, u).

    A branch with far less than one follows by itself.
    """
    at = balance(system, unknown)
    every = strong(system, list(range(unknown.shape[1])))
    first = replace(system, turns=system.turns[1:2], drive=system.drive[1:2],
                    reach=system.reach[1:2])
    ohms = np.abs(_seen(first, every)[:, :, 0])
    size = np.maximum(np.abs(unknown).max(axis=0), _TINY)
    found = np.zeros(size.shape)
    for column, (g, b, device, own) in enumerate(every.columns):
        slopes = np.hypot(at.done[g].slopes[:, b, :, device],
                          np.abs(first.turns[0]) * at.done[g].farads[:, b, :, device])
        moved = sum(ohms[j] * np.sqrt(np.square(slopes[t]).mean(axis=0)) for t, j in own)
        found[column] = (moved / size).max(axis=0) * size[column]
    return found
