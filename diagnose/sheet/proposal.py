"""Which readings a blank sheet proposes for a stage.

The list is what a technician takes anyway: voltages at every test point, supply currents, ripple,
gain, the shape of the response, impedances at both ends, hum lines and noise; distortion on the
sheet as well. Of a supply the list leaves out what belongs to a signal.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from circuits.hazards import drives_loudspeaker
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import GROUND, Stage
from diagnose.sheet.drops import drops
from faultlib.simulate import Bench, Variant

Proposed = tuple[Reading, str]
"""A reading and what the sheet says beside it."""

SHAPE_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 2e3, 5e3, 10e3, 15e3, 20e3)
"""Where the shape of the response is read, relative to 1 kHz."""
MIDDLE_HZ = 1000.0
"""Where a single frequency is asked for: the usual reference of audio."""
HUM_LINES = (1, 2, 3, 4)
"""Multiples of the mains frequency."""
RIPPLE_LINES = (1, 2)
"""Those that tell a half-wave from a full-wave rectifier."""

_RIAA_HZ = (50.0, 100.0, 500.0, 5e3, 10e3)
"""Where a stage is held against the replay curve, relative to
1 kHz: both of its slopes, well inside the audio band."""
_RIAA_DB = 3.0
"""How far a stage may miss that curve and still be meant for it (judgement)."""
_STANDING_V = 1.0
"""More than the offset of any stage that is coupled directly (judgement)."""


def propose(stage: Stage, bench: Bench) -> tuple[Proposed, ...]:
    """The readings of a blank sheet, in the order in which they are taken.

    Parameters
    ----------
    bench : Bench
        Tells whether the healthy stage follows the RIAA replay curve.

    Returns
    -------
    tuple of (Reading, str)
        Each with a few words to write beside it, which may be empty.
    """
    asked: list[Proposed] = [
        (Reading("dc voltage", at=node), what) for node, what in stage.test_points if node != GROUND
    ]
    asked += drops(stage)
    asked += [(Reading("supply current", rail=rail.name), "") for rail in stage.rails]
    if is_supply(stage, bench):
        return (*asked, *_of_a_supply(stage))
    asked += [(reading, "") for reading in ripples(stage)]
    gain = [*tracing(stage), (Reading("gain", frequency=MIDDLE_HZ), _drive(stage))]
    # in a unit the signal is followed first: it says in which stage the rest is worth reading
    asked = [*gain, *asked] if stage.chain is not None else [*asked, *gain]
    if follows_riaa(stage, bench):
        asked += [(Reading("riaa deviation", frequency=f), "") for f in SHAPE_HZ]
    else:
        asked += [(Reading("response", frequency=f, reference=MIDDLE_HZ), "") for f in SHAPE_HZ]
    asked.append((Reading("input impedance", frequency=MIDDLE_HZ), ""))
    if drives_loudspeaker(stage):
        asked.append((Reading("damping factor", frequency=MIDDLE_HZ), "with the stage's own load"))
    else:
        asked.append((Reading("output impedance", frequency=MIDDLE_HZ), ""))
    asked += [(Reading("hum", frequency=k * stage.mains), "") for k in HUM_LINES]
    asked.append((Reading("noise"), "20 Hz to 20 kHz, input terminated"))
    return tuple(asked)


def on_sheet(stage: Stage, bench: Bench) -> tuple[Proposed, ...]:
    """The readings of a blank sheet with those under drive, which take long to simulate.

    Distortion at the usual drive; of a stage that drives a loudspeaker also at a tenth of it,
    where crossover shows, and the greatest output.
    """
    proposed = propose(stage, bench)
    if is_supply(stage, bench) or not stage.signal or not stage.rails:
        return proposed
    (kind, usual), *_ = stage.signal
    thd = Reading("thd", frequency=MIDDLE_HZ, level=(kind, usual))
    further = [(thd, "usual drive")]
    if drives_loudspeaker(stage):
        # the decimal nearest: a tenth of 0.7 is not 0.07
        small = float(f"{usual / (100.0 if kind == 'power' else 10.0):.6g}")
        further.append((replace(thd, level=(kind, small)), "small drive: crossover shows here"))
        most = Reading("maximum output", frequency=MIDDLE_HZ, thd=0.01)
        further.append((most, "at 1 % of distortion, in V or W"))
    return (*proposed, *further)


def is_supply(stage: Stage, bench: Bench) -> bool:
    """Whether a stage is named a supply and has a direct voltage at its output.

    A stage of the signal's way has a capacitor there, or stands at ground.

    Parameters
    ----------
    bench : Bench
        Tells the voltage of the healthy stage.
    """
    if not re.search(r"\b(supply|regulat\w*)\b", f"{stage.name} {stage.title}", re.IGNORECASE):
        return False
    volts = bench.values(stage, [Variant()], [Reading("dc voltage", at=stage.output)]).values[0, 0]
    return bool(np.isfinite(volts) and abs(volts) > _STANDING_V)


def _of_a_supply(stage: Stage) -> list[Proposed]:
    points = dict.fromkeys([*(rail.name for rail in stage.rails), stage.output])
    proposed: list[Proposed] = [
        (Reading("ripple", at=at, frequency=k * stage.mains), "")
        for at in points for k in RIPPLE_LINES
    ]
    proposed += [(Reading("output impedance", frequency=f), "") for f in (100.0, MIDDLE_HZ, 10e3)]
    proposed.append((Reading("noise"), "20 Hz to 20 kHz"))
    return proposed


def ripples(stage: Stage) -> list[Reading]:
    """The ripple of rails that a probe reaches or that have their supply behind them."""
    probes = {node for node, _ in stage.test_points}
    return [
        Reading("ripple", at=rail.name, frequency=k * stage.mains)
        for rail in stage.rails if rail.name in probes or rail.supply is not None
        for k in RIPPLE_LINES
    ]


def tracing(stage: Stage) -> list[Proposed]:
    """The gain up to the output of every stage of a unit but the last, whose output is the unit's.

    Where it leaves the healthy one, there the trouble starts.
    """
    if stage.chain is None:
        return []
    points = [output for _, output in stage.chain.members[:-1]]
    return [(Reading("gain", frequency=MIDDLE_HZ, at=point), "signal tracing") for point in points]


def follows_riaa(stage: Stage, bench: Bench) -> bool:
    """Whether the healthy stage stays within 3 dB of the RIAA replay curve.

    A flat amplifier leaves it by 13 dB at 100 Hz and at 10 kHz (the curve's own values).
    """
    readings = [Reading("riaa deviation", frequency=f) for f in _RIAA_HZ]
    off = bench.values(stage, [Variant()], readings).values[0]
    return bool(np.all(np.isfinite(off)) and np.all(np.abs(off) < _RIAA_DB))


def _drive(stage: Stage) -> str:
    levels = [f"{name} {render(x, 'W' if name == 'power' else 'V')}" for name, x in stage.signal]
    return "usual drive: " + ", ".join(levels) if levels else ""
