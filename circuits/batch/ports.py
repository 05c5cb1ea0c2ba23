"""What bends in a unit: the branches of its devices whose currents are no straight lines.

Every device is linearised at rest, and that much of it belongs to the linear network. What is left
of it, the remainder, depends on few of its branches and flows into few of its terminals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse

from circuits.batch.bias import Rest
from circuits.batch.equations import Equations
from circuits.batch.lu import Array
from circuits.batch.units import Units, selected

_TRIED = (-2.0, 0.1, 0.6)
"""V beside the bias at which a derivative that differs tells that a branch bends something."""
_AT_A_TIME = 8
"""Units of which that is found out at a time: what a cache holds (measured)."""
_CLOSED = 1e-9
"""Of the largest derivative, what currents into all terminals add up to where they are closed."""
_SAME = 1e-12
"""Of the largest derivative, what a difference that counts is more than."""


@dataclass(frozen=True, eq=False)
class Bent:
    """What of a group of devices is not linear.

    Attributes
    ----------
    group : int
        Its number.
    branches : list of int
        On whose voltages the remainder depends, p of them.
    terminals : list of int
        Into which it flows, j of them; what it flows out of again, one more, is `last`.
    last : int
        -1 for none: what a source's expression gives may stand in one equation alone.
    """

    group: int
    branches: list[int]
    terminals: list[int]
    last: int


def bent(units: Units, at: Rest) -> tuple[Bent, ...]:
    """What is not linear in any of some units at rest."""
    found = []
    groups = zip(units.equations.groups, units.parameters, at.branches, strict=True)
    for g, (group, p, x) in enumerate(groups):
        differs = np.zeros((len(group.family.TERMINALS), len(x)), bool)
        closed = True
        for some in np.array_split(np.arange(units.count), -(-units.count // _AT_A_TIME)):
            bends, shut = _bending(group.family, selected(p, some), x[..., some])
            differs |= bends
            closed &= shut
        branches, terminals = np.flatnonzero(differs.any(axis=0)), np.flatnonzero(
            differs.any(axis=1))
        if branches.size and closed:
            found.append(Bent(g, branches.tolist(), terminals[:-1].tolist(), int(terminals[-1])))
        elif branches.size:
            found.append(Bent(g, branches.tolist(), terminals.tolist(), -1))
    return tuple(found)


def _bending(family: Any, p: Any, x: Array) -> tuple[Array, bool]:
    """Which derivatives (T, k) bend, and whether currents of all terminals add up to nothing."""
    k = len(x)
    tried = np.array(_TRIED)
    # each branch by itself, and all together
    moves = np.concatenate(
        [tried[:, None] * row for row in (*np.eye(k), np.ones(k))]
    ).T[:, :, None, None]
    with np.errstate(all="ignore"):
        _, slopes, _, farads = family.both(p, x[:, None] + moves)
        _, still, _, firm = family.both(p, x[:, None])
    differs = np.zeros(slopes.shape[:2], bool)
    closed = True
    for moved, rest in ((slopes, still), (farads, firm)):
        apart = moved - rest
        off = np.nan_to_num(np.abs(apart), nan=np.inf).max(axis=(2, 3, 4))
        size = np.maximum(np.abs(moved), np.abs(rest)).max(axis=(2, 3, 4))
        differs |= off > _SAME * size
        total = np.abs(apart.sum(axis=0)).max(axis=(1, 2, 3))
        closed &= not (total > _CLOSED * size.max(axis=0)).any()
    return differs, closed


@dataclass(frozen=True, eq=False)
class Ports:
    """Where what bends is in the equations.

    Attributes
    ----------
    parts : tuple of Bent
    across : csr array (P, n)
        From the unknowns to voltages of the branches: of each part by branch and device.
    into : csr array (n, J)
        From currents of the remainders to the equations: by terminal and device.
    """

    parts: tuple[Bent, ...]
    across: Any
    into: Any


def ports(made: Equations, parts: Sequence[Bent]) -> Ports:
    """Where some of what bends is in the equations."""
    across: list[tuple[int, int, float]] = []
    into: list[tuple[int, int, float]] = []
    p = j = 0
    for one in parts:
        group = made.groups[one.group]
        for b in one.branches:
            for plus, minus in zip(group.plus[b].tolist(), group.minus[b].tolist(), strict=True):
                across += [(p, row, sign) for row, sign in ((plus, 1.0), (minus, -1.0)) if row >= 0]
                p += 1
        for t in one.terminals:
            last = group.rows[one.last] if one.last >= 0 else np.full_like(group.rows[t], -1)
            for to, back in zip(group.rows[t].tolist(), last.tolist(), strict=True):
                into += [(row, j, sign) for row, sign in ((to, 1.0), (back, -1.0)) if row >= 0]
                j += 1
    return Ports(tuple(parts), _matrix(across, p, made.size), _matrix(into, made.size, j))


def _matrix(entries: list[tuple[int, int, float]], height: int, width: int) -> Any:
    rows, columns, values = zip(*entries, strict=True) if entries else ((), (), ())
    return sparse.csr_array((values, (rows, columns)), (height, width))


@dataclass(frozen=True, eq=False)
class Law:
    """What the devices of a part do beyond what the linear network has of them.

    Attributes
    ----------
    family, parameters
        As in `equations.Group` and `units.Units`.
    rest : (k, d, u) array
        Voltages of all branches at rest, V.
    flows, charges : (j, d, u) arrays
        At rest, A and C.
    slopes, farads : (j, p, d, u) arrays
        Their derivatives there.
    """

    part: Bent
    family: Any
    parameters: Any
    rest: Array
    flows: Array
    slopes: Array
    charges: Array
    farads: Array

    def some(self, places: Any) -> Law:
        """Of some units."""
        return Law(
            self.part, self.family, selected(self.parameters, places), self.rest[..., places],
            self.flows[..., places], self.slopes[..., places], self.charges[..., places],
            self.farads[..., places],
        )


def laws(units: Units, at: Rest, parts: Sequence[Bent]) -> tuple[Law, ...]:
    """What units do beyond their linear networks."""
    found = []
    for one in parts:
        family, p = units.equations.groups[one.group].family, units.parameters[one.group]
        x = at.branches[one.group]
        flows, slopes, charges, farads = family.both(p, x)
        places = np.ix_(one.terminals, one.branches)
        found.append(Law(one, family, p, x, flows[one.terminals], slopes[places],
                         charges[one.terminals], farads[places]))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Remainders:
    """What one part's devices do at the samples of a wave.

    Attributes
    ----------
    flows, charges : (N, j, d, u) arrays
        Of the remainders.
    slopes, farads : (j, p, N, d, u) arrays
        Derivatives of both; none where they are not asked for.
    """

    flows: Array
    charges: Array
    slopes: Array
    farads: Array

    def some(self, places: Any) -> Remainders:
        """Of some units."""
        return Remainders(self.flows[..., places], self.charges[..., places],
                          self.slopes[..., places], self.farads[..., places])


def remainders(law: Law, waves: Array, steep: bool) -> Remainders:
    """The remainders at voltages (k, N, d, u) of all branches.

    Parameters
    ----------
    steep : bool
        Whether their derivatives are wanted.
    """
    terminals, branches = law.part.terminals, law.part.branches
    # a family that tells currents and charges alone does so in half of the time
    plain = None if steep else getattr(law.family, "values", None)
    if plain is not None:
        flows, charges = plain(law.parameters, waves)
    else:
        flows, slopes, charges, farads = law.family.both(law.parameters, waves)
    moved = [waves[branch] - law.rest[branch] for branch in branches]
    found = []
    for whole, rest, lines in ((flows, law.flows, law.slopes), (charges, law.charges, law.farads)):
        left = np.empty((waves.shape[1], len(terminals), *waves.shape[2:]))
        for j, terminal in enumerate(terminals):
            np.subtract(whole[terminal], rest[j], out=left[:, j])
            for b, away in enumerate(moved):
                if lines[j, b].any():
                    left[:, j] -= lines[j, b] * away
        found.append(left)
    if not steep:
        nothing = np.zeros((len(terminals), len(branches), 0, *waves.shape[2:]))
        return Remainders(found[0], found[1], nothing, nothing)
    places = np.ix_(terminals, branches)
    return Remainders(found[0], found[1], slopes[places] - law.slopes[:, :, None],
                      farads[places] - law.farads[:, :, None])
