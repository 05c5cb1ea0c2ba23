"""Answers to `Periodic`: the steady states of units under drive, each with a drive of its own.

Few lines are tried first. Where the last of them carry something more are taken, from what was
found on. The first unit, which is mostly the healthy one, lends its derivatives to all; units that
do not come to rest by them have their own, and whoever then still does not is left to a transient
run: what clips hard is found sooner by that.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import sparse

from circuits.batch import grid as grids
from circuits.batch import many_tones, ports, strong, under_drive
from circuits.batch.bias import Rest
from circuits.batch.elimination import Elimination
from circuits.batch.grid import Grid
from circuits.batch.harmonic import Steady, steady, unbent
from circuits.batch.linear import network
from circuits.batch.lu import Array, Places
from circuits.batch.strong import Chord, Own, Strong
from circuits.batch.under_drive import System
from circuits.batch.units import Units
from circuits.batch.work import State, Work, cycle
from circuits.bench.analysis import Answer, Cycle, Periodic

_HARMONICS = (12, 24)
"""Lines of one tone that are tried, one number after another; what needs more, as a stage that
clips or crosses over, a transient run finds sooner (measured)."""
_PRODUCTS = (5, 9)
"""Highest orders of two tones that are tried likewise."""
_OVER = 2
"""Samples over what the lines need."""
_TAIL = 2e-6
"""Of the largest line, what the last ones may carry where no more are needed."""
_MARGIN = 2.0
"""How much more they carry where that is clear before they are exact."""
_CUT = 1e-5
"""The same where there are no more: -100 dB of what is left out."""
_CHORD = 14
"""Steps by the derivatives of another unit, after which a unit gets its own."""
_FAR = (4, 3e-2)
"""From which of those steps on it gets its own if it still moves by so much."""
_OWN = 14
"""Steps by its own, after which a transient run takes less (measured)."""
_ASTRAY = (5, 5e-2)
"""From which of those on it is left to a transient run likewise."""
_STRONG = 0.03
"""Of what bends most, what is still solved together with it."""
_MOST = 8
"""Branches that are solved together in a unit at most."""
_FEW = 6
"""Branches that some units may have together: more cost more than fewer units at a time."""
_STIFF = 0.05
"""What bends by less, with the whole drive, follows by itself."""
_SMALL = 0.02
"""V that the largest of the voltages that bend moves by where their strengths are compared."""
_SHARES = (0.1, 0.2, 0.35, 0.6, 1.0)
"""Of a drive, by which a unit is led to it that does not find its steady state from rest."""
_BYTES = 12 << 20
"""Of reduced networks that are in work at a time (measured)."""


def answers(
    wanted: Sequence[Periodic], units: Units, order: Elimination, at: Rest, rough: Array
) -> list[Answer | None]:
    """The steady state of each unit; None for what a transient run has to find.

    Parameters
    ----------
    wanted : sequence of Periodic
        Of each unit; they differ in their crests alone.
    rough : (u,) array of bool
        As in `linear.Network`.
    """
    made, one = units.equations, wanted[0]
    if any(getattr(p, "oxides", False) for p in units.parameters):
        return [None] * units.count  # see circuits.batch.devices.mosfet
    bent = ports.bent(units, at)
    rows = [*(made.row[name.lower()] for name in one.run.nodes),
            *(made.row[f"#{name.lower()}"] for name in one.run.branches)]
    kept = [(k, row) for k, row in enumerate(rows) if row >= 0]
    read = sparse.csr_array(
        (np.ones(len(kept)), ([k for k, _ in kept], [row for _, row in kept])),
        (len(rows), made.size),
    )
    names = tuple(
        f"{name} {b}" for part in bent for b in part.branches
        for name in made.groups[part.group].names
    )
    work = Work(wanted, network(units, order, at, rough), at, ports.laws(units, at, bent),
                 ports.ports(made, bent), read, np.array(rows), made.row[f"#{one.source.lower()}"],
                 names)
    found: list[Answer | None] = [None] * units.count
    todo = np.arange(units.count)
    begun: list[State | None] = [
        w.near.state if w.near is not None and isinstance(w.near.state, State)
        and w.near.state.branches == names else None for w in wanted
    ]
    if one.base:
        return many_tones.found(work, begun)
    ladder = _ladder(len(one.frequencies))
    for step, grid in enumerate(ladder):
        part = work.some(todo)
        states = _found(part, grid, [begun[k] for k in todo])
        more = []
        for k, state in zip(todo.tolist(), states, strict=True):
            if state is None:
                continue
            answer, tail = state
            if tail > _TAIL and step < len(ladder) - 1:
                assert isinstance(answer.state, State)
                begun[k] = answer.state
                more.append(k)
            elif tail <= _CUT:
                found[k] = answer
        todo = np.array(more, dtype=np.intp)
        if not todo.size:
            break
    return found


def _ladder(tones: int) -> list[Grid]:
    if tones == 1:
        return [grids.harmonics(most, _OVER) for most in _HARMONICS]
    return [grids.products(most, _OVER) for most in _PRODUCTS]


def _found(
    work: Work, grid: Grid, begun: Sequence[State | None]
) -> list[tuple[Cycle, float] | None]:
    """Steady states on a grid, and how large the last lines are."""
    count = len(work.wanted)
    found: list[tuple[Cycle, float] | None] = [None] * count
    if not work.names:
        done = unbent(work.system(grid))
        return [cycle(work, grid, done, j) if done.settled[j] else None for j in range(count)]
    lent = _lent(work, grid, begun[0])
    if lent is None:
        return found
    left = np.arange(count)
    last = _ladder(len(work.wanted[0].frequencies))[-1]
    cut_off = (0, np.inf) if grid is last else (len(work.wanted[0].run.nodes), _MARGIN * _TAIL)
    width = max(4, _BYTES // (16 * work.reach * (grid.lines + 1)))

    def solve(places: Places, of: Strong | None) -> list[int]:
        """Those that do not come to a steady state."""
        part = work.some(places)
        system = part.system(grid)
        start = np.zeros((grid.size, len(work.names), len(places)))
        for j, k in enumerate(places.tolist()):
            state = begun[k] or (lent[1] if of is None else None)
            if state is not None:
                start[..., j] = _scaled(grid, state, work.wanted[k].crests)
        if of is None:
            done = steady(system, start, lent[0], _CHORD, _FAR, cut_off)
        elif lent[2]:
            done = _led(system, of)
        else:
            done = steady(system, start, Own(system, of), _OWN, _ASTRAY, cut_off)
        for j, k in enumerate(places.tolist()):
            if done.settled[j]:
                found[k] = cycle(part, grid, done, j)
        return [k for j, k in enumerate(places.tolist()) if not done.settled[j]]

    left = np.array([k for places in _chunks(left, width) for k in solve(places, None)],
                    dtype=np.intp)
    if left.size:
        for branches, members in _alike(work, grid, left, width):
            for places in _chunks(members, width):
                solve(places, strong.strong(work.some(places[:1]).system(grid), branches))
    return found


def _chunks(places: Places, width: int) -> list[Places]:
    """Places by so many at a time, evenly."""
    return np.array_split(places, max(1, round(len(places) / width)))


def _alike(
    work: Work, grid: Grid, places: Places, width: int
) -> list[tuple[list[int], Places]]:
    """Units by what bends most in them: branches, and the units that they are enough for."""
    groups: list[tuple[set[int], list[int]]] = []
    for some in _chunks(places, width):
        for k, mine in zip(some.tolist(), _strongest(work.some(some).system(grid)), strict=True):
            for branches, members in groups:
                if len(branches | mine) <= max(_FEW, len(mine)):
                    branches |= mine
                    members.append(k)
                    break
            else:
                groups.append((set(mine), [k]))
    return [(sorted(branches), np.array(members)) for branches, members in groups]


def _strongest(system: System) -> list[set[int]]:
    """Branches that bend most in each unit, told at a small part of its drive."""
    linear = under_drive.linear(system)
    share = np.minimum(1.0, _SMALL / np.maximum(np.abs(linear).max(axis=(0, 1)), 1e-12))
    strength = strong.bending(system, linear * share)
    fit = (strength > _STRONG * strength.max(axis=0)) & (strength > _STIFF * share)
    order = np.argsort(-strength, axis=0)[:_MOST]
    return [{int(k) for k in order[:, u] if fit[k, u]} for u in range(system.count)]


_Lent = tuple[Chord, State, bool]
_LENT: OrderedDict[tuple[object, ...], _Lent | None] = OrderedDict()
"""What was lent last, by the names of what bends, tones, lines and drive; None where no unit came
to a steady state."""
_KEPT = 32
"""How many of those are remembered (judgement)."""
_LIKE = 1.25
"""Ratio of two drives up to which one lends its derivatives to the other (measured)."""


def forget() -> None:
    """Begin anew: by whose derivatives a unit is solved shows in its last digits."""
    _LENT.clear()


def _lent(work: Work, grid: Grid, begun: State | None) -> _Lent | None:
    """The derivatives of a unit in its steady state, this, and whether it had to be led there.

    That unit is the first that comes to one.

    Units of another topology that have the same devices are as good.
    """
    one = work.wanted[0]
    drive = round(math.log(max(sum(one.crests), 1e-12)) / math.log(_LIKE))
    key = work.names, one.source, one.frequencies, grid, drive
    if key in _LENT:
        _LENT.move_to_end(key)
        return _LENT[key]
    found: _Lent | None = None
    for k in range(min(len(work.wanted), 2)):
        part = work.some(np.array([k]))
        system = part.system(grid)
        of = strong.strong(system, sorted(_strongest(system)[0]))
        start = np.zeros((grid.size, len(work.names), 1))
        if begun is not None and k == 0:
            start = _scaled(grid, begun, one.crests)[..., None]
        done = steady(system, start, Own(system, of), 2 * _OWN)
        led = not done.settled[0]
        if led:
            done = _led(system, of)
        if done.settled[0]:
            state = State(grid, done.unknown[..., 0], work.wanted[k].crests, work.names)
            found = Chord.at(system, done.unknown, of), state, led
            break
    _LENT[key] = found
    if len(_LENT) > _KEPT:
        _LENT.popitem(last=False)
    return found


def _led(system: System, of: Strong) -> Steady:
    """Steady states of units, by way of those at parts of their drives."""
    start = np.zeros((system.grid.size, system.ports.across.shape[0], system.count))
    settled, last = np.ones(system.count, bool), _SHARES[0]
    for share in _SHARES:
        less = replace(system, drive=system.drive * share)
        done = steady(less, start * (share / last), Own(less, of), 2 * _OWN, _ASTRAY)
        settled &= done.settled
        start, last = done.unknown, share
        if not settled.any():
            break
    return replace(done, settled=settled & (last == _SHARES[-1]))


def _scaled(grid: Grid, state: State, crests: tuple[float, ...]) -> Array:
    """A steady state on a grid, for a drive that is nearly its own."""
    numbers = grid.taken(state.unknown, state.grid)
    ratio = sum(crests) / max(sum(state.crests), 1e-12)
    numbers = numbers * ratio
    numbers[0] *= ratio
    return numbers
