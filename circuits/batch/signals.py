"""Answers to small-signal analyses of units at rest: responses, a.c. inputs, noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from circuits.batch import linear, noise
from circuits.batch.bias import Rest
from circuits.batch.elimination import Elimination
from circuits.batch.equations import Equations
from circuits.batch.linear import Question, Rows, ends, siemens
from circuits.batch.lu import Array
from circuits.batch.units import Units
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Inputs,
    Loaded,
    NoiseDensity,
    NoiseSpectrum,
    Response,
    Shares,
    SmallSignal,
)
from circuits.macromodels import BOLTZMANN, KELVIN
from circuits.ready import COUPLING

_HEARD = "_heard"
"""What the models of an a.c. input end in whose resistance makes noise."""


@dataclass
class _Wants:
    """What is asked at each frequency, in the order in which it was met."""

    driven: dict[float, dict[Rows, None]] = field(default_factory=dict)
    heard: dict[float, dict[Rows, None]] = field(default_factory=dict)
    rows: dict[int, int] = field(default_factory=dict)

    def add(self, frequencies: Sequence[float], driven: Sequence[Rows], heard: Sequence[Rows],
            rows: Sequence[int]) -> None:
        for frequency in frequencies:
            self.driven.setdefault(frequency, {}).update(dict.fromkeys(driven))
            self.heard.setdefault(frequency, {}).update(dict.fromkeys(heard))
        for row in rows:
            if row >= 0:
                self.rows.setdefault(row, len(self.rows))


class _Found:
    """Solutions of everything that was asked, by right hand side and frequency."""

    def __init__(self, net: linear.Network, wants: _Wants) -> None:
        self._wants = wants
        self._count = net.units.count
        self._driven: dict[tuple[Rows, float], Array] = {}
        self._heard: dict[tuple[Rows, float], Array] = {}
        alike: dict[tuple[tuple[Rows, ...], tuple[Rows, ...]], list[float]] = {}
        for frequency in sorted(wants.driven):
            key = tuple(wants.driven[frequency]), tuple(wants.heard[frequency])
            alike.setdefault(key, []).append(frequency)
        for (driven, heard), frequencies in alike.items():
            asked = Question(driven, heard, tuple(wants.rows))
            solutions = linear.solved(net, frequencies, asked)
            for k, frequency in enumerate(frequencies):
                self._driven |= {(one, frequency): solutions.driven[q, :, k]
                                 for q, one in enumerate(driven)}
                self._heard |= {(one, frequency): solutions.heard[q, :, k]
                                for q, one in enumerate(heard)}

    def driven(self, of: Rows, frequencies: Sequence[float], rows: Sequence[int]) -> Array:
        """Some rows of what a right hand side does, (r, f, u)."""
        places = [self._wants.rows.get(row, -1) for row in rows]
        found = np.zeros((len(rows), len(frequencies), self._count), complex)
        for k, frequency in enumerate(frequencies):
            column = self._driven[of, frequency]
            for r, place in enumerate(places):
                if place >= 0:
                    found[r, k] = column[place]
        return found

    def heard(self, of: Rows, frequencies: Sequence[float]) -> Array:
        """What arrives at an output of an ampere at each row, (n, f, u)."""
        return np.stack([self._heard[of, frequency] for frequency in frequencies], axis=1)


def small(
    analyses: Sequence[Analysis], units: Units, order: Elimination, at: Rest, rough: Array,
    soft: Array,
) -> dict[int, list[Answer | None]]:
    """Answers by the place of an analysis, one a unit; those of other kinds are left out.

    Parameters
    ----------
    rough, soft : (u,) arrays of bool
        Units that are to be solved as matrices, and whose solutions are to be refined.
    """
    made = units.equations
    wants = _Wants()
    mine: dict[int, SmallSignal | Inputs | NoiseSpectrum] = {}
    for k, a in enumerate(analyses):
        if isinstance(a, SmallSignal):
            wants.add(a.frequencies, [_drive(made, a.drive), *_nodes(made, a.probes)], [],
                      [*_rows(made, a.nodes, a.branches), *_at(made, a.probes)])
        elif isinstance(a, Inputs):
            wants.add(a.frequencies, [_drive(made, a.drive), *_nodes(made, a.inputs)], [],
                      _at(made, a.inputs))
        elif isinstance(a, NoiseSpectrum):
            if _rows(made, (a.output,), ()) != [-1]:
                wants.add(a.frequencies, [], [ends(made.row, (a.output,)), *_nodes(made, a.probes)],
                          [])
        else:
            continue
        mine[k] = a
    if not mine:
        return {}
    found = _Found(linear.network(units, order, at, rough, soft), wants)
    sources = noise.sources(units, at) if any(
        isinstance(a, NoiseSpectrum) for a in mine.values()
    ) else None
    answers: dict[int, list[Answer | None]] = {}
    for k, a in mine.items():
        if isinstance(a, SmallSignal):
            answers[k] = _responses(a, made, found)
        elif isinstance(a, Inputs):
            answers[k] = _shares(a, made, found)
        else:
            assert sources is not None
            answers[k] = _noise(a, units, found, sources)
    return answers


def _rows(made: Equations, nodes: Sequence[str], branches: Sequence[str]) -> list[int]:
    return [*(made.row[name.lower()] for name in nodes),
            *(made.row[f"#{name.lower()}"] for name in branches)]


def _drive(made: Equations, name: str) -> Rows:
    """A volt, or an ampere, of a source."""
    branch = made.row.get(f"#{name.lower()}")
    if branch is not None:
        return ((branch, 1.0),)
    line = made.lines[made.place[name.lower()]]
    return ends(made.row, line.nodes[::-1])


def _nodes(made: Equations, probes: Sequence[Loaded]) -> list[Rows]:
    return [ends(made.row, (one.at,)) for one in probes]


def _at(made: Equations, probes: Sequence[Loaded]) -> list[int]:
    return [made.row[one.at.lower()] for one in probes]


def _turns(frequencies: Sequence[float]) -> Array:
    found: Array = 2j * np.pi * np.asarray(frequencies, dtype=float)
    return found


def _by_unit(table: Array) -> Array:
    """(r, f, u) as (u, f, r)."""
    return np.ascontiguousarray(table.transpose(2, 1, 0))


def _responses(a: SmallSignal, made: Equations, found: _Found) -> list[Answer | None]:
    rows, own = _rows(made, a.nodes, a.branches), _at(made, a.probes)
    drive = _drive(made, a.drive)
    table = found.driven(drive, a.frequencies, rows)
    if a.probes:
        turns = _turns(a.frequencies)
        columns = np.stack([found.driven(one, a.frequencies, rows)
                            for one in _nodes(made, a.probes)])
        impedances = np.stack([found.driven(one, a.frequencies, own)
                               for one in _nodes(made, a.probes)], axis=1)
        table = linear.loaded(table, columns, impedances,
                              np.stack([siemens(one, turns) for one in a.probes]),
                              found.driven(drive, a.frequencies, own))
    whole, split = _by_unit(table), len(a.nodes)
    grid = np.array(a.frequencies, float)
    return [Response(grid, one[:, :split], one[:, split:]) if np.isfinite(one).all() else None
            for one in whole]


def _shares(a: Inputs, made: Equations, found: _Found) -> list[Answer | None]:
    rows, nodes = _at(made, a.inputs), _nodes(made, a.inputs)
    bare = found.driven(_drive(made, a.drive), a.frequencies, rows)
    impedances = np.stack([found.driven(one, a.frequencies, rows) for one in nodes], axis=1)
    turns = _turns(a.frequencies)
    taken = np.stack([siemens(one, turns) for one in a.inputs])[:, :, None]
    own = np.einsum("kkfu->kfu", impedances)
    volts = _by_unit(bare / (1.0 + own * taken))
    told = np.ascontiguousarray(impedances.transpose(3, 2, 0, 1))
    return [Shares(volts[j], told[j]) if np.isfinite(volts[j]).all() else None
            for j in range(len(volts))]


def _noise(
    a: NoiseSpectrum, units: Units, found: _Found, sources: noise.Sources
) -> list[Answer | None]:
    made = units.equations
    grid = np.array(a.frequencies, dtype=float)
    output = made.row[a.output.lower()]
    if output < 0:
        nothing = NoiseDensity(grid, np.zeros_like(grid), np.zeros((len(grid), len(a.resistors))))
        return [nothing] * units.count
    heard = found.heard(ends(made.row, (a.output,)), a.frequencies)
    own = _at(made, a.probes)
    turns = _turns(a.frequencies)
    if a.probes:
        columns = np.stack([found.heard(one, a.frequencies) for one in _nodes(made, a.probes)])
        impedances = columns[:, own].swapaxes(0, 1)
        heard = linear.loaded(heard, columns, impedances,
                              np.stack([siemens(one, turns) for one in a.probes]), heard[own])
    power = sources.power(heard, grid)
    for one, row in zip(a.probes, own, strict=True):
        if one.models[0].endswith(_HEARD):
            through = np.abs(1.0 / (one.ohms + 1.0 / (turns * COUPLING))) ** 2 * one.ohms
            power = power + 4.0 * BOLTZMANN * KELVIN * through[:, None] * np.abs(heard[row]) ** 2
    density = np.ascontiguousarray(np.sqrt(power).T)
    shares = np.zeros((units.count, len(grid), len(a.resistors)))
    for r, name in enumerate(a.resistors):
        shares[:, :, r] = noise.way(units, name, heard).T
    return [NoiseDensity(grid, density[j], shares[j]) if np.isfinite(density[j]).all() else None
            for j in range(units.count)]
