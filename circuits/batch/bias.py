"""The operating points of many units: Newton's method on all of them, as SPICE does it on one.

Every step solves the equations linearised at the junction voltages of the last one, which are kept
from running away (`limit` of each family). A unit that does not settle is tried again from above:
with more conductance across its junctions, which is then taken away by steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from circuits.batch.dense import Dense
from circuits.batch.devices.constants import GMIN
from circuits.batch.elimination import Elimination, Order, Solver
from circuits.batch.equations import Equations, Group
from circuits.batch.lu import Array, Places
from circuits.batch.units import Units

_STEPS = 60
"""Of Newton's method, after which another way is tried (SPICE's own limit is 100)."""
_NEAR = ((0, 1e-9, 1e-9), (20, 1e-6, 1e-7), (40, 1e-3, 1e-6))
"""From which step on how little a step may move an unknown, relative and V, that has settled. A
node that hangs on nearly nothing trembles by more than the first; the last is what SPICE asks, and
is taken only where each system has pivots of its own."""
_SHRINKS, _TREMBLE = 0.3, (1e-6, 2e-6)
"""Newton's steps near a solution each go by the square of the last: one that is not this much
smaller than the last, and below so much, relative and V, is what rounding makes of it."""
_QUIET = 0.3
"""V of the strongest source, below which no junction can conduct: Newton then begins at nothing."""
_ALIKE = 4
"""Units that do not settle, beyond which one of them is settled first and the others from it."""
_WASTE = 0.7
"""Share of units still on their way, below which those that are done are left out."""
_LADDER = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-11, GMIN)
"""S across junctions, where a unit does not settle at once."""


@dataclass(frozen=True, eq=False)
class Rest:
    """Units at rest.

    Attributes
    ----------
    volts : (n + 1, u) array
        Unknowns, and a last row of zero for ground.
    branches : tuple of (k, d, u) arrays
        Voltages of the branches of each group of devices.
    settled : (u,) array of bool
        Whether it is a solution.
    """

    volts: Array
    branches: tuple[Array, ...]
    settled: Array

    def take(self, places: Places, other: Rest) -> None:
        """Put those that settled of another solution in the places of some units."""
        done = other.settled
        self.volts[:, places[done]] = other.volts[:, done]
        self.settled[places[done]] = True
        for mine, theirs in zip(self.branches, other.branches, strict=True):
            mine[..., places[done]] = theirs[..., done]


def sampled(units: Units, frequency: float = 1e3, meters: Meters | None = None) -> Array:
    """Entries (e, 2 u) of units where they begin, at rest and at a frequency, Hz."""
    made = units.equations
    still = plain(units, meters).entries
    moving = made.capacitances @ units.numbers
    for group, p in zip(made.groups, units.parameters, strict=True):
        x = group.family.start(p)
        _, slopes, _, farads = group.family.both(p, x)
        still = still + group.currents @ taken(slopes, group.family.PATTERN)
        moving = moving + group.charges @ taken(farads, group.family.CHARGE_PATTERN)
    return np.concatenate([still, still + 2j * np.pi * frequency * moving], axis=1)


def taken(slopes: Array, places: Sequence[tuple[int, int]]) -> Array:
    """Derivatives (T, k, d, u) at some terminals and branches, as rows (p d, u)."""
    if not places:
        return np.zeros((0, slopes.shape[-1]))
    terminals, branches = zip(*places, strict=True)
    found: Array = slopes[list(terminals), list(branches)]
    return found.reshape(-1, found.shape[-1])


def across(group: Group, volts: Array) -> Array:
    """Voltages of a group's branches (k, d, u) of unknowns with ground as their last row."""
    found: Array = volts[group.plus] - volts[group.minus]
    return found


@dataclass(frozen=True, eq=False)
class Linear:
    """Equations of units, linearised: entries (e, u) of the matrix, the right hand side (n, u)."""

    entries: Array
    right: Array

    def some(self, places: Places) -> Linear:
        """Of some units."""
        return Linear(self.entries[:, places], self.right[:, places])


def plain(units: Units, meters: Meters | None = None) -> Linear:
    """What linear elements, and meters in the units, add to the equations."""
    made = units.equations
    found = Linear(made.conductances @ units.numbers, made.sources @ units.numbers)
    if meters is not None:
        meters.into(found.entries, made)
        meters.driving(found.right)
    return found


