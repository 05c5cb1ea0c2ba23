"""Supplies on the bench: a rail's voltage, ripple and impedance from what stands behind it.

One cycle of the mains is run from charges of the capacitors that it leaves as it found them, which
Newton's method finds: a worn reservoir would take seconds to get there by itself. The e.m.f. of
the winding is found once for the supply as drawn, so that it gives the rail's voltage, and kept
for the faulty ones. Everything is remembered for the life of the process: faults of an amplifier
leave its supply alone, and pay for it once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from circuits import supply as drawn
from circuits.bench.analysis import (
    Bias,
    Floats,
    OperatingPoint,
    Response,
    SmallSignal,
    Transient,
    Waves,
)
from circuits.bench.engine import Engine
from circuits.errors import InputError, NoSolution
from circuits.identity import ByIdentity
from circuits.quantity import render
from circuits.spelling import node
from circuits.stage import Lines, Rail, Stage, Supply

HARMONICS = 10
"""Lines of the mains that are kept."""

_STEPS = 200
"""Time steps a cycle of the mains, at most as long as that."""
_LEAD = 0.01
"""Of a cycle: what passes before one is counted, in which the capacitors are set free."""
_OPTIONS = ("method=gear", "reltol=1e-6", "vntol=1e-8", "trtol=1e6")
_ROUNDS = 20
"""Steps of Newton's method until a cycle must have found its steady state."""
_NUDGE = 1e-3
"""Of the rail's voltage: by how much a charge is changed to see what a cycle makes of that."""
_SAME = 1e-5
"""Of the rail's voltage: a capacitor that Newton would move by less is where it stays."""
_ALIKE = 1e-4
"""Of the rail's voltage: what a cycle may leave changed after the last round."""
_IDLE = 1e-6
"""What changes by less over a cycle, relative to what changes most, takes no part."""
_TRIES = 8
"""Steady states that the search for a winding's e.m.f. may take, by secants."""
_CLOSE = 2e-4
"""Of the voltage that is aimed at: how near to it the winding's e.m.f. brings the supply."""
_MISSES = 0.1
"""A drawn supply may miss the voltage of its rail by so much."""
_AUDIO = 1e3
"""Hz at which the impedance of a rail is told: the middle of the audio band."""
_FUSE = 10.0
"""Times the healthy RMS current of the winding at which its fuse goes, sooner or later (judgement:
fuses are chosen at two to four times the working current, and a technician will not wait)."""


@dataclass(frozen=True)
class SupplyState:
    """What a supply gives.

    Attributes
    ----------
    volts : float
        Direct voltage of the rail, V.
    swing : float
        Ripple of the rail, V peak to peak.
    ripple : lines
        V RMS at the mains frequency and its multiples.
    impedance : float
        Of the rail at 1 kHz, ohm.
    reservoir : float
        Direct voltage before filter and regulator, V.
    winding : float
        Current of the winding, A RMS; what it was when the fuse was still whole.
    blown : bool
        Whether the fuse has gone, and nothing is left at the rail.
    rectified : float
        Mean current of the rectifier, A.
    """

    volts: float
    swing: float
    ripple: Lines
    impedance: float
    reservoir: float
    winding: float
    blown: bool = False
    rectified: float = 0.0


def resolved(stage: Stage) -> Stage:
    """The stage with every supply replaced by what it gives.

    Raises
    ------
    InputError
        For a supply that as drawn misses the voltage of its rail.
    NoSolution
        When the simulator finds no steady state.
    """
    if all(rail.supply is None for rail in stage.rails):
        return stage
    return replace(stage, rails=given(stage.rails, stage.mains))


def _all_given(rails: tuple[Rail, ...], mains: float) -> tuple[Rail, ...]:
    return tuple(_given(rail, mains) for rail in rails)


given = ByIdentity(_all_given, 2_000)
"""Rails with every supply replaced by what it gives at mains of so many Hz; raises as `resolved`.

Most variants of a stage have the very same rails, and get the same.
"""


def state(rail: Rail, mains: float) -> SupplyState:
    """What the supply of a rail gives; volts are positive for a negative rail as well.

    Parameters
    ----------
    rail : Rail
        With a supply.
    mains : float
        Hz.

    Raises
    ------
    InputError, NoSolution
        As `resolved`.
    """
    assert rail.supply is not None
    anonymous = replace(rail.supply, name="", transformer="")
    try:
        return _state(anonymous, abs(rail.volts), mains)
    except _Missed as missed:
        raise InputError(
            f"the supply of {rail.name} gives {render(missed.found, 'V')} when healthy, and the "
            f"rail is said to have {render(abs(rail.volts), 'V')}",
            expected="another winding, regulator or volts",
        ) from None


