"""Lines of a periodic wave, and the samples by which a device is asked what it makes of them.

With one tone a line is a harmonic. With two it is m·f1 + n·f2, and the samples lie on a torus, a
phase of either tone along each axis: what a device does depends on the moment alone, so that the
tones need have no period in common.

A wave is Σ Re(A·e^(jφ)) over its lines, the first of which is direct. Where real numbers are called
for a line stands as real and imaginary part: R = 2K + 1 numbers for K lines and the direct one.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from circuits.batch.lu import Array, Places


@dataclass(frozen=True, eq=False)
class Grid:
    """Lines and samples.

    Attributes
    ----------
    orders : (K + 1, t) array of int
        Of each of t tones, by line; the first are zero.
    counts : tuple of int
        Samples along each axis.
    """

    orders: Places
    counts: tuple[int, ...]

    @property
    def lines(self) -> int:
        """How many, without the direct one."""
        return len(self.orders) - 1

    @property
    def size(self) -> int:
        """R, real numbers of a wave."""
        return 2 * self.lines + 1

    @cached_property
    def _phases(self) -> Array:
        """Of each tone at the samples, (N, t), in turns."""
        axes = [np.arange(count) / count for count in self.counts]
        return np.stack([x.ravel() for x in np.meshgrid(*axes, indexing="ij")], axis=1)

    @cached_property
    def synthesis(self) -> Array:
        """(N, R): waves at the samples from the numbers of their lines."""
        turns = np.exp(2j * np.pi * (self._phases @ self.orders.T))
        return np.concatenate([turns.real, -turns.imag[:, 1:]], axis=1)

    @cached_property
    def analysis(self) -> Array:
        """(R, N): numbers of the lines from waves at the samples."""
        share = np.full(self.size, 2.0 / len(self.synthesis))
        share[0] *= 0.5
        return np.ascontiguousarray((self.synthesis * share).T)

    def waves(self, numbers: Array) -> Array:
        """Waves (N, …) of numbers (R, …)."""
        flat = self.synthesis @ numbers.reshape(len(numbers), -1)
        return flat.reshape(-1, *numbers.shape[1:])

    def numbers(self, waves: Array) -> Array:
        """Numbers (R, …) of waves (N, …)."""
        flat = self.analysis @ waves.reshape(len(waves), -1)
        return flat.reshape(-1, *waves.shape[1:])

    def whole(self, numbers: Array) -> Array:
        """Numbers (R, …) as complex lines (K + 1, …)."""
        lines = numbers[: self.lines + 1].astype(complex)
        lines[1:] += 1j * numbers[self.lines + 1 :]
        return lines

    def parts(self, lines: Array) -> Array:
        """Complex lines (K + 1, …) as numbers (R, …)."""
        return np.concatenate([lines.real, lines.imag[1:]])

    @cached_property
    def products(self) -> tuple[Array, Places, Places]:
        """How a wave g turns the lines of another into those of their product.

        Line m of g·x is Σ over lines k of G[m − k]·X[k] + G[m + k]·X*[k], where G are Fourier
        coefficients of g; half of that for the direct one.

        Returns
        -------
        coefficients : (s, N) complex array
            From g at the samples to all G that are wanted.
        differences, sums : (K + 1, K + 1) arrays
            Where those of m − k and m + k stand.
        """
        difference = self.orders[:, None] - self.orders[None]
        total = self.orders[:, None] + self.orders[None]
        tones = self.orders.shape[1]
        both = np.concatenate([difference.reshape(-1, tones), total.reshape(-1, tones)])
        orders, places = np.unique(both, axis=0, return_inverse=True)
        first, second = places.reshape(2, *difference.shape[:2])
        turns = np.exp(-2j * np.pi * (orders @ self._phases.T)) / len(self._phases)
        return turns, first, second

    def place(self, *order: int) -> int:
        """Which line has an order; -1 for none."""
        found = np.flatnonzero((self.orders == np.array(order)).all(axis=1))
        return int(found[0]) if found.size else -1

    @cached_property
    def last(self) -> Places:
        """Lines of the two highest orders: what these carry tells what is cut off."""
        total = np.abs(self.orders).sum(axis=1)
        return np.flatnonzero(total >= total.max() - 1)

    def taken(self, numbers: Array, other: Grid) -> Array:
        """Numbers (R, …) of another grid's waves on this one: lines that it has not are zero."""
        if other is self:
            return numbers.copy()
        found = np.zeros((self.lines + 1, *numbers.shape[1:]), complex)
        to, of = _shared(self, other)
        found[to] = other.whole(numbers)[of]
        return self.parts(found)


@lru_cache(maxsize=64)
def _shared(one: Grid, other: Grid) -> tuple[Places, Places]:
    """Which lines two grids have in common."""
    places = [one.place(*order) for order in other.orders.tolist()]
    both = [(to, k) for k, to in enumerate(places) if to >= 0]
    to, of = np.array(both, dtype=np.intp).T
    return to, of


@lru_cache(maxsize=16)
def harmonics(most: int, over: int) -> Grid:
    """The lines of one tone up to an order, with `over` times the samples that they need."""
    return Grid(np.arange(most + 1)[:, None], (2 * over * most,))


@lru_cache(maxsize=16)
def products(most: int, over: int) -> Grid:
    """The lines of two tones whose orders add up to `most` at most, likewise."""
    found = [(0, 0)]
    for m, n in itertools.product(range(most + 1), range(-most, most + 1)):
        if 0 < m + abs(n) <= most and (m > 0 or n > 0):
            found.append((m, n))
    return Grid(np.array(found), (2 * over * most, 2 * over * most))