def linearised(
    units: Units, still: Linear, branches: Sequence[Array], gmin: float = GMIN
) -> Linear:
    """The equations at junction voltages; `still` is what the linear elements add."""
    made = units.equations
    entries, right = still.entries, still.right
    for group, p, x in zip(made.groups, units.parameters, branches, strict=True):
        flows, slopes = group.family.evaluate(p, x, gmin)
        entries = entries + group.currents @ taken(slopes, group.family.PATTERN)
        behind = np.einsum("tkdu,kdu->tdu", slopes, x) - flows
        right = right + group.injected @ behind.reshape(-1, units.count)
    return Linear(entries, right)


@dataclass(frozen=True, eq=False)
class Meters:
    """A meter in each unit.

    Attributes
    ----------
    plus, minus : (u,) arrays
        Rows that it lies between.
    siemens : (u,) array
        Its conductance.
    amps : (u,) array or None
        That it drives into the first row, out of the second; a voltmeter drives none.
    lead : float
        S between the second row and ground.
    shunt : float
        S between every node and ground.
    """

    plus: Places
    minus: Places
    siemens: Array
    amps: Array | None = None
    lead: float = 0.0
    shunt: float = 0.0

    def some(self, places: Places) -> Meters:
        """Of some units."""
        amps = None if self.amps is None else self.amps[places]
        return replace(self, plus=self.plus[places], minus=self.minus[places],
                       siemens=self.siemens[places], amps=amps)

    def into(self, entries: Array, made: Equations) -> None:
        """Add them to the entries (e, u) of a matrix."""
        places = np.arange(len(self.plus))
        for i, j, value in ((self.plus, self.plus, self.siemens),
                            (self.minus, self.minus, self.siemens + self.lead),
                            (self.plus, self.minus, -self.siemens),
                            (self.minus, self.plus, -self.siemens)):
            for a, b in dict.fromkeys(zip(i.tolist(), j.tolist(), strict=True)):
                if a >= 0 and b >= 0:
                    here = places[(i == a) & (j == b)]
                    entries[made.slot[a, b], here] += value[here]
        if self.shunt:
            nodes = [row for name, row in made.row.items() if row >= 0 and name[0] != "#"]
            entries[[made.slot[k, k] for k in nodes if (k, k) in made.slot]] += self.shunt

    def driving(self, right: Array) -> None:
        """Add what they drive to a right hand side (n, u)."""
        if self.amps is not None:
            for rows, sign in ((self.plus, 1.0), (self.minus, -1.0)):
                here = np.flatnonzero(rows >= 0)
                right[rows[here], here] += sign * self.amps[here]


def rest(
    units: Units, order: Elimination, meters: Meters | None = None,
    start: Sequence[Array] | None = None,
) -> Rest:
    """The operating point of every unit.

    Parameters
    ----------
    meters : Meters, optional
        That are in the units.
    start : sequence of (k, d, u) arrays, optional
        Voltages of the devices' branches to begin with.
    """
    made = units.equations
    still = plain(units, meters)
    first = start or [g.family.start(p) for g, p in _devices(units)]
    if start is None and (np.abs(still.right) < _QUIET).all():
        first = [np.zeros_like(x) for x in first]
    found = _newton(units, order, still, first, GMIN)
    if not made.groups or found.settled.all():
        return found
    _from_another(units, order, still, found, np.flatnonzero(found.settled))
    again = np.flatnonzero(~found.settled)
    if again.size > _ALIKE:
        _stepped(units, order, still, found, again[:1])
        _from_another(units, order, still, found, again[:1][found.settled[again[:1]]])
        again = np.flatnonzero(~found.settled)
    if again.size:
        # what is left may be too much for an order of pivots that is the same for all
        few, alone = units.some(again), order.dense
        first = [x[..., again] for x in first]
        found.take(again, _newton(few, alone, still.some(again), first, GMIN))
        _stepped(units, alone, still, found, np.flatnonzero(~found.settled))
    return found


def mended(units: Units, order: Elimination, at: Rest, poor: Places) -> None:
    """Solve some units anew from where they are, each with pivots of its own; see `Kernel`."""
    still = plain(units)
    near = [x[..., poor] for x in at.branches]
    at.settled[poor] = False
    at.take(poor, _newton(units.some(poor), order.dense, still.some(poor), near, GMIN))


def _from_another(
    units: Units, order: Elimination, still: Linear, found: Rest, settled: Places
) -> None:
    """Try those that did not settle from where another one stands that did."""
    again = np.flatnonzero(~found.settled)
    if settled.size and again.size:
        near = [np.repeat(x[..., settled[:1]], again.size, axis=-1) for x in found.branches]
        found.take(again, _newton(units.some(again), order, still.some(again), near, GMIN))