def _given(rail: Rail, mains: float) -> Rail:
    if rail.supply is None:
        return rail
    supply_state = state(rail, mains)
    return Rail(
        rail.name,
        math.copysign(supply_state.volts, rail.volts),
        supply_state.ripple,
        rail.resistance,
        impedance=supply_state.impedance,
    )


class _Missed(Exception):
    def __init__(self, found: float) -> None:
        super().__init__(found)
        self.found = found


def _state(supply: Supply, volts: float, mains: float) -> SupplyState:
    healthy = replace(supply, parts=supply.design, mains=1.0)
    peak = winding_peak(healthy, volts, mains)
    steady = settled(supply, volts, peak, mains)
    if steady.winding > _FUSE * settled(healthy, volts, peak, mains).winding:
        dead = tuple((frequency, 0.0) for frequency, _ in steady.ripple)
        return replace(steady, volts=0.0, swing=0.0, ripple=dead, reservoir=0.0, blown=True)
    return steady


@lru_cache(maxsize=64)
def winding_peak(healthy: Supply, volts: float, mains: float) -> float:
    """Peak e.m.f. of the winding, or of each half of it, V.

    By secants until the reservoir of the healthy supply has the voltage that it was drawn for.

    Parameters
    ----------
    volts : float
        Of the rail, positive.
    mains : float
        Hz.
    """
    stated = math.sqrt(2.0) * healthy.winding
    peak = stated or _chosen(healthy, volts, mains)
    if healthy.winding or healthy.input:
        volts_at = settled(healthy, volts, peak, mains).volts
        if abs(volts_at - volts) > _MISSES * volts:
            raise _Missed(volts_at)
    return peak


def _chosen(healthy: Supply, volts: float, mains: float) -> float:
    wanted = healthy.input or volts
    ohms = healthy.part(drawn.TRANSFORMER).value or 0.0
    # pulses of some four times the mean current, and a diode or two
    first = wanted + 4.0 * ohms * drawn.current(healthy) + 1.0
    peaks = [first, 1.02 * first]
    errors = [_aim(healthy, volts, peak, mains) - wanted for peak in peaks]
    for _ in range(_TRIES):
        if abs(errors[-1]) < _CLOSE * wanted:
            return peaks[-1]
        slope = (errors[-1] - errors[-2]) / (peaks[-1] - peaks[-2])
        peaks.append(max(peaks[-1] - errors[-1] / slope, 0.5 * peaks[-1]))
        errors.append(_aim(healthy, volts, peaks[-1], mains) - wanted)
    raise NoSolution(f"no winding gives {wanted:g} V")


def _aim(healthy: Supply, volts: float, peak: float, mains: float) -> float:
    steady = settled(healthy, volts, peak, mains)
    return steady.reservoir if healthy.input else steady.volts


@lru_cache(maxsize=512)
def settled(
    supply: Supply, volts: float, peak: float, mains: float, fed: float = 0.0
) -> SupplyState:
    """The steady state of a supply on a winding of that peak e.m.f., whatever its fuse says.

    Parameters
    ----------
    volts : float
        Of the rail as drawn, positive.
    peak : float
        V, as `winding_peak`.
    mains : float
        Hz.
    fed : float
        A that flow into the reservoir besides.
    """
    ohms = supply.part(drawn.TRANSFORMER).value or 0.0
    drop = 0.8 * (2 if supply.rectifier == "bridge" else 1) + ohms * drawn.current(supply)
    start = min((supply.input or volts) + drop, peak)
    run = _Cycles(supply, volts, peak, mains, fed)
    _find(run, run.rest(start), volts, 1.2 * peak)
    end = float(run.waves.time[-1])
    one = cycle(run.waves.time, run.waves.nodes, end, 1.0 / mains)
    flow = cycle(run.waves.time, run.waves.branches**2, end, 1.0 / mains)
    pulses = cycle(run.waves.time, np.abs(run.waves.branches), end, 1.0 / mains)
    return SupplyState(
        volts=float(one.mean[0]),
        swing=float(np.ptp(one.values[:, 0])),
        ripple=lines(one, mains),
        impedance=run.impedance,
        reservoir=float(one.mean[1]),
        winding=math.sqrt(float(flow.mean[0])),
        rectified=float(pulses.mean.sum()),
    )


def _find(run: _Cycles, charges: Floats, volts: float, most: float) -> None:
    """Leave `run` at the charges that a cycle does not change.

    Newton's method; its matrix is measured once, and anew when it has led astray, and learns from
    every step in between (Broyden's rule).
    """
    change = run.once(charges)
    matrix = _measured(run, charges, change, volts)
    for _ in range(_ROUNDS):
        # a capacitor behind an open joint, or two side by side, leave directions that do not matter
        step = np.linalg.lstsq(matrix, -change, rcond=_IDLE)[0]
        step = np.clip(charges + step, -volts, most) - charges
        charges = charges + step
        before, change = change, run.once(charges)
        if np.all(np.abs(step) < _SAME * volts):
            return
        if np.linalg.norm(change) > 0.5 * np.linalg.norm(before):
            matrix = _measured(run, charges, change, volts)
        else:
            matrix = matrix + np.outer(change - before - matrix @ step, step) / (step @ step)
    if np.any(np.abs(run.once(charges)) > _ALIKE * volts):
        raise NoSolution("no steady state of a supply was found")


