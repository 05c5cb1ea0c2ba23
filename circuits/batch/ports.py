"""Units as seen from what bends in them: the linear rest of each, reduced to a few branches.

Every device is linearised at rest and that much of it belongs to the linear network. What is left
of it depends on few of its branches, and flows into few of its terminals: the remainder. So a unit
under drive is a matrix a line of the spectrum, from currents of the remainders to voltages of those
branches and to what is read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits.batch.bias import Rest
from circuits.batch.linear import Network, Question, Rows, solved
from circuits.batch.lu import Array
from circuits.batch.units import Units, selected

_TRIED = (-3.0, -0.7, -0.2, -0.05, 0.05, 0.2, 0.7, 3.0)
"""V beside the bias at which a derivative that differs tells that a branch bends something."""
_SAME = 1e-12
"""Of the largest derivative, what a difference that counts is more than."""


@dataclass(frozen=True, eq=False)
class Bent:
    """What of a group of devices is not linear.

    Attributes
    ----------
    group : int
        Its number.
    branches : tuple of int
        On whose voltages the remainder depends, p of them.
    terminals : tuple of int
        Into which it flows, j of them; what it flows out of again, one more, is `last`.
    """

    group: int
    branches: tuple[int, ...]
    terminals: tuple[int, ...]
    last: int


def bent(units: Units, at: Rest) -> tuple[Bent, ...]:
    """What is not linear in any of some units at rest."""
    found = []
    groups = zip(units.equations.groups, units.parameters, at.branches, strict=True)
    for g, (group, p, x) in enumerate(groups):
        k = len(x)
        tried = np.array(_TRIED)
        # each branch by itself, and all together
        moves = np.concatenate([tried[:, None] * np.eye(k)[b] for b in range(k)]
                               + [tried[:, None] * np.ones(k)])
        wide = x[:, None] + moves.T[:, :, None, None]
        with np.errstate(all="ignore"):
            _, slopes, _, farads = group.family.both(p, wide)
            _, still, _, firm = group.family.both(p, x[:, None])
        differs = np.zeros(slopes.shape[:2], bool)
        for moved, rest in ((slopes, still), (farads, firm)):
            off = np.abs(moved - rest)
            size = np.maximum(np.abs(moved), np.abs(rest)).max(axis=(2, 3, 4))
            differs |= np.nan_to_num(off, posinf=1e300, nan=1e300).max(axis=(2, 3, 4)) > (
                _SAME * size)
        branches = np.flatnonzero(differs.any(axis=0))
        terminals = np.flatnonzero(differs.any(axis=1))
        if branches.size:
            found.append(Bent(g, tuple(branches.tolist()), tuple(terminals[:-1].tolist()),
                              int(terminals[-1])))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class Reduced:
    """Units by line of a spectrum, from remainders to what bends and to what is read.

    Attributes
    ----------
    impedances : (K + 1, P, J, u) complex array
        V on branches for an ampere out of a terminal and into the last one; negative of what a
        remainder, which flows into the terminal, does.
    read : (K + 1, o, J, u) complex array
        The same of what is read: nodes, V, and branches, A.
    driven, heard : (K + 1, P, u), (K + 1, o, u) complex arrays
        What a volt of the source does to both.
    """

    impedances: Array
    read: Array
    driven: Array
    heard: Array

    def some(self, places: Any) -> Reduced:
        """Of some units."""
        return Reduced(self.impedances[..., places], self.read[..., places],
                       self.driven[..., places], self.heard[..., places])


def reduced(
    net: Network, parts: Sequence[Bent], frequencies: Sequence[float], source: int,
    rows: Sequence[int],
) -> Reduced:
    """The linear networks at the frequencies of lines.

    Parameters
    ----------
    source : int
        The row of the voltage source that drives.
    rows : sequence of int
        What is read; -1 is ground.
    """
    made = net.units.equations
    plus: list[int] = []
    minus: list[int] = []
    injected: list[Rows] = [((source, 1.0),)]
    for one in parts:
        group = made.groups[one.group]
        for b in one.branches:
            plus += group.plus[b].tolist()
            minus += group.minus[b].tolist()
        for t in one.terminals:
            for to, back in zip(group.rows[t].tolist(), group.rows[one.last].tolist(), strict=True):
                injected.append(tuple((row, sign) for row, sign in ((to, 1.0), (back, -1.0))
                                      if row >= 0))
    wanted = sorted({row for row in (*plus, *minus, *rows) if row >= 0})
    place = {row: k for k, row in enumerate(wanted)} | {-1: len(wanted)}
    found = solved(net, frequencies, Question(tuple(injected), (), tuple(wanted))).driven
    # the last row is ground's
    whole = np.concatenate([found, np.zeros_like(found[:, :1])], axis=1).transpose(2, 1, 0, 3)
    ends = whole[:, [place[row] for row in plus]] - whole[:, [place[row] for row in minus]]
    told = whole[:, [place[row] for row in rows]]
    return Reduced(
        np.ascontiguousarray(ends[:, :, 1:]), np.ascontiguousarray(told[:, :, 1:]),
        np.ascontiguousarray(ends[:, :, 0]), np.ascontiguousarray(told[:, :, 0]),
    )


@dataclass(frozen=True, eq=False)
class Devices:
    """The remainders of the devices of some units.

    Attributes
    ----------
    parts : tuple of Bent
    laws : tuple
        Of each part: family, parameters, and at rest branches (k, d, u), currents (j, d, u), their
        derivatives (j, p, d, u), and charges likewise.
    """

    parts: tuple[Bent, ...]
    laws: tuple[tuple[Any, ...], ...]

    def some(self, places: Any) -> Devices:
        """Of some units."""
        return Devices(self.parts, tuple(
            (family, selected(p, places), *(one[..., places] for one in rest))
            for family, p, *rest in self.laws
        ))


def devices(units: Units, at: Rest, parts: Sequence[Bent]) -> Devices:
    """What the remainders of units are to be told by."""
    laws = []
    for one in parts:
        group, p, x = (units.equations.groups[one.group], units.parameters[one.group],
                       at.branches[one.group])
        flows, slopes, charges, farads = group.family.both(p, x)
        t, b = list(one.terminals), list(one.branches)
        laws.append((group.family, p, x, flows[t], slopes[np.ix_(t, b)], charges[t],
                     farads[np.ix_(t, b)]))
    return Devices(tuple(parts), tuple(laws))
