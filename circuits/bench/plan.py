"""What a set of readings asks of the simulator: requests, made once and used for every variant.

A family of readings (`bias`, `small_signal`, `noise`, …) turns readings into requests. A request
names the circuit it needs (`Setup`), the analyses to run on it, and a function that turns their
results into values. Requests that share a setup share one circuit and one load of the simulator.

Readings under drive cannot be asked for in advance, since the drive follows from what was read
before: they are an `Experiment`, which asks the simulator as it goes. So is noise beside a signal,
for which every unit is asked about the parts that are noisy in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from circuits.bench.analysis import Analysis, Answer
from circuits.bench.steps import Steps
from circuits.reading import Reading
from circuits.ready import Ready
from circuits.stage import Stage
from circuits.state import State

Indexed = Sequence[tuple[int, Reading]]
"""Readings of one family with their places in the whole list."""

Values = Sequence[float]
Read = Callable[[Stage, Sequence[Answer]], Values]


@dataclass(frozen=True)
class Setup:
    """How the stage stands on the bench.

    Attributes
    ----------
    off : bool
        Power off, for an ohmmeter.
    load : float
        Ohm in place of the stage's own load; 0 keeps that.
    pair : float
        Hz of a reading that needs the other channel beside; 0 for a channel alone.
    meters : tuple of (node, node, ohm)
        Voltmeters that lie ready, all of them off.
    probes : tuple of Ready
        A.c. inputs that lie ready, all of them off.
    pairs : tuple of (str, str)
        Rails that are moved together as well, to tell how they add.
    """

    off: bool = False
    load: float = 0.0
    pair: float = 0.0
    meters: tuple[tuple[str, str, float], ...] = ()
    probes: tuple[Ready, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()

    @property
    def bench(self) -> Setup:
        """The same with nothing ready: instruments that are off disturb nothing."""
        return replace(self, meters=(), probes=(), pairs=())


@dataclass(frozen=True)
class Request:
    """Analyses on one setup, and how their results become values.

    Attributes
    ----------
    places : tuple of int
        Where the values belong in the list of readings.
    read : callable
        (stage, results) → one value a place, SI or dB as the registry says.
    """

    setup: Setup
    analyses: tuple[Analysis, ...]
    places: tuple[int, ...]
    read: Read


@dataclass(frozen=True)
class Experiment:
    """Readings under drive, or beside a signal.

    Attributes
    ----------
    load : float
        Ohm in place of the stage's own load; 0 keeps that.
    places : tuple of int
        Where the values belong in the list of readings.
    perform : callable
        stage → steps to one value a place, SI or dB as the registry says.
    swings : bool
        Whether it takes a transient run, in which a unit that swings by itself tells nothing.
    """

    load: float
    places: tuple[int, ...]
    perform: Callable[[Stage], Steps[Values]]
    swings: bool = True


@dataclass(frozen=True, eq=False)
class Plan:
    """Requests for a list of readings, grouped by the setup they share, and experiments.

    It fits every variant of a stage that keeps its ports, rails and stray nodes.

    Attributes
    ----------
    stage : Stage
        The one that it was made for.
    states : tuple of (State, places, Plan)
        Readings of the unit in other states, with a plan for the stage in that state.
    """

    stage: Stage
    readings: tuple[Reading, ...]
    groups: tuple[tuple[Setup, tuple[Request, ...]], ...]
    experiments: tuple[Experiment, ...] = ()
    states: tuple[tuple[State, tuple[int, ...], Plan], ...] = ()
