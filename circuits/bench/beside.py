"""Noise beside a signal: what a unit makes while it works, the signal itself notched out.

The excess noise of resistors, contacts and junctions (`circuits.excess`) grows with the voltage
across them. It is told by a quasi-stationary average: what is across a part follows from the
operating point and from the linear response at 1 kHz, at a number of phases of the output's swing;
the powers that the part would make at each of them are averaged, and arrive at the output as a
current beside the part does at rest. This leaves out, on purpose, what costs a transient run: the
swing of a part that works in class B is taken for a sine, what a bias that moves does to gain and
to the noise of transistors, and that the noise of an alternating current lies about the lines of
that and not from 0 Hz on (about 1 dB less within the audio band, once these are notched out).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits import excess
from circuits.bench.analysis import (
    Bias,
    Floats,
    NoiseDensity,
    NoiseSpectrum,
    OperatingPoint,
    Response,
    SmallSignal,
)
from circuits.bench.driven import swing
from circuits.bench.probed import on
from circuits.bench.small_signal import SILENCE
from circuits.bench.steps import Steps, ask
from circuits.elements import built
from circuits.identity import ByIdentity
from circuits.macromodels import BOLTZMANN, KELVIN
from circuits.moving import GENERATOR
from circuits.netlist import circuit
from circuits.ready import Ready
from circuits.spelling import node
from circuits.stage import Part, Stage

_TONE = 1000.0
"""Hz of the signal."""
_MOST_DRIVE = 30.0
"""V RMS; no bench generator goes further (judgement)."""
_PHASES = np.pi * (np.arange(48) + 0.5) / 48
"""Of half a period, rad: the other half goes the same way back."""


@dataclass(frozen=True)
class Source:
    """A resistance that makes excess noise.

    Attributes
    ----------
    name : str
        Of the element.
    nodes : tuple of str
        That it lies between.
    """

    part: Part
    name: str
    nodes: tuple[str, ...]
    ohms: float


def sources(stage: Stage) -> list[Source]:
    """Everything in a stage that makes excess noise."""
    return [
        Source(part, element.name, element.nodes, element.value)
        for part in stage.parts
        if excess.index(part) is not None or excess.of_junction(part)
        for element in _elements(part)
        if element.value is not None
    ]


_elements = ByIdentity(lambda part: tuple(built((part,))[0]))


@dataclass(frozen=True, eq=False)
class Heard:
    """What one run tells of the noise at a node, whatever the level.

    Attributes
    ----------
    density : (f,) array
        At rest and without what junctions add, V/√Hz.
    across, moving : (n,) arrays
        V across every source at rest, and complex what a volt of the generator adds to it.
    ways : (f, n) array
        What a current beside each source arrives as, ohm².
    gain : float
        From the generator to the output.
    most : float
        V: what no swing goes beyond, the span of all rails.
    """

    frequencies: Floats
    density: Floats
    sources: tuple[Source, ...]
    across: Floats
    moving: np.ndarray[tuple[int], np.dtype[np.complex128]]
    ways: Floats
    gain: float
    most: float

    def beside(self, volts: float = 0.0) -> Floats:
        """Density beside a signal, V/√Hz (f,).

        Parameters
        ----------
        volts : float
            RMS of the signal at the output; 0 for none.
        """
        crest = math.sqrt(2.0) * min(volts / self.gain, _MOST_DRIVE)
        power = self.density**2
        for k, source in enumerate(self.sources):
            # what the index makes at rest is in the density already: ngspice knows it
            if not crest and not excess.of_junction(source.part):
                continue
            rest = self.across[k : k + 1]
            size = min(crest * abs(self.moving[k]), self.most)
            along = rest + size * np.cos(_PHASES) if crest else rest
            part, ohms = source.part, source.ohms
            falling = excess.falling(part, ohms, along).mean() - excess.indexed(part, ohms, rest)[0]
            white = excess.white(part, ohms, along).mean()
            power = power + self.ways[:, k] * (white + falling / self.frequencies)
        return np.asarray(np.sqrt(power))


def listen(
    stage: Stage,
    point: str,
    frequencies: Sequence[float],
    load: float = 0.0,
    by: tuple[Ready, ...] = (),
) -> Steps[Heard]:
    """One run of noise, with the operating point and the response of the parts that are noisy.

    Parameters
    ----------
    point : str
        The node that is listened to.
    frequencies : sequence of float
        Hz, rising.
    load : float
        Ohm in place of the stage's own; 0 keeps that.
    by : tuple of Ready
        The a.c. input that it is listened to by.
    """
    noisy = sources(stage)
    nodes = tuple(dict.fromkeys([node(stage.output), *(n for one in noisy for n in one.nodes)]))
    names = tuple(one.name for one in noisy)
    noise, bias, response = yield from ask(circuit(stage, load, probes=by), [
        NoiseSpectrum(node(point), GENERATOR, tuple(frequencies), names, smooth=True,
                      probes=tuple(map(on, by))),
        OperatingPoint(nodes),
        SmallSignal(GENERATOR, (_TONE,), nodes, ()),
    ])
    assert isinstance(noise, NoiseDensity)
    assert isinstance(bias, Bias)
    assert isinstance(response, Response)
    rest = dict(zip(nodes, bias.nodes, strict=True))
    moved = dict(zip(nodes, response.nodes[0], strict=True))
    ends = [(one.nodes[0], one.nodes[1]) for one in noisy]
    thermal = np.array([4.0 * BOLTZMANN * KELVIN / one.ohms for one in noisy])
    return Heard(
        frequencies=np.asarray(frequencies, dtype=float),
        density=noise.density,
        sources=tuple(noisy),
        across=np.array([rest[a] - rest[b] for a, b in ends]),
        moving=np.array([moved[a] - moved[b] for a, b in ends], dtype=np.complex128),
        ways=noise.shares**2 / thermal,
        gain=math.hypot(abs(moved[node(stage.output)]), SILENCE),
        most=2.0 * swing(stage) or math.inf,
    )
