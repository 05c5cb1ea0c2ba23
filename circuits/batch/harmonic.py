"""Harmonic balance: the periodic steady state of many units under drive.

Steps towards it are Newton's for the few branches that bend most (`circuits.batch.strong`); what
they leave out is mended by Anderson's acceleration. Found by measuring: of an output stage in
class B each unit comes to its steady state in 2 to 6 steps from a healthy one's, by the derivatives
of that, and in 5 to 9 steps from rest by its own; charges must be among them, since those of an
output transistor carry more than its base current at the twelfth harmonic of 1 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from circuits.batch.anderson import Memory
from circuits.batch.grid import Grid
from circuits.batch.lu import Array
from circuits.batch.strong import NEAR
from circuits.batch.under_drive import Balance, System, balance, driven, waves_of

_STEPS = 40
"""After which a unit is given up: twice what the hardest that settled took (measured)."""
_EXACT = 5e-8
"""What is left of a line that is read, relative to the largest of its vector, of a solution."""
_ROUGHLY = 1e-3
"""How little a line may have moved before it is believed that lines are too few."""
_CLOSE = 1e-5
"""How little a line may have moved, relative to the largest, before that is believed."""
_SLOWEST = 0.9
"""Rate of convergence beyond which a step tells nothing of what is left."""
_LESS = 0.4
"""Of a step that led astray, what is tried next."""
_TINY = 1e-9
"""V, less than what any branch that counts moves by."""
_LOST = 2.0
"""How much further off than it was a unit may get before it goes back."""
_PACE = 0.3
"""How much nearer a step that is worth its price brings a unit (judgement)."""
_WASTE = 0.7
"""Share of units still on their way, below which those that are done are left out."""


class Way(Protocol):
    """How steps towards a steady state are taken; see `circuits.batch.strong`."""

    alone: bool
    """Whether it takes derivatives of each unit, and its steps are taken as they are when far."""

    def some(self, places: Any) -> None:
        """Keep some units."""

    def step(self, system: System, at: Balance, moved: Array) -> Array:
        """What is taken off the unknowns (R, P, u), by how far what is read has moved, (u,)."""


@dataclass(frozen=True, eq=False)
class Steady:
    """Units in their periodic steady state.

    Attributes
    ----------
    unknown : (R, P, u) array
    heard : (R, o, u) array
        What is read, beside its rest.
    settled : (u,) array of bool
    """

    unknown: Array
    heard: Array
    settled: Array


def unbent(system: System) -> Steady:
    """The steady state of units in which nothing bends."""
    nothing = np.zeros((system.grid.size, 0, system.count))
    found = driven(system, np.zeros((system.grid.lines + 1, 0, system.count), complex))
    lines: Array = system.grid.parts(found)
    sure = np.asarray(np.isfinite(lines).all(axis=(0, 1)))
    return Steady(nothing, lines, sure)


def steady(
    whole: System, start: Array, way: Way, most: int = _STEPS,
    hopeless: tuple[int, float] = (_STEPS, 1.0), cut_off: tuple[int, float] = (0, np.inf),
) -> Steady:
    """The periodic steady state.

    Parameters
    ----------
    start : (R, P, u) array
        Voltages of what bends, beside those at rest.
    way : Way
        How steps are taken: by which derivatives, if any.
    most : int
        Steps after which a unit is given up.
    hopeless : tuple (int, float)
        From which step on one is given up that still moves by so much of its largest line; at
        every further step by half a digit less.
    cut_off : tuple (int, float)
        Of so many of what is read: where their last lines carry more than this, relative to the
        largest, lines are too few, and nothing is made more exact.
    """
    found = start.copy()
    heard = np.zeros((whole.grid.size, whole.reach.shape[2] - whole.branches, whole.count))
    settled = np.zeros(whole.count, bool)
    live = np.arange(whole.count)
    system, x, waves = whole, start, waves_of(whole, start)
    memory = Memory(start[..., 0].size, whole.count)
    last = np.full(heard.shape, np.nan)
    best = _Best(start, np.zeros_like(start), np.full(whole.count, np.inf), np.ones(whole.count))
    # whom the last step tells nothing about, and how far it moved what is read
    fresh: Array = np.ones(whole.count, bool)
    before: Array = np.full(whole.count, np.inf)
    size: Array | None = None
    with np.errstate(all="ignore"):
        for turn in range(most):
            at = balance(system, x, waves, way.alone)
            step = way.step(system, at, before)
            moved = _moved(at.heard, last)
            rate = np.clip(moved / before, 0.0, _SLOWEST)
            done = (moved * rate / (1.0 - rate) <= _EXACT) & (moved < _CLOSE) & ~fresh
            done |= (moved < _ROUGHLY) & (_tails(system.grid, at.heard, cut_off[0]) > cut_off[1])
            last, before = at.heard, moved
            ends = live[done]
            found[..., ends], heard[..., ends] = x[..., done], at.heard[..., done]
            settled[ends] = True
            keep = ~done
            if turn >= hopeless[0]:
                keep &= moved < hopeless[1] * _PACE ** (turn - hopeless[0])
            if not keep.any():
                break
            weight = 1.0 / np.maximum(np.abs(x).max(axis=0), _TINY)
            size = weight if size is None else size
            back = best.passed(x, step, weight)
            alone = (way.alone & ~(moved < NEAR)) | back
            memory.forget(alone)
            taken = memory.best((x * size).reshape(-1, len(live)),
                                (step * size).reshape(-1, len(live)), fresh | alone)
            new = x - taken.reshape(x.shape) / size
            new[..., back] = best.again()[..., back]
            x, cut, waves = _limited(system, at, new)
            memory.forget(cut)
            fresh = alone | cut
            if keep.sum() < _WASTE * len(live):
                system, live, x = system.some(keep), live[keep], x[..., keep]
                waves = [one[..., keep] for one in waves]
                last, before, fresh = last[..., keep], before[keep], fresh[keep]
                size = size[..., keep]
                best.some(keep)
                way.some(keep)
                memory.some(keep)
    return Steady(found, heard, settled)


def _tails(grid: Grid, heard: Array, nodes: int) -> Array:
    """What the last lines of some of what is read carry, (u,), relative to the largest of each."""
    if not nodes:
        return np.zeros(heard.shape[-1])
    sizes = np.abs(grid.whole(heard[:, :nodes]))
    largest = np.maximum(sizes[1:].max(axis=0), _TINY)
    found: Array = (sizes[grid.last] / largest).max(axis=(0, 1))
    return found


def _moved(heard: Array, last: Array) -> Array:
    """How far what is read has moved, (u,), relative to the largest line of each."""
    largest = np.maximum(np.abs(heard).max(axis=0), _TINY)
    moved = (np.abs(heard - last).max(axis=0) / largest).max(axis=0)
    found: Array = np.nan_to_num(moved, nan=np.inf)
    return found


@dataclass(eq=False)
class _Best:
    """Where units were nearest, and what they go back to it for.

    Attributes
    ----------
    unknown, step : (R, P, u) arrays
    wrong : (u,) array
        How far off they were there, weighed.
    pace : (u,) array
        Share of the step that is taken from there.
    """

    unknown: Array
    step: Array
    wrong: Array
    pace: Array

    def passed(self, unknown: Array, step: Array, weight: Array) -> Array:
        """Units (u,) of bool that are much further off than they were."""
        wrong = np.sqrt(np.square(step * weight).sum(axis=(0, 1)))
        lost: Array = ~(wrong <= _LOST * self.wrong)
        nearer = wrong < self.wrong
        self.unknown = np.where(nearer, unknown, self.unknown)
        self.step = np.where(nearer, step, self.step)
        self.wrong = np.where(nearer, wrong, self.wrong)
        self.pace = np.where(lost, _LESS * self.pace, np.minimum(2.0 * self.pace, 1.0))
        return lost

    def again(self) -> Array:
        """A shorter step from there."""
        found: Array = self.unknown - self.pace * self.step
        return found

    def some(self, places: Any) -> None:
        """Keep some units."""
        self.unknown, self.step = self.unknown[..., places], self.step[..., places]
        self.wrong, self.pace = self.wrong[places], self.pace[places]


def _limited(
    system: System, at: Balance, new: Array
) -> tuple[Array, Array, list[Array]]:
    """Unknowns whose step leads no junction too far, where it would have, and their waves."""
    wanted = waves_of(system, new)
    cut = np.zeros(system.count, bool)
    taken = []
    for law, x, old in zip(system.laws, wanted, at.waves, strict=True):
        less, short = law.family.limit(law.parameters, x, old)
        cut |= short.any(axis=tuple(range(short.ndim - 1)))
        taken.append(less)
    if cut.any():
        flat = np.concatenate([
            np.moveaxis(less[law.part.branches] - law.rest[law.part.branches, None], 0, 1)
            .reshape(less.shape[1], -1, system.count)
            for law, less in zip(system.laws, taken, strict=True)
        ], axis=1)
        new = new.copy()
        new[..., cut] = system.grid.numbers(np.ascontiguousarray(flat[..., cut]))
        wanted = waves_of(system, new)
    return new, cut, wanted