def _stepped(units: Units, order: Order, still: Linear, found: Rest, again: Places) -> None:
    """Try units with more conductance across their junctions, and less of it step by step.

    One that does not settle at a step is given up: it would not at the next.
    """
    few = units.some(again)
    branches: Sequence[Array] = [g.family.start(p) for g, p in _devices(few)]
    for gmin in _LADDER:
        if not again.size:
            return
        step = _newton(few, order, still.some(again), branches, gmin)
        keep = np.flatnonzero(step.settled)
        again, few = again[keep], few.some(keep)
        branches = [x[..., keep] for x in step.branches]
        if gmin == GMIN:
            found.take(again, Rest(step.volts[:, keep], tuple(branches), step.settled[keep]))


def _devices(units: Units) -> list[tuple[Group, Any]]:
    return list(zip(units.equations.groups, units.parameters, strict=True))


def _newton(
    units: Units, order: Order, still: Linear, start: Sequence[Array], gmin: float
) -> Rest:
    made = units.equations
    count = units.count
    volts = np.zeros((made.size + 1, count))
    branches = [np.array(x) for x in start]
    settled = np.zeros(count, bool)
    live = np.arange(count)
    here, now, x = units, still, list(branches)
    last = volts.copy()
    before = np.full(count, np.inf)
    for turn in range(_STEPS):
        line = linearised(here, now, x, gmin)
        new = np.zeros((made.size + 1, len(live)))
        new[:-1] = order.factors(line.entries).solve(line.right)
        moved = np.abs(new - last)
        near = _NEAR if isinstance(order, Dense) else _NEAR[:2]
        relative, least = next((r, v) for step, r, v in reversed(near) if turn >= step)
        size = np.abs(new)
        done = (moved <= relative * size + least).all(axis=0)
        most = moved.max(axis=0)
        trembles = (moved <= _TREMBLE[0] * size + _TREMBLE[1]).all(axis=0)
        done |= trembles & (most > _SHRINKS * before)
        done &= turn > 0
        before = most
        for k, (group, p) in enumerate(_devices(here)):
            x[k], cut = group.family.limit(p, across(group, new), x[k])
            done &= ~cut.any(axis=0)
        if not made.groups:
            done = np.isfinite(new).all(axis=0)
        last = new
        lost = ~np.isfinite(new).all(axis=0)
        if done.any() or lost.any():
            ends = live[done]
            volts[:, ends] = new[:, done]
            settled[ends] = True
            for whole, part in zip(branches, x, strict=True):
                whole[..., ends] = part[..., done]
            left = np.asarray(~(done | lost))
            if not left.any():
                break
            if left.sum() < _WASTE * len(left) or lost.any():
                keep = np.flatnonzero(left)
                live, here, now = live[keep], here.some(keep), now.some(keep)
                x, last = [part[..., keep] for part in x], last[:, keep]
                before = before[keep]
    return Rest(volts, tuple(branches), settled)


_SOFT, _ROUGH, _POOR = 1e-12, 1e-10, 1e-8
"""Backward error of a solution, beyond which its like are refined, are solved as matrices, and
beyond which it is itself solved anew (measured: all then agrees with ngspice to 1e-4)."""


@dataclass(frozen=True, eq=False)
class Kernel:
    """The equations at rest, eliminated: what a small direct current does to every unknown.

    Attributes
    ----------
    entries : (e, u) array
        Of the matrix, before.
    factors : Solver
    rough : (u,) array of bool
        Units whose solutions the order of elimination leaves inexact: where a short is far more
        conductive than all around it, small differences are lost.
    poor : (u,) array of bool
        Units whose operating point suffers as well.
    soft : (u,) array of bool
        Units of which less is lost.
    """

    entries: Array
    factors: Solver
    rough: Array
    poor: Array
    soft: Array


def kernel(units: Units, order: Elimination, at: Rest) -> Kernel:
    """Eliminate the equations at rest."""
    made = units.equations
    line = linearised(units, plain(units), at.branches)
    entries = line.entries
    found = order.factors(entries)
    volts = found.solve(line.right.copy())
    error = backward_error(made, entries, volts, line.right)
    rough, poor, soft = (~(error < most) for most in (_ROUGH, _POOR, _SOFT))
    return Kernel(entries, found, rough, poor, soft)


def backward_error(made: Equations, entries: Array, found: Array, right: Array) -> Array:
    """How little the entries would have to be others for a solution to be exact, (u,), relative."""
    left = np.abs(right - made.times(entries, found))
    size = np.abs(right) + made.times(np.abs(entries), np.abs(found))
    error: Array = (left / np.maximum(size, 1e-300)).max(axis=0)
    return error