def _measured(run: _Cycles, charges: Floats, change: Floats, volts: float) -> Floats:
    """How the change over a cycle depends on each charge, (n, n)."""
    matrix = np.empty((len(charges), len(charges)))
    for k in range(len(charges)):
        nudge = np.zeros(len(charges))
        nudge[k] = -_NUDGE * volts
        matrix[:, k] = (run.once(charges + nudge) - change) / nudge[k]
    return matrix


class _Cycles:
    """Runs of one cycle of a supply, each from given charges of its capacitors (V across them)."""

    def __init__(
        self, supply: Supply, volts: float, peak: float, mains: float, fed: float = 0.0
    ) -> None:
        self._drawn = (supply, volts, peak, mains)
        self._fed = fed
        self._halves = drawn.halves(supply)
        self._capacitors = drawn.capacitors(drawn.circuit(*self._drawn))
        self._rail = node(drawn.output(supply))
        self.impedance = 0.0

    def rest(self, emf: float) -> Floats:
        """The charges (n,) at a steady e.m.f., near those that will stay; sets `impedance`."""
        ends = tuple(n for pair in self._capacitors.values() for n in pair)
        bias, response = Engine().run(
            drawn.circuit(*self._drawn, emf),
            [OperatingPoint(ends), SmallSignal(drawn.PROBE, (_AUDIO,), (self._rail,))],
        )
        assert isinstance(bias, Bias)
        assert isinstance(response, Response)
        self.impedance = float(np.clip(abs(response.nodes[0, 0]), 1e-3, 1e5))
        return np.asarray(bias.nodes[0::2] - bias.nodes[1::2])

    def once(self, charges: Floats) -> Floats:
        """By how much a cycle changes the charges (n,) that a run begins with; sets `waves`."""
        held = dict(zip(self._capacitors, charges.tolist(), strict=True))
        net = drawn.circuit(*self._drawn, charges=held, fed=self._fed)
        ends = tuple(n for pair in drawn.capacitors(net).values() for n in pair)
        period = 1.0 / self._drawn[3]
        run = Transient(
            nodes=(self._rail, node(drawn.RAW), *ends),
            stop=(1.0 + _LEAD) * period,
            step=period / _STEPS,
            options=_OPTIONS,
            branches=self._halves,
        )
        (waves,) = Engine().run(net, [run])
        assert isinstance(waves, Waves)
        across = waves.nodes[:, 2::2] - waves.nodes[:, 3::2]
        self.waves = Waves(waves.time, waves.nodes[:, :2], waves.branches)
        lead = float(waves.time[-1]) - period
        before = np.array([np.interp(lead, waves.time, column) for column in across.T])
        return np.asarray(across[-1] - before)


@dataclass(frozen=True, eq=False)
class Cycle:
    """One cycle: time (t,), values (t, n) and their means (n,)."""

    time: Floats
    values: Floats
    mean: Floats


def cycle(time: Floats, values: Floats, end: float, period: float) -> Cycle:
    """The cycle that ends at `end`, cut by straight lines between samples.

    Parameters
    ----------
    time : (t,) array
        s, rising, unevenly spaced.
    values : (t, n) array
        n waveforms at these times.
    end, period : float
        s.
    """
    first = max(end - period, float(time[0]))
    inner = (time > first) & (time < end)
    edges = [[np.interp(at, time, column) for column in values.T] for at in (first, end)]
    cut_time = np.concatenate([[first], time[inner], [end]])
    cut = np.concatenate([edges[:1], values[inner], edges[1:]])
    return Cycle(cut_time, cut, _mean(cut_time, cut))


def _mean(time: Floats, values: Floats) -> Floats:
    step = np.diff(time)[:, None]
    area = (step * (values[1:] + values[:-1]) / 2.0).sum(axis=0)
    return np.asarray(area / (time[-1] - time[0]))


def lines(one: Cycle, mains: float) -> Lines:
    """The lines of the first column of a cycle, V RMS at the mains frequency and its multiples."""
    orders = np.arange(1, HARMONICS + 1)
    alternating = one.values[:, :1] - one.mean[0]
    turning = np.exp(-2j * np.pi * mains * np.outer(one.time, orders))
    product = alternating * turning
    amplitude = _mean(one.time, product.real) + 1j * _mean(one.time, product.imag)
    levels = math.sqrt(2.0) * np.abs(amplitude)
    return tuple((float(k * mains), float(v)) for k, v in zip(orders, levels, strict=True))
