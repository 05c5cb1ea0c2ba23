"""Harmonic balance: the periodic steady state of many units under drive.

Unknown are the lines of the voltages on branches that bend (`circuits.batch.ports`). One sparse
solution a line tells what the linear network makes of the drive and of what the devices do beyond
their straight lines; where it is what that was worked out for, the unit is in its steady state.

Steps towards it are Newton's for the few branches that bend most; the others, which only just
bend, follow. The derivatives are those of one unit for all that are like it, and a unit's own where
that does not do. What either leaves out is mended by Anderson's acceleration, which takes the best
of the last steps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits.batch.equations import scattered, spread
from circuits.batch.grid import Grid
from circuits.batch.linear import Network
from circuits.batch.lu import Array, Factors
from circuits.batch.ports import Law, Ports, Remainders, remainders

_STEPS = 40
"""After which a unit is given up: twice what the hardest that settled took (measured)."""
_EXACT = 3e-8
"""What is left of a line that is read, relative to the largest of its vector, of a solution."""
_KEPT = 5
"""Steps that the next one is made of."""
_LOST = 2.0
"""How much further off than it was a unit may get before it goes back."""
_PACE = 0.3
"""How much nearer a step that is worth its price brings a unit (judgement)."""
_WASTE = 0.7
"""Share of units still on their way, below which those that are done are left out."""
_AGE = 1
"""Steps that a unit's own derivatives serve while it is far off."""
_NEAR = 1e-2
"""How little a line may move, relative to the largest, where it is near."""
_TINY = 1e-9
"""V, less than what any branch that counts moves by."""
_RIDGE = 1e-13
"""Of the trace, what keeps the equations of steps that are alike solvable."""


@dataclass(frozen=True, eq=False)
class System:
    """Units under drive.

    Attributes
    ----------
    turns : (K + 1,) complex array
        jω of each line.
    factors : Factors
        Of the linear networks, by line and unit.
    drive : (K + 1, u) array
        V of the source whose row is `source`.
    read : csr array (o, n)
        What is wanted of the unknowns.
    """

    grid: Grid
    turns: Array
    ports: Ports
    laws: tuple[Law, ...]
    factors: Factors
    source: int
    drive: Array
    read: Any

    @property
    def count(self) -> int:
        """How many units."""
        return int(self.drive.shape[-1])

    def some(self, places: Any) -> System:
        """Some of the units."""
        kept = Factors(self.factors.pattern, self.factors.entries[..., places],
                       tuple(one[..., places] for one in self.factors.inverses))
        return System(self.grid, self.turns, self.ports, tuple(law.some(places) for law in self.laws),
                      kept, self.source, self.drive[..., places], self.read)


def system(
    grid: Grid, frequencies: Sequence[float], net: Network, ports: Ports, laws: tuple[Law, ...],
    source: int, drive: Array, read: Any,
) -> System:
    """Units under drive; frequencies (K + 1,) of the lines, Hz."""
    turns = 2j * np.pi * np.asarray(frequencies, dtype=float)
    entries = net.conductances[:, None] + turns[:, None] * net.capacitances[:, None]
    places = spread(net.order, net.units.equations)
    factors = net.order.factors(scattered(net.order, places, entries))
    return System(grid, turns, ports, laws, factors, source, drive, read)


@dataclass(frozen=True, eq=False)
class _Balance:
    """What unknowns come to.

    Attributes
    ----------
    off : (R, P, u) array
        V that they are too much by.
    heard : (R, o, u) array
        What is read.
    waves : list of (k, N, d, u) arrays
        Voltages of all branches of each part.
    done : list of Remainders
        What its devices do.
    """

    off: Array
    heard: Array
    waves: list[Array]
    done: list[Remainders]


def _waves(system: System, unknown: Array) -> list[Array]:
    """Voltages (k, N, d, u) of all branches of each part."""
    moved = system.grid.waves(unknown)
    found, start = [], 0
    for law in system.laws:
        k, d, u = law.rest.shape
        x = np.empty((k, len(moved), d, u))
        x[:] = law.rest[:, None]
        for branch in law.part.branches:
            x[branch] += moved[:, start : start + d]
            start += d
        found.append(x)
    return found


