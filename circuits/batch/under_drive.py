"""Units under drive: what their linear networks make of it, and of what their devices do.

Unknown are the lines of the voltages on branches that bend (`circuits.batch.ports`). Where what the
network makes of the remainders that were worked out for them is what they are, a unit is in its
steady state.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from circuits.batch.dense import Inverses
from circuits.batch.grid import Grid
from circuits.batch.linear import Network
from circuits.batch.lu import Array, Factors
from circuits.batch.ports import Law, Ports, Remainders, remainders


@dataclass(frozen=True, eq=False)
class System:
    """Units under drive.

    Attributes
    ----------
    turns : (K + 1,) complex array
        jω of each line.
    factors : Factors or Inverses
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
    factors: Factors | Inverses
    source: int
    drive: Array
    read: Any

    @property
    def count(self) -> int:
        """How many units."""
        return int(self.drive.shape[-1])

    def some(self, places: Any) -> System:
        """Some of the units."""
        return replace(self, laws=tuple(law.some(places) for law in self.laws),
                       factors=self.factors.some(slice(None), places),
                       drive=self.drive[..., places])


def system(
    grid: Grid, frequencies: Sequence[float], net: Network, ports: Ports, laws: tuple[Law, ...],
    source: int, drive: Array, read: Any,
) -> System:
    """Units under drive; frequencies (K + 1,) of the lines, Hz."""
    turns = 2j * np.pi * np.asarray(frequencies, dtype=float)
    entries = net.conductances[:, None] + turns[:, None] * net.capacitances[:, None]
    return System(grid, turns, ports, laws, net.order.kept(entries), source, drive, read)


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
    found = driven(system, -lines)
    size = len(found)
    flat = found.reshape(size, -1)
    answer = (system.ports.across @ flat).reshape(-1, grid.lines + 1, system.count)
    heard = (system.read @ flat).reshape(-1, grid.lines + 1, system.count)
    off = unknown - grid.parts(answer.swapaxes(0, 1))
    return Balance(off, grid.parts(heard.swapaxes(0, 1)), waves, done)


def driven(system: System, lines: Array) -> Array:
    """Unknowns (n, K + 1, u) of the networks with their drive and currents (K + 1, J, u)."""
    flat = np.ascontiguousarray(lines.swapaxes(0, 1)).reshape(lines.shape[1], system.drive.size)
    right = (system.ports.into @ flat).reshape(-1, *system.drive.shape)
    right[system.source] += system.drive
    return system.factors.solve(right)


def linear(system: System) -> Array:
    """What the drive alone does to branches that bend, (R, P, u)."""
    zero = np.zeros((system.grid.lines + 1, system.ports.into.shape[1], system.count), complex)
    found = driven(system, zero)
    answer = system.ports.across @ found.reshape(len(found), -1)
    return system.grid.parts(answer.reshape(-1, *system.drive.shape).swapaxes(0, 1))
