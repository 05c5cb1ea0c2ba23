"""Signals as a real a.c. input shows them: with its resistance and capacitance in the circuit.

`circuits.probe` says which input a reading is taken by; it lies ready at its node, off, and is
switched on for one analysis. Noise and hum have a run for each node anyhow, so theirs costs
nothing. Signals at many nodes would take a sweep each. So, as with voltmeters (`metered`), one
sweep with all inputs on at once is held against what the impedances of the good unit let expect of
it: where these explain it, they tell what each input alone does, by Thévenin's theorem; only where
they do not, the circuit is solved with that input alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from circuits.bench.analysis import Complexes, Inputs, Loaded, Shares
from circuits.circuit import plain
from circuits.probe import lies_at
from circuits.reading import Reading
from circuits.ready import COUPLING, HEARD, PROBE_OFF, Ready
from circuits.spelling import node
from circuits.stage import Stage

Solve = Callable[[Sequence[Loaded]], Complexes]
"""The inputs that are on → the response at the nodes of all inputs, (f, n)."""

_WITHIN = 2e-3
"""Of a level: what an input may move otherwise than expected without a sweep of its own. 0.02 dB is
a fifth of a usual instrument's error (`circuits.quantities`)."""
_NOTHING = 1e-12
"""Of the generator's level: below, a node tells no impedance."""


def inputs(stage: Stage, reading: Reading, *points: str) -> tuple[Loaded, ...]:
    """The inputs that are on when these points of a reading are read at once.

    Parameters
    ----------
    points : str
        Nodes as the reading has them; empty is the output.
    """
    return tuple(map(on, _lying(stage, reading, points)))


def on(one: Ready) -> Loaded:
    """An input that lies ready, as an analysis has it on."""
    _, coupling, capacitor = one.names
    return Loaded(node(one.at), coupling, capacitor, one.models, one.ohms, one.farads)


def ready(stage: Stage, reading: Reading) -> tuple[Ready, ...]:
    """The inputs that lie ready for a reading."""
    points = (reading.at, reading.origin) if reading.origin else (reading.at,)
    return tuple(_lying(stage, reading, points))


def all_ready(stage: Stage, readings: Sequence[tuple[int, Reading]]) -> tuple[Ready, ...]:
    """Those of some readings, each once."""
    return tuple(dict.fromkeys(at for _, r in readings for at in ready(stage, r)))


def _lying(stage: Stage, reading: Reading, points: Sequence[str]) -> Iterator[Ready]:
    for point in dict.fromkeys(points):
        loading = lies_at(reading, point, stage)
        if loading is not None:
            yield Ready(point or stage.output, *loading, _group(reading))


def _group(reading: Reading) -> str:
    """Which inputs are switched on together: those of one analysis."""
    if reading.about.kind != "signal":
        return HEARD
    return "both" if reading.quantity == "phase" and reading.origin else "signal"


def switches(inputs: Sequence[Loaded]) -> tuple[list[str], list[str]]:
    """Commands that turn inputs on, and off again.

    A single one is as many times the idle one in parallel; several are switched by their models.
    """
    if len(inputs) == 1:
        (one,) = inputs
        many = {one.coupling: COUPLING / PROBE_OFF, one.capacitor: one.farads / PROBE_OFF or 1.0}
        return ([f"alter {name.lower()} m = {plain(times)}" for name, times in many.items()],
                [f"alter {name.lower()} m = 1" for name in many])
    farads: dict[str, float] = {}
    for one in inputs:
        through, beside = one.models
        farads |= {through: COUPLING, beside: one.farads or PROBE_OFF}
    return ([f"altermod {name.lower()} cap = {plain(value)}" for name, value in farads.items()],
            [f"altermod {name.lower()} cap = {plain(PROBE_OFF)}" for name in farads])


def shared(wanted: Inputs, alone: Complexes, solve: Solve) -> Shares:
    """What every input shows while it is the only one that is on.

    Parameters
    ----------
    wanted : Inputs
    alone : (f, n) array
        The response at the nodes of the inputs with none of them on.
    solve : callable
    """
    turns = 2j * np.pi * np.array(wanted.frequencies)[:, None]
    ohms, farads = (np.array([getattr(one, key) for one in wanted.inputs])
                    for key in ("ohms", "farads"))
    siemens = 1.0 / ohms + turns * farads
    count = len(wanted.inputs)
    if wanted.impedances is None:
        volts, told = np.array(alone), np.zeros((*alone.shape, count), dtype=np.complex128)
        for k, one in enumerate(wanted.inputs):
            on = solve([one])
            volts[:, k] = on[:, k]
            drawn = on[:, k] * siemens[:, k]
            enough = np.abs(on[:, k]) > _NOTHING
            told[enough, :, k] = ((alone - on)[enough] / drawn[enough, None])
        return Shares(volts, told)
    known = wanted.impedances
    together = solve(wanted.inputs)
    expected = np.linalg.solve(np.eye(count) + known * siemens[:, None, :], alone[:, :, None])
    own = np.einsum("fkk->fk", known) * siemens
    volts = alone / (1.0 + own)
    off = np.abs(together - expected[:, :, 0]) > _WITHIN * np.abs(alone) + _NOTHING
    for column, one in enumerate(wanted.inputs):
        if off[:, column].any():
            volts[:, column] = solve([one])[:, column]
    return Shares(volts, known)