def _balance(
    system: System, unknown: Array, waves: list[Array] | None = None, steep: bool = True
) -> _Balance:
    """What unknowns come to; with derivatives where it is to be `steep`."""
    grid = system.grid
    waves = waves or _waves(system, unknown)
    done = [remainders(law, x, steep) for law, x in zip(system.laws, waves, strict=True)]
    flows, charges = (
        grid.whole(grid.numbers(np.concatenate(
            [part.reshape(len(part), -1, system.count) for part in parts], axis=1)))
        for parts in ([one.flows for one in done], [one.charges for one in done])
    )
    lines = flows + system.turns[:, None, None] * charges
    found = _driven(system, -lines)
    size = len(found)
    flat = found.reshape(size, -1)
    answer = (system.ports.across @ flat).reshape(-1, grid.lines + 1, system.count)
    heard = (system.read @ flat).reshape(-1, grid.lines + 1, system.count)
    off = unknown - grid.parts(answer.swapaxes(0, 1))
    return _Balance(off, grid.parts(heard.swapaxes(0, 1)), waves, done)


def _driven(system: System, lines: Array) -> Array:
    """Unknowns (n, K + 1, u) of the networks with their drive and currents (K + 1, J, u)."""
    flat = np.ascontiguousarray(lines.swapaxes(0, 1)).reshape(lines.shape[1], system.drive.size)
    right = (system.ports.into @ flat).reshape(-1, *system.drive.shape)
    right[system.source] += system.drive
    return system.factors.solve(right)


def linear(system: System) -> Array:
    """What the drive alone does to branches that bend, (R, P, u)."""
    zero = np.zeros((system.grid.lines + 1, system.ports.into.shape[1], system.count), complex)
    found = _driven(system, zero)
    answer = system.ports.across @ found.reshape(len(found), -1)
    return system.grid.parts(answer.reshape(-1, *system.drive.shape).swapaxes(0, 1))


def unbent(system: System) -> Steady:
    """The steady state of units in which nothing bends."""
    nothing = np.zeros((system.grid.size, 0, system.count))
    found = _driven(system, np.zeros((system.grid.lines + 1, 0, system.count), complex))
    heard = (system.read @ found.reshape(len(found), -1)).reshape(-1, *system.drive.shape)
    lines = system.grid.parts(heard.swapaxes(0, 1))
    return Steady(nothing, lines, np.isfinite(lines).all(axis=(0, 1)), np.zeros(system.count, int))


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
    rows = system.ports.across[of.places].toarray().T
    shape = system.factors.entries.shape[1:]
    right = np.empty((*rows.shape, *shape), complex)
    right[:] = rows[:, :, None, None]
    heard = system.factors.solve_transposed(right)
    found = system.ports.into.T[of.into] @ heard.reshape(len(heard), -1)
    seen: Array = found.reshape(len(of.into), len(of.places), *shape)
    return seen


