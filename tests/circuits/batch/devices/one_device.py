"""One device between sources and resistors, solved by its laws here and by plain ngspice.

The solver here is Newton's method on the terminals of one device in many units, one unit a set of
source voltages; it knows nothing of the engine.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from types import ModuleType

import numpy as np

from circuits.batch.devices.card import card
from circuits.batch.devices.constants import BOLTZMANN, GMIN, KELVIN
from circuits.bench.analysis import NoiseSpectrum, OperatingPoint, SmallSignal
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element, Model

CURRENT, ADMITTANCE, NOISE = 1e-6, 1e-6, 1e-5
"""Relative differences from ngspice that are allowed."""
TIGHT = ("reltol=1e-7", "abstol=1e-15", "vntol=1e-10", "itl1=1000")
"""Options under which the error of ngspice, whose last step is a quadratic one, is far below that.

Tighter ones fail now and then, and the engine then adds a shunt at every node."""


_COUNT = itertools.count()


@dataclass(frozen=True)
class Rig:
    """A device whose `ends` each hang on a source behind `ohms`; other outer pins are ground."""

    module: ModuleType
    letter: str
    model: Model
    ends: tuple[str, ...]
    ohms: tuple[float, ...]
    instance: str = ""
    pins: tuple[str, ...] = ()
    """Terminals in SPICE's order, where a terminal stands twice or is not a source's."""
    options: tuple[str, ...] = TIGHT

    def circuit(self, volts: np.ndarray) -> Circuit:
        """The circuit for one set of source voltages."""
        elements = []
        for end, ohms, v in zip(self.ends, self.ohms, volts, strict=True):
            elements.append(Element(f"V{end}", (f"x{end}", "0"), float(v)))
            elements.append(Element(f"R{end}", (f"x{end}", f"n{end}"), ohms))
        if "area" in self.instance and " m=" in self.instance:
            # what ngspice 39 makes of a diode with both is right in a fresh circuit alone
            elements.append(Element(f"Rfresh_{next(_COUNT)}", ("fresh", "0"), 1.0))
        nodes = tuple(f"n{end}" for end in (self.pins or self.ends))
        text = f"{self.model.name} {self.instance}".strip()
        elements.append(Element(f"{self.letter}1", nodes, None, text))
        return Circuit(tuple(elements), (self.model,), self.options)

    def ngspice(self, volts, *analyses):
        """What ngspice answers, one list of answers a set of voltages."""
        return [Engine().run(self.circuit(v), analyses) for v in volts]

    def currents(self, volts: np.ndarray) -> np.ndarray:
        """Currents into the ends by ngspice, A (u, ends)."""
        wanted = OperatingPoint((), tuple(f"V{end}" for end in self.ends))
        return np.array([-a[0].branches for a in self.ngspice(volts, wanted)])

    def responses(self, volts, drive: str, frequencies) -> np.ndarray:
        """Voltages of the ends (u, f, ends) by ngspice for 1 V of a.c. from one source."""
        nodes = tuple(f"n{end}" for end in self.ends)
        wanted = SmallSignal(f"V{drive}", tuple(frequencies), nodes)
        return np.array([a[0].nodes for a in self.ngspice(volts, wanted)])

    def noise(self, volts, output: str, frequencies) -> np.ndarray:
        """Density of noise (u, f), V per root hertz, at one end by ngspice."""
        wanted = NoiseSpectrum(f"n{output}", f"V{self.ends[0]}", tuple(frequencies))
        return np.array([a[0].density for a in self.ngspice(volts, wanted)])


class Solved:
    """The same by the laws of a batch: u units of one device."""

    def __init__(
        self, rig: Rig, volts: np.ndarray, reltol: float = 1e-7, gmin: float = GMIN
    ) -> None:
        self.rig, self.module, self.volts = rig, rig.module, np.asarray(volts, float)
        self.gmin = gmin
        own = card(rig.model, rig.instance)
        assert not self.module.unsupported(own), self.module.unsupported(own)
        cards = [[own] * len(volts)]
        fits = {"reltol": reltol} if hasattr(self.module, "RELTOL") else {}
        self.p = self.module.parameters(cards, **fits)
        merged = dict(self.module.collapsed(own))
        ends = rig.ends
        names = [*ends, *(t for t in self.module.TERMINALS if t not in ends and t not in merged)]
        tied = dict(zip(self.module.OUTER, rig.pins, strict=False)) if rig.pins else {}
        names = [n for n in names if n in ends or n not in self.module.OUTER]
        at = {name: k for k, name in enumerate(names)}
        self.names, self.free = names, len(names)

        def place(terminal: str) -> int:
            terminal = merged.get(terminal, terminal)
            terminal = tied.get(terminal, terminal)
            return at.get(terminal, self.free)

        self.terminal = [place(t) for t in self.module.TERMINALS]
        self.spread = np.zeros((self.free + 1, len(self.module.TERMINALS)))
        for k, row in enumerate(self.terminal):
            self.spread[row, k] = 1.0
        self.incidence = np.zeros((len(self.module.BRANCHES), self.free + 1))
        for k, (first, second) in enumerate(self.module.BRANCHES):
            self.incidence[k, place(first)] += 1.0
            self.incidence[k, place(second)] -= 1.0
        self.incidence = self.incidence[:, : self.free]
        self.spread = self.spread[: self.free]
        self.siemens = np.zeros(self.free)
        self.siemens[: len(ends)] = 1.0 / np.array(rig.ohms)
        self.sources = np.zeros((len(volts), self.free))
        self.sources[:, : len(ends)] = self.volts
        self.x, self.v = self._bias()

    def _bias(self):
        x = self.module.start(self.p)
        v = np.zeros((len(self.volts), self.free))
        for _ in range(400):
            i, g = self.module.evaluate(self.p, x, self.gmin)
            flow = np.einsum("nt,tdu->un", self.spread, i)
            own = np.einsum("nt,tkdu->unk", self.spread, g)
            jacobian = own @ self.incidence + np.diag(self.siemens)
            linear = np.einsum("unk,ku->un", own, x[:, 0])
            right = self.siemens * self.sources - flow + linear
            new = np.linalg.solve(jacobian, right[..., None])[..., 0]
            wanted = np.einsum("kn,un->ku", self.incidence, new)[:, None]
            taken, cut = self.module.limit(self.p, wanted, x)
            moved = np.abs(new - v).max()
            v, x = new, taken
            if not cut.any() and moved < 2e-12:
                break
        else:
            raise AssertionError(f"no bias: {moved}")
        return wanted, v

    def currents(self) -> np.ndarray:
        n = len(self.rig.ends)
        i, _ = self.module.evaluate(self.p, self.x, self.gmin)
        return np.einsum("nt,tdu->un", self.spread, i)[:, :n]

    def _matrix(self, frequencies) -> np.ndarray:
        g, c = self.module.small_signal(self.p, self.x, self.gmin)
        omega = 2j * np.pi * np.asarray(frequencies)
        whole = g[None] + omega[:, None, None, None, None] * c[None]
        return np.einsum("nt,ftkdu->ufnk", self.spread, whole) @ self.incidence + np.diag(
            self.siemens
        )

    def responses(self, drive: str, frequencies) -> np.ndarray:
        right = np.zeros(self.free)
        at = self.names.index(drive)
        right[at] = self.siemens[at]
        matrix = self._matrix(frequencies)
        answer = np.linalg.solve(matrix, np.broadcast_to(right[:, None], (*matrix.shape[:-1], 1)))
        return answer[..., : len(self.rig.ends), 0]

    def noise(self, output: str, frequencies) -> np.ndarray:
        """Density (u, f) at one end, V per root hertz, resistors included."""
        matrix = self._matrix(frequencies).swapaxes(-1, -2)
        right = np.zeros((*matrix.shape[:-1], 1))
        right[..., self.names.index(output), 0] = 1.0
        way = np.linalg.solve(matrix, right)[..., 0]
        way = np.concatenate([way, np.zeros((*way.shape[:-1], 1))], -1)
        squares = (np.abs(way[..., :-1]) ** 2 * 4.0 * BOLTZMANN * KELVIN * self.siemens).sum(-1)
        f = np.asarray(frequencies)
        for source in self.module.noise(self.p, self.x):
            a, b = (self.terminal[self.module.TERMINALS.index(t)] for t in (source.a, source.b))
            size = source.white[0][:, None] + source.flicker[0][:, None] / f ** source.slope[0][
                :, None
            ]
            squares = squares + np.abs(way[..., a] - way[..., b]) ** 2 * size
        return np.sqrt(squares)


def agree_static(rig: Rig, volts: np.ndarray) -> None:
    """Direct currents of every end as ngspice has them, to 1e-6 and 10 fA.

    Beyond that only what a solution in double precision loses, of the largest conductance.
    """
    theirs, own = rig.currents(volts), Solved(rig, volts).currents()
    figures = card(rig.model, rig.instance)
    ohms = [figures[k] for k in ("RB", "RC", "RE", "RS", "RD") if figures.get(k)]
    siemens = max(1.0 / o for o in (*ohms, *rig.ohms)) * figures.get("AREA", 1.0)
    lost = 4e-16 * siemens * figures.get("MANY", 1.0) * np.abs(volts).max()
    np.testing.assert_allclose(own, theirs, rtol=CURRENT, atol=1e-14 + lost)


def agree_small_signal(rig: Rig, volts: np.ndarray, frequencies=(1e3, 1e6, 1e8)) -> None:
    """What arrives at each end of a volt behind each, as in ngspice, in size and phase."""
    solved = Solved(rig, volts)
    for drive in rig.ends:
        theirs, own = rig.responses(volts, drive, frequencies), solved.responses(drive, frequencies)
        np.testing.assert_allclose(own, theirs, rtol=ADMITTANCE, atol=1e-12)


def agree_noise(rig: Rig, volts: np.ndarray, frequencies=(10.0, 1e3, 1e6)) -> None:
    """Noise at every end as in ngspice."""
    solved = Solved(rig, volts)
    for output in rig.ends:
        theirs, own = rig.noise(volts, output, frequencies), solved.noise(output, frequencies)
        np.testing.assert_allclose(own, theirs, rtol=NOISE)


def agree(rig: Rig, volts: np.ndarray) -> None:
    """All three; the dearer ones at some of the voltages."""
    agree_static(rig, volts)
    agree_small_signal(rig, volts[::3])
    agree_noise(rig, volts[::5])


def slopes_agree(module: ModuleType, law, p, x: np.ndarray, step: float = 1e-6) -> None:
    """Derivatives against central differences of what they are derivatives of."""
    value, slope = law(p, x)
    scale = np.abs(value).max(axis=(0, -2), keepdims=True) + 1e-30
    for k in range(len(module.BRANCHES)):
        aside = np.zeros_like(x)
        aside[k] = step
        found = (law(p, x + aside)[0] - law(p, x - aside)[0]) / (2.0 * step)
        np.testing.assert_allclose(
            slope[:, k], found, rtol=2e-5, atol=float(scale.max()) * 1e-9 / step * 1e-3,
            err_msg=str(module.BRANCHES[k]),
        )


def outside_pattern(slope: np.ndarray, pattern) -> np.ndarray:
    """Derivatives that a pattern says are zero."""
    rest = np.ones(slope.shape[:2], dtype=bool)
    for row, column in pattern:
        rest[row, column] = False
    return slope[rest]
