"""What is asked of units under drive, and what a steady state answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from circuits.batch import ports, under_drive
from circuits.batch.bias import Rest
from circuits.batch.grid import Grid
from circuits.batch.harmonic import Steady
from circuits.batch.linear import Network
from circuits.batch.lu import Array, Places
from circuits.batch.under_drive import System
from circuits.bench.analysis import Cycle, Periodic

_CURRENTS = 1e-3
"""How much less the lines of currents matter than those of nodes: means are taken of them."""


@dataclass(frozen=True, eq=False)
class State:
    """What a steady state was, for whoever begins from it."""

    grid: Grid
    unknown: Array
    crests: tuple[float, ...]
    branches: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Work:
    """What is asked, of units at rest."""

    wanted: Sequence[Periodic]
    net: Network
    at: Rest
    laws: tuple[ports.Law, ...]
    ports: ports.Ports
    read: Any
    rows: Places
    source: int
    names: tuple[str, ...]

    @property
    def reach(self) -> int:
        """How many numbers a unit's reduced network has a line."""
        across, into = self.ports.across.shape[0], self.ports.into.shape[1]
        return int((across + self.read.shape[0]) * (into + 1))

    def some(self, places: Places) -> Work:
        """Of some units."""
        net = replace(self.net, units=self.net.units.some(places),
                      conductances=self.net.conductances[:, places],
                      capacitances=self.net.capacitances[:, places],
                      rough=self.net.rough[places], soft=self.net.soft[places])
        at = Rest(self.at.volts[:, places], tuple(x[..., places] for x in self.at.branches),
                  self.at.settled[places])
        return Work([self.wanted[k] for k in places], net, at,
                     tuple(law.some(places) for law in self.laws), self.ports, self.read,
                     self.rows, self.source, self.names)

    def system(self, grid: Grid) -> System:
        """The units with their drives."""
        return under_drive.system(grid, grid.orders @ phases(self.wanted[0]), self.net, self.ports,
                                  self.laws, self.source, self.drive(grid), self.read)

    def drive(self, grid: Grid) -> Array:
        """V of the source, by line and unit."""
        drive = np.zeros((grid.lines + 1, len(self.wanted)))
        drive[self._places(grid)] = np.array([one.crests for one in self.wanted]).T
        return drive

    def _places(self, grid: Grid) -> list[int]:
        """Lines of the tones."""
        one = self.wanted[0]
        if one.base:
            return orders(one)
        return [grid.place(*order) for order in np.eye(len(one.frequencies), dtype=int).tolist()]


def phases(one: Periodic) -> Array:
    """Hz that orders of lines are multiples of, (t,): the tones, or the base of many."""
    return np.array([one.base] if one.base else one.frequencies, dtype=float)


def orders(one: Periodic) -> list[int]:
    """Many tones as multiples of their base."""
    return [round(hertz / one.base) for hertz in one.frequencies]


def cycle(part: Work, grid: Grid, done: Steady, j: int) -> tuple[Cycle, float]:
    """The answer for one unit, and how large its last lines are beside the largest."""
    one = part.wanted[j]
    heard = done.heard[..., j]
    lines = grid.whole(heard)
    sizes = np.abs(lines)
    largest = np.maximum(sizes[1:].max(axis=0), 1e-12)
    nodes = len(one.run.nodes)
    tails = (sizes[grid.last] / largest).max(axis=0)
    tails[nodes:] *= _CURRENTS
    tail = float(tails.max())
    rest = np.where(part.rows >= 0, part.at.volts[part.rows, j], 0.0)
    lines[0] += rest
    waves = grid.waves(heard) + rest
    frequencies: Array = grid.orders @ phases(one)
    state = State(grid, done.unknown[..., j].copy(), one.crests, part.names)
    return Cycle(frequencies, lines[:, :nodes], waves[:, :nodes], waves[:, nodes:], rest[nodes:],
                 state), tail