def _jacobians(system: System, at: _Balance, of: Strong, seen: Array) -> Array:
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
        matrix = _jacobians(system, _balance(system, unknown), of, _seen(system, of))[0]
        return cls(of, np.linalg.inv(matrix))

    def some(self, places: Any) -> None:
        """All units take the same steps."""

    def step(self, system: System, at: _Balance, moved: Array) -> Array:
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

    def step(self, system: System, at: _Balance, moved: Array) -> Array:
        """What is taken off the unknowns."""
        from scipy.linalg import lu_factor, lu_solve

        fresh = np.flatnonzero((self._age >= _AGE) & ~(moved < _NEAR))
        self._age += 1
        if fresh.size:
            done = [one.some(fresh) for one in at.done]
            part = _Balance(at.off, at.heard, at.waves, done)
            made = _jacobians(system.some(fresh), part, self._of, self._seen[..., fresh])
            self._age[fresh] = 1
            for k, matrix in zip(fresh, made, strict=True):
                fine = np.isfinite(matrix).all()
                self._factors[k] = lu_factor(matrix.T, check_finite=False) if fine else None

        def solved(wrong: Array) -> Array:
            return np.stack([
                w if f is None else lu_solve(f, w, trans=1, check_finite=False)
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
    at = _balance(system, unknown)
    every = strong(system, list(range(unknown.shape[1])))
    first = System(
        system.grid, system.turns[1:2], system.ports, system.laws,
        Factors(system.factors.pattern, system.factors.entries[:, 1:2],
                tuple(x[:, 1:2] for x in system.factors.inverses)),
        system.source, system.drive[1:2], system.read,
    )
    ohms = np.abs(_seen(first, every)[:, :, 0])
    size = np.maximum(np.abs(unknown).max(axis=0), _TINY)
    found = np.zeros(size.shape)
    for column, (g, b, device, own) in enumerate(every.columns):
        slopes = np.hypot(at.done[g].slopes[:, b, :, device],
                          np.abs(first.turns[0]) * at.done[g].farads[:, b, :, device])
        moved = sum(ohms[j] * np.sqrt(np.square(slopes[t]).mean(axis=0)) for t, j in own)
        found[column] = (moved / size).max(axis=0) * size[column]
    return found


class _Memory:
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


@dataclass(frozen=True, eq=False)
class Steady:
    """Units in their periodic steady state.

    Attributes
    ----------
    unknown : (R, P, u) array
    heard : (R, o, u) array
        What is read, beside its rest.
    settled : (u,) array of bool
    steps : (u,) array of int
        How many it took.
    """

    unknown: Array
    heard: Array
    settled: Array
    steps: Array


def steady(
    whole: System, start: Array, way: Chord | Own, most: int = _STEPS,
    hopeless: tuple[int, float] = (_STEPS, 1.0),
) -> Steady:
    """The periodic steady state.

    Parameters
    ----------
    start : (R, P, u) array
        Voltages of what bends, beside those at rest.
    way : Chord or Own
        Which derivatives steps are taken by.
    most : int
        Steps after which a unit is given up.
    hopeless : tuple (int, float)
        From which step on one is given up that still moves by so much of its largest line; at
        every further step by half a digit less.
    """
    found = start.copy()
    heard = np.zeros((whole.grid.size, whole.read.shape[0], whole.count))
    settled = np.zeros(whole.count, bool)
    steps = np.full(whole.count, most)
    live = np.arange(whole.count)
    system, x = whole, start
    shape = start.shape[:2]
    memory = _Memory(shape[0] * shape[1], whole.count)
    last = size = out = waves = None
    fresh = np.ones(whole.count, bool)
    least = np.full(whole.count, np.inf)
    before = np.full(whole.count, np.inf)
    pace = np.ones(whole.count)
    good = x
    with np.errstate(all="ignore"):
        for turn in range(most):
            at = _balance(system, x, waves, way.alone)
            step = way.step(system, at, before)
            largest = np.maximum(np.abs(at.heard).max(axis=0), 1e-12)
            moved = (np.inf if last is None
                     else np.nan_to_num((np.abs(at.heard - last).max(axis=0) / largest).max(axis=0),
                                        nan=np.inf))
            moved = np.broadcast_to(moved, (len(live),))
            rate = np.clip(moved / before, 0.0, 0.9)
            done = (moved * rate / (1.0 - rate) <= _EXACT) & (moved < 1e-5) & ~fresh
            last, before = at.heard, moved
            if done.any():
                ends = live[done]
                found[..., ends], heard[..., ends] = x[..., done], at.heard[..., done]
                settled[ends], steps[ends] = True, turn
                if done.all():
                    break
            weight = 1.0 / np.maximum(np.abs(x).max(axis=0), 1e-9)
            wrong = np.sqrt(np.square(step * weight).sum(axis=(0, 1)))
            back = ~(wrong <= _LOST * least)
            nearer = wrong < least
            good = np.where(nearer, x, good)
            out = step if out is None else np.where(nearer, step, out)
            least = np.where(nearer, wrong, least)
            pace = np.where(back, 0.4 * pace, np.minimum(2.0 * pace, 1.0))
            size = size if size is not None else weight
            alone = way.alone & ~(moved < _NEAR)
            if alone.any():
                memory.forget(alone)
            taken = memory.best((x * size).reshape(-1, len(live)),
                                (step * size).reshape(-1, len(live)), fresh | back | alone)
            new = x - taken.reshape(x.shape) / size
            fresh = back | alone
            if back.any():
                memory.forget(back)
                new[..., back] = (good - pace * out)[..., back]
            x, cut, waves = _limited(system, at, new)
            if cut.any():
                memory.forget(cut)
            fresh |= cut
            keep = ~done
            if turn >= hopeless[0]:
                keep &= moved < hopeless[1] * _PACE ** (turn - hopeless[0])
            if not keep.any():
                break
            if keep.sum() < _WASTE * len(live):
                waves = [one[..., keep] for one in waves]
                system, live, x = system.some(keep), live[keep], x[..., keep]
                last, before = last[..., keep], before[keep]
                way.some(keep)
                fresh, least, pace = fresh[keep], least[keep], pace[keep]
                good, size, out = good[..., keep], size[..., keep], out[..., keep]
                memory.some(keep)
    return Steady(found, heard, settled, steps)


def _limited(
    system: System, at: _Balance, new: Array
) -> tuple[Array, Array, list[Array]]:
    """Unknowns whose step leads no junction too far, where it would have, and their waves."""
    wanted = _waves(system, new)
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
        wanted = _waves(system, new)
    return new, cut, wanted
