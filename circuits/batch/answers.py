"""Analyses of many circuits, answered together; `BatchedEngine` is the way in.

Circuits are sorted by what is asked of them and by their topology. What the batch has no law of, a
circuit that does not settle, and transient runs go to ngspice one by one, and are counted.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from weakref import WeakKeyDictionary

import numpy as np

from circuits.batch import (
    bias,
    linear,
    ohmmeters,
    periodic,
    poles,
    rested,
    signals,
    topology,
    voltmeters,
)
from circuits.batch.elimination import Elimination
from circuits.batch.equations import Equations, equations
from circuits.batch.signals import small as small
from circuits.batch.topology import Common, Line, Shape, Unknown, commons, shape
from circuits.batch.units import Units, units
from circuits.bench import metered
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Bias,
    Inputs,
    Metered,
    NoiseDensity,
    NoiseSpectrum,
    Ohmmeter,
    OperatingPoint,
    Periodic,
    Poles,
    Results,
    Shown,
    SmallSignal,
    Transient,
)
from circuits.circuit import Circuit

Ask = tuple[Circuit, tuple[Analysis, ...]]

_PLAUSIBLE = 1e12
"""No node or branch reaches this."""


@dataclass
class Count:
    """How many circuits were answered by the batch, and how many went to ngspice, by reason."""

    batched: int = 0
    others: dict[str, int] = field(default_factory=dict)


def known(analyses: Sequence[Analysis]) -> bool:
    """Whether the batch answers analyses of these kinds."""
    return not any(
        isinstance(a, Transient) or (isinstance(a, OperatingPoint) and a.terminals)
        for a in analyses
    )


def answered(asks: Sequence[Ask], count: Count) -> list[Results | None]:
    """Answers to asks; None for what the batch cannot do."""
    found: list[Results | None] = [None] * len(asks)
    groups: dict[tuple[Hashable, ...], list[int]] = {}
    for k, (_, analyses) in enumerate(asks):
        if known(analyses):
            groups.setdefault(tuple(map(_alike, analyses)), []).append(k)
        else:
            _note(count, "transient runs")
    for members in groups.values():
        shapes: dict[Shape, list[int]] = {}
        of: dict[int, Shape] = {}
        for k in members:
            try:
                made = shape(asks[k][0])
            except Unknown as error:
                _note(count, str(error))
                continue
            shapes.setdefault(made, []).append(k)
        for common, some in commons(list(shapes)):
            mine = [k for one in some for k in shapes[one]]
            of = {k: one for one in some for k in shapes[one]}
            results = _together(common, [asks[k] for k in mine], [of[k] for k in mine])
            for k, result in zip(mine, results, strict=True):
                found[k] = result
                if result is None:
                    _note(count, _lacking(asks[k][1]))
                else:
                    count.batched += 1
    return found


def _alike(one: Analysis) -> Hashable:
    """What of an analysis units must have in common to be asked together.

    Not their drives, and not which resistors each wants the share of; how good units load meters
    and inputs spares ngspice solutions, and is not looked at here.
    """
    if isinstance(one, Periodic):
        return replace(one, crests=(), start=(), near=None)
    if isinstance(one, NoiseSpectrum):
        return replace(one, resistors=())
    if isinstance(one, Metered):
        return Metered, one.meters
    if isinstance(one, Inputs):
        return Inputs, one.drive, one.frequencies, one.inputs
    return one


def _asked(asks: Sequence[Ask]) -> tuple[Analysis, ...]:
    """What some units want who are asked together, the shares of all resistors that any does."""
    return tuple(
        replace(one, resistors=tuple(dict.fromkeys(
            name for _, wanted in asks for name in _resistors(wanted[k])
        ))) if isinstance(one, NoiseSpectrum) else one
        for k, one in enumerate(asks[0][1])
    )


def _resistors(one: Analysis) -> tuple[str, ...]:
    assert isinstance(one, NoiseSpectrum)
    return one.resistors


def _own(answer: Answer, asked: Analysis, wanted: Analysis) -> Answer:
    """Of an answer to what all want what one unit does."""
    if not isinstance(answer, NoiseDensity) or asked == wanted:
        return answer
    place = {name: r for r, name in enumerate(_resistors(asked))}
    return replace(answer, shares=answer.shares[:, [place[name] for name in _resistors(wanted)]])


def _lacking(analyses: Sequence[Analysis]) -> str:
    """What a unit that the batch has no answers for may not have."""
    under_drive = any(isinstance(a, Periodic) for a in analyses)
    return "no steady state" if under_drive else "no solution"


def _note(count: Count, reason: str) -> None:
    count.others[reason] = count.others.get(reason, 0) + 1


def _together(
    common: Common, asks: Sequence[Ask], shapes: Sequence[Shape]
) -> list[Results | None]:
    """Answers for circuits of one topology, which are asked alike."""
    circuits, analyses = [net for net, _ in asks], _asked(asks)
    meters = tuple(m for a in analyses if isinstance(a, Metered) for m in a.meters)
    ohms = [a for a in analyses if isinstance(a, Ohmmeter)]
    between = tuple(dict.fromkeys([*((m.at, m.origin) for m in meters),
                                   *(pair for a in ohms for pair in a.pairs)]))
    made = _equations(tuple(common.lines.values()), between)
    mine = units(made, circuits, shapes)
    found: list[Results | None] = [None] * len(circuits)
    if not all(_known_names(made, a) for a in analyses):
        return found
    order = _order(mine)
    if ohms:
        # the power is off, and nothing else is asked
        with np.errstate(all="ignore"):
            told = [ohmmeters.answers(a, mine, order) for a in ohms]
        return list(zip(*told, strict=True))
    with np.errstate(all="ignore"):
        at = rested.rested(mine, order)
        there = np.flatnonzero(at.settled & (np.abs(at.volts) < _PLAUSIBLE).all(axis=0))
        if not there.size:
            return found
        some = mine.some(there)
        at = bias.Rest(at.volts[:, there], tuple(x[..., there] for x in at.branches),
                       at.settled[there])
        kernel = bias.kernel(some, order, at)
        if kernel.poor.any():
            bias.mended(some, order, at, np.flatnonzero(kernel.poor))
            kernel = bias.kernel(some, order, at)
        small = signals.small(analyses, some, order, at, kernel.rough, kernel.soft)
        answers = [
            _rest(a, some, at) if isinstance(a, OperatingPoint)
            else _shown(a, some, order, at, kernel) if isinstance(a, Metered)
            else periodic.answers([_periodic(asks[int(j)][1][k]) for j in there], some, order, at,
                                  kernel.rough) if isinstance(a, Periodic)
            else poles.answers(a, linear.network(some, order, at, kernel.rough))
            if isinstance(a, Poles)
            else small[k]
            for k, a in enumerate(analyses)
        ]
    for j, k in enumerate(there):
        row = [one[j] for one in answers]
        if None not in row:
            found[k] = tuple(_own(answer, asked, wanted) for answer, asked, wanted
                             in zip(row, analyses, asks[int(k)][1], strict=True)
                             if answer is not None)
    return found


def _periodic(one: Analysis) -> Periodic:
    assert isinstance(one, Periodic)
    return one


def _known_names(made: Equations, wanted: Analysis) -> bool:
    """Whether a circuit has what an analysis names; else it is for the engine to say so."""
    branches: tuple[str, ...] = ()
    nodes: tuple[str, ...]
    if isinstance(wanted, Metered):
        nodes = metered.nodes_of(wanted.meters)
    elif isinstance(wanted, Ohmmeter):
        nodes = tuple(end for pair in wanted.pairs for end in pair)
    elif isinstance(wanted, Inputs):
        nodes = tuple(one.at for one in wanted.inputs)
    elif isinstance(wanted, NoiseSpectrum):
        nodes = (wanted.output, *(one.at for one in wanted.probes))
    elif isinstance(wanted, SmallSignal):
        nodes = (*wanted.nodes, *(one.at for one in wanted.probes))
        branches = wanted.branches
    elif isinstance(wanted, OperatingPoint):
        nodes, branches = wanted.nodes, wanted.branches
    else:
        nodes = ()
    return all(name.lower() in made.row for name in nodes) and all(
        f"#{name.lower()}" in made.row for name in branches)


@lru_cache(maxsize=128)
def _equations(lines: tuple[Line, ...], between: tuple[tuple[str, str], ...]) -> Equations:
    return equations(lines, between)


_ORDERS: WeakKeyDictionary[Equations, Elimination] = WeakKeyDictionary()


def forget() -> None:
    """Begin anew with what hangs on what was met before: topologies, and orders of elimination.

    Equations hang on their topology alone.
    """
    topology.forget()
    rested.forget()
    periodic.forget()
    _ORDERS.clear()


def _order(mine: Units) -> Elimination:
    """How a topology is eliminated, which is found out once, by a few of the units."""
    order = _ORDERS.get(mine.equations)
    if order is None:
        order = _ORDERS[mine.equations] = Elimination(mine.equations)
    few = np.unique(np.linspace(0, mine.count - 1, 3).astype(np.intp))
    order.about(lambda: bias.sampled(mine.some(few)))
    return order


def _rest(wanted: OperatingPoint, mine: Units, at: bias.Rest) -> list[Answer | None]:
    row = mine.equations.row
    nodes = at.volts[[row[name.lower()] for name in wanted.nodes]].T
    flows = at.volts[[row[f"#{name.lower()}"] for name in wanted.branches]].T
    return [Bias(nodes[j].copy(), flows[j].copy()) for j in range(mine.count)]


def _shown(
    wanted: Metered, mine: Units, order: Elimination, at: bias.Rest, kernel: bias.Kernel
) -> list[Answer | None]:
    found = voltmeters.shown(mine, order, at, kernel, wanted.meters)
    sure = np.asarray(np.isfinite(found.volts).all(axis=0))
    return [
        Shown(found.volts[:, j].copy(), found.impedances[:, :, j].copy()) if sure[j] else None
        for j in range(mine.count)
    ]
