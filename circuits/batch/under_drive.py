"""Units under drive: what their linear networks make of it, and of what their devices do.

Unknown are the lines of the voltages on branches that bend (`circuits.batch.ports`). Where what the
network makes of the remainders that were worked out for them is what they are, a unit is in its
steady state.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import sparse

from circuits.batch.grid import Grid
from circuits.batch.linear import Network
from circuits.batch.lu import Array
from circuits.batch.multiples import Multiples
from circuits.batch.ports import Law, Ports, Remainders, remainders
from circuits.batch.smooth import smooth


@dataclass(frozen=True, eq=False)
class System:
    """Units under drive.

    Attributes
    ----------
    turns : (K + 1,) complex array
        jω of each line.
    reach : (K + 1, u, P + o, J + 1) complex array
        What the linear networks make, of the P voltages of branches that bend and the o numbers
        that are read, of a current of 1 A into each of the J terminals and of the source at 1 V.
    drive : (K + 1, u) array
        V of the source.
    """

    grid: Grid
    turns: Array
    ports: Ports
    laws: tuple[Law, ...]
    reach: Array
    drive: Array

    @property
    def count(self) -> int:
        """How many units."""
        return int(self.drive.shape[-1])

    def some(self, places: Any) -> System:
        """Some of the units."""
        return replace(self, laws=tuple(law.some(places) for law in self.laws),
                       reach=self.reach[:, places], drive=self.drive[..., places])

    @property
    def branches(self) -> int:
        """P, voltages that bend something."""
        return int(self.ports.across.shape[0])


def system(
    grid: Grid, frequencies: Array, net: Network, ports: Ports, laws: tuple[Law, ...],
    source: int, drive: Array, read: Any,
) -> System:
    """Units under drive; frequencies (K + 1,) of the lines, Hz; read (o, n), of the unknowns.

    Networks are reduced to what is asked of them once, for all the steps that follow.
    """
    turns = 2j * np.pi * np.asarray(frequencies, dtype=float)
    at = sparse.csr_array(([1.0], ([source], [0])), (net.order.size, 1))
    asked = sparse.vstack([ports.across, read]).toarray()
    given = sparse.hstack([ports.into, at]).toarray()

    def exact(lines: Any, units: Any) -> Array:
        entries = (net.conductances[:, None, units]
                   + turns[lines][:, None] * net.capacitances[:, None, units])
        return net.order.between(entries, asked, given)

    if isinstance(grid, Multiples):
        reach = smooth(exact, grid.lines, net.units.count)
    else:
        reach = exact(slice(None), slice(None))
    return System(grid, turns, ports, laws, reach, drive)


@dataclass(frozen=True, eq=False)
class Balance:
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


def waves_of(system: System, unknown: Array) -> list[Array]:
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


def balance(
    system: System, unknown: Array, waves: list[Array] | None = None, steep: bool = True
) -> Balance:
    """What unknowns come to; with derivatives where it is to be `steep`."""
    grid = system.grid
    waves = waves or waves_of(system, unknown)
    done = [remainders(law, x, steep) for law, x in zip(system.laws, waves, strict=True)]
    flows, charges = (
        grid.whole(grid.numbers(np.concatenate(
            [part.reshape(len(part), -1, system.count) for part in parts], axis=1)))
        for parts in ([one.flows for one in done], [one.charges for one in done])
    )
    lines = flows + system.turns[:, None, None] * charges
    found = grid.parts(driven(system, -lines))
    bent = system.branches
    return Balance(unknown - found[:, :bent], found[:, bent:], waves, done)


def driven(system: System, lines: Array) -> Array:
    """What networks make of their drive and of currents (K + 1, J, u): (K + 1, P + o, u)."""
    found = system.reach[..., :-1] @ lines.swapaxes(1, 2)[..., None]
    found += system.reach[..., -1:] * system.drive[..., None, None]
    made: Array = np.ascontiguousarray(found[..., 0].swapaxes(1, 2))
    return made


def linear(system: System) -> Array:
    """What the drive alone does to branches that bend, (R, P, u)."""
    found = system.reach[:, :, :system.branches, -1] * system.drive[..., None]
    return system.grid.parts(np.ascontiguousarray(found.swapaxes(1, 2)))
