"""What is asked of the simulator and what it answers, as frozen data.

An analysis says which vectors are wanted of a `circuits.circuit.Circuit`; the answer holds those
and no more. Everything is in SI units.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Complexes: TypeAlias = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """The DC solution at some nodes (V) and through some branches (A).

    A branch is the name of a voltage source or inductor; its current counts as ngspice's does,
    positive into the first node and through the element: a source that delivers reads negative.
    `terminals` are currents of devices, each an element and a terminal in ngspice's words, such as
    ``("Q_q1", "ic")``; they flow into the device.
    """

    nodes: tuple[str, ...] = ()
    branches: tuple[str, ...] = ()
    terminals: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Loaded:
    """An a.c. input of the circuit that is on during an analysis.

    A resistor behind a coupling capacitor, and a capacitor beside both, which idle at `PROBE_OFF`
    farad (`circuits.netlist`). Their models switch all inputs on that share them.

    Attributes
    ----------
    at : str
        Its node.
    coupling, capacitor : str
        The two capacitors.
    models : tuple of str
        Of the one and the other.
    ohms, farads : float
    """

    at: str
    coupling: str
    capacitor: str
    models: tuple[str, str]
    ohms: float
    farads: float


@dataclass(frozen=True, slots=True)
class SmallSignal:
    """The linear response to 1 V or 1 A of AC from source `drive`, at `frequencies` in Hz."""

    drive: str
    frequencies: tuple[float, ...]
    nodes: tuple[str, ...] = ()
    branches: tuple[str, ...] = ()
    probes: tuple[Loaded, ...] = ()


@dataclass(frozen=True, slots=True)
class NoiseSpectrum:
    """The noise density at node `output`; `source` is any V or I source (ngspice wants one).

    `resistors` names elements whose thermal share of it is wanted as well. ngspice solves the
    adjoint network once for all sources of noise, so this also tells, for the price of one run, how
    an e.m.f. in series with each of them (or a current beside it) arrives at the output. Shares are
    told at each frequency by itself unless they are `smooth`, and one sweep does.
    """

    output: str
    source: str
    frequencies: tuple[float, ...]
    resistors: tuple[str, ...] = ()
    smooth: bool = False
    probes: tuple[Loaded, ...] = ()


@dataclass(frozen=True, slots=True)
class Transient:
    """The waveforms from `start` to `stop` (s), with no step longer than `step`.

    `options` are laid over those of the circuit for this run alone.
    """

    nodes: tuple[str, ...]
    stop: float
    step: float
    start: float = 0.0
    options: tuple[str, ...] = ()
    branches: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Periodic:
    """The steady state under one tone, under two that need have no period in common, or many.

    In the circuit the source that drives is still. Who answers by a transient run of it goes by
    `run`, and answers with `Waves`; who finds the steady state itself answers with a `Cycle`.

    Attributes
    ----------
    source : str
        The voltage source that drives: Σ crest · cos(2πft).
    frequencies : tuple of float
        Hz, one or two; more where they have a `base`.
    crests : tuple of float
        V, of each tone.
    run : Transient
        Of the same nodes and branches.
    start : tuple of (str, float)
        Rails that a run starts from other volts than their own, and these.
    near : Cycle, optional
        The steady state of the same unit under nearly the same drive: where to begin.
    base : float
        Hz, of which many tones are whole multiples; 0 for one or two.
    """

    source: str
    frequencies: tuple[float, ...]
    crests: tuple[float, ...]
    run: Transient
    start: tuple[tuple[str, float], ...] = ()
    near: Cycle | None = field(default=None, compare=False)
    base: float = 0.0


@dataclass(frozen=True, slots=True)
class Poles:
    """Whether a circuit swings by itself.

    Who answers by a transient run of it, after a step of the source from zero, goes by `run` and
    answers with `Waves`; who knows the poles of the circuit at rest answers with `Modes`.

    Attributes
    ----------
    source : str
        The voltage source that steps.
    step : float
        V.
    run : Transient
    band : tuple of float
        Hz, of oscillations that are looked for.
    """

    source: str
    step: float
    run: Transient
    band: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Voltmeter:
    """A resistor of the circuit that stands for a meter, and its model.

    It idles at many ohms; `ohms` is what it has while the meter is on. The model, which meters of
    the same ohms share, switches them on together. `at` and `origin` are the two nodes.
    """

    resistor: str
    model: str
    at: str
    origin: str
    ohms: float


@dataclass(frozen=True, slots=True, eq=False)
class Metered:
    """The DC solution with one voltmeter after another put into the circuit.

    `impedances` are those of a circuit like it, by which meters that matter as little, or as
    simply, as there need no solution of their own; without, each meter has one.
    """

    meters: tuple[Voltmeter, ...]
    impedances: Floats | None = None


@dataclass(frozen=True, slots=True)
class Ohmmeter:
    """What an ohmmeter meets between the two nodes of one pair after another.

    The circuit has its power off and no meter in it. `volts` in series with `ohms` drive the first
    node of a pair against the second.
    """

    pairs: tuple[tuple[str, str], ...]
    volts: float
    ohms: float


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """The response to `drive` at one node after another, with the a.c. input there on alone.

    `impedances` (f, n, n), ohm, are those of a circuit like it, by which inputs that matter as
    there need no sweep of their own; without, each input has one.
    """

    drive: str
    frequencies: tuple[float, ...]
    inputs: tuple[Loaded, ...]
    impedances: Complexes | None = None


Analysis: TypeAlias = (
    OperatingPoint | SmallSignal | NoiseSpectrum | Transient | Periodic | Poles | Metered | Ohmmeter
    | Inputs
)


@dataclass(frozen=True, slots=True, eq=False)
class Bias:
    """Answer to `OperatingPoint`: nodes (n,) in V, branches (m,) in A, in the order asked.

    The currents of the terminals, (t,) in A, likewise.
    """

    nodes: Floats
    branches: Floats
    terminals: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """Answer to `SmallSignal`: frequencies (f,), nodes (f, n) and branches (f, m), complex."""

    frequencies: Floats
    nodes: Complexes
    branches: Complexes


@dataclass(frozen=True, slots=True, eq=False)
class NoiseDensity:
    """Answer to `NoiseSpectrum`: frequencies (f,), density (f,) in V/√Hz, and shares (f, n)."""

    frequencies: Floats
    density: Floats
    shares: Floats = field(default_factory=lambda: np.zeros((0, 0)))


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """Answer to `Transient`: time (t,), unevenly spaced; nodes (t, n); branches (t, m)."""

    time: Floats
    nodes: Floats
    branches: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """Answer to `Periodic`: the steady state.

    Attributes
    ----------
    frequencies : (f,) array
        Hz, of its lines, the first of which is zero.
    lines : (f, n) complex array
        Of the nodes, V peak; phases count from a common crest of the tones.
    nodes, branches : (s, n), (s, m) arrays
        At moments that are spread evenly over all phases of the tones, V and A.
    resting : (m,) array
        Of the branches without the drive, A.
    state : object
        What whoever found it may begin with the next time.
    """

    frequencies: Floats
    lines: Complexes
    nodes: Floats
    branches: Floats
    resting: Floats
    state: object = None


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Answer to `Poles`: those in the band with a positive frequency, 1/s, what grows first."""

    poles: Complexes


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """Answer to `Metered`: what each meter shows, (n,) V; see `circuits.bench.metered`.

    `impedances` (n, n): how far the meter of a column moves what stands at that of a row, in V for
    each ampere that it draws.
    """

    volts: Floats
    impedances: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Through:
    """Answer to `Ohmmeter`: what each pair has across it, (p,) V, and lets through, (p,) A.

    No numbers where no solution was found.
    """

    volts: Floats
    amps: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Answer to `Inputs`: what each shows, (f, n) complex; see `circuits.bench.probed`.

    `impedances` (f, n, n): how far the input of a column pulls down the node of a row, in V for
    each ampere that it draws.
    """

    volts: Complexes
    impedances: Complexes


Answer: TypeAlias = (
    Bias | Response | NoiseDensity | Waves | Cycle | Modes | Shown | Through | Shares
)
Results: TypeAlias = tuple[Answer, ...]
