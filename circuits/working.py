"""What a part does at rest, told from the voltages of its nodes: cut off, saturated, reversed.

Limits are textbook rules of thumb: a silicon transistor is saturated when its base-collector
junction is forward biased by 0.4 V or more, a field-effect transistor works as a resistor when it
has less across it than its gate is above the threshold. They hold for what a bench can read; no
simulator is needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from circuits.kinds import kind
from circuits.quantity import render
from circuits.stage import Part, Stage
from circuits.topology import is_supply
from circuits.ways import onward

CUT_OFF, SATURATED, REVERSED = "cut off", "saturated", "reversed"

_THERMAL_VOLT = 0.02587
"""kT/q at 27 °C, V."""
_NO_CURRENT = 1e-6
"""A below which a transistor does nothing: the least that input stages work with is ten times as
much (judgement)."""
_FORWARD = 0.4
"""V of base-collector junction from which a transistor counts as saturated (textbooks on
electronic circuits)."""
_BACKWARDS = 0.3
"""V by which a collector stands on the wrong side of its emitter."""
_POLARITY = 0.5
"""V the wrong way that an electrolytic takes for good (common practice: about 1 V at most)."""
_ZENER_SHARE = 0.9
"""Of its voltage: with less a zener does not hold anything."""
_OPAMP_LOST = 0.02
"""V between the inputs of an op-amp whose loop holds: a few millivolts of offset, no more."""
_FULLY_ON = 0.5
"""Of the gate's voltage above the threshold: with less from drain to source it is a resistor."""
_GRID_CURRENT = 0.2
"""V that a grid may be above its cathode before it draws much."""


@dataclass(frozen=True)
class State:
    """A part that does not work as an amplifying or a polarised part does.

    Attributes
    ----------
    state : str
        `CUT_OFF`, `SATURATED` or `REVERSED`.
    why : str
        The voltages that tell.
    """

    part: str
    state: str
    why: str


Volts = Mapping[str, float]
_Found = tuple[str, str] | None


def states(stage: Stage, volts: Volts) -> tuple[State, ...]:
    """The parts of a unit at rest that are cut off, saturated or reversed.

    Parameters
    ----------
    volts : mapping of node to float
        V; every node of the stage, and ground.

    Returns
    -------
    tuple of State
        In the order of the stage.
    """
    found_states = []
    for part in stage.parts:
        look = _LOOKS.get(kind(part.kind).family)
        state = None if look is None else look(part, tuple(volts[n] for n in part.nodes))
        if state is not None:
            found_states.append(State(part.name, *state))
    return tuple(found_states)


def _told(volts: float) -> str:
    return render(0.0 if abs(volts) < 1e-3 else volts, "V", 2)


def _bipolar(part: Part, at: tuple[float, ...]) -> _Found:
    up = 1.0 if part.kind == "npn" else -1.0
    collector, base, emitter = at
    vbe, vbc, vce = up * (base - emitter), up * (base - collector), up * (collector - emitter)
    if vce < -_BACKWARDS and vbc > _FORWARD:
        side = "below" if up > 0.0 else "above"
        return REVERSED, (f"its collector stands {_told(-vce)} {side} its emitter: collector and "
                          "emitter swapped, or the other polarity")
    exponent = min(vbe / (part.parameter("NF", 1.0) * _THERMAL_VOLT), 60.0)
    if part.parameter("IS", 1e-16) * math.exp(exponent) < _NO_CURRENT:
        return CUT_OFF, f"base-emitter voltage {_told(up * vbe)}"
    if vbc > _FORWARD:
        return SATURATED, f"{_told(up * vce)} from collector to emitter"
    return None


def _jfet(part: Part, at: tuple[float, ...]) -> _Found:
    up = 1.0 if part.kind == "njf" else -1.0
    drain, gate, source = (up * v for v in at)
    # either end of the channel can be its source
    low, high = sorted((drain, source))
    above = gate - low - part.parameter("VTO", -2.0)
    return _channel(part.parameter("BETA", 1e-4), above, high - low, gate - low, up)


def _mosfet(part: Part, at: tuple[float, ...]) -> _Found:
    up = 1.0 if part.kind == "nmos" else -1.0
    drain, gate, source = (up * v for v in at)
    if drain - source < -_BACKWARDS:
        return REVERSED, (f"{_told(up * (drain - source))} from drain to source: drain and source "
                          "swapped, or the other polarity")
    above = gate - source - up * part.parameter("VTO", 0.0)
    slope = part.parameter("KP", 2e-5) / 2.0
    return _channel(slope, above, drain - source, gate - source, up)


def _channel(slope: float, above: float, across: float, gate: float, up: float) -> _Found:
    """Of a field-effect transistor: A/V², V above the threshold, V along it, V of its gate."""
    if above <= 0.0 or slope * above**2 < _NO_CURRENT:
        return CUT_OFF, f"gate-source voltage {_told(up * gate)}"
    if across < _FULLY_ON * above:
        return SATURATED, f"{_told(up * across)} from drain to source"
    return None


def _diode(part: Part, at: tuple[float, ...]) -> _Found:
    if part.kind != "zener" or part.value is None:
        return None
    across = at[1] - at[0]
    if across < -_POLARITY:
        return REVERSED, f"conducts forward with {_told(-across)}: a zener drawn the other way"
    if across < _ZENER_SHARE * part.value and not off_by_design(part):
        return CUT_OFF, f"{_told(across)} across a zener of {render(part.value, 'V')}"
    return None


def _capacitor(part: Part, at: tuple[float, ...]) -> _Found:
    if not kind(part.kind).dissipation or at[0] - at[1] > -_POLARITY:
        return None
    return REVERSED, f"its plus is {_told(at[1] - at[0])} below its minus: the wrong way round"


def _opamp(part: Part, at: tuple[float, ...]) -> _Found:
    apart = at[0] - at[1]
    if abs(apart) < _OPAMP_LOST:
        return None
    return SATURATED, f"{_told(apart)} between its inputs, output at {_told(at[2])}"


def _valve(part: Part, at: tuple[float, ...]) -> _Found:
    *_, drawing, grid, cathode = at  # the anode of a triode, the screen of a pentode
    if grid - cathode > _GRID_CURRENT:
        return SATURATED, f"its grid is {_told(grid - cathode)} above its cathode"
    default = 96.0 if part.kind == "triode" else 9.5
    if (drawing - cathode) / part.parameter("mu", default) + grid - cathode < 0.0:
        return CUT_OFF, f"{_told(grid - cathode)} from cathode to grid"
    return None


_LOOKS: Mapping[str, Callable[[Part, tuple[float, ...]], _Found]] = {
    "bipolar": _bipolar,
    "jfet": _jfet,
    "mosfet": _mosfet,
    "diode": _diode,
    "capacitor": _capacitor,
    "opamp": _opamp,
    "triode": _valve,
    "pentode": _valve,
}


# -- the way of the signal -------------------------------------------------------------------------

_FORWARD_WAYS = {
    "bipolar": ((1, 0), (1, 2), (2, 0)),
    "jfet": ((1, 0), (1, 2), (2, 0)),
    "mosfet": ((1, 0), (1, 2), (2, 0)),
    "triode": ((1, 0), (1, 2), (2, 0)),
    "pentode": ((2, 0), (2, 3), (3, 0)),
    "opamp": ((0, 2), (1, 2)),
}
"""Pins that a signal goes in by and comes out by, of what amplifies; the others pass it anyhow."""
_OFF_BY_DESIGN = (
    "limit", "protect", "muting", "mute", "stand-by", "standby", "switch", "clamp", "overload",
)
"""In the words of its role: what a transistor does that is off in a working unit."""


def amplifying(stage: Stage) -> tuple[str, ...]:
    """The transistors, valves and op-amps that the signal passes from input to output.

    Those whose role is to be off until something happens (a limiter, muting) are no part of it.

    Returns
    -------
    tuple of str
        In the order of the stage.
    """
    ways: list[tuple[str, str]] = []
    own: dict[str, list[tuple[str, str]]] = {}
    for part in stage.parts:
        count = len(part.nodes)
        every = [(a, b) for a in range(count) for b in range(count) if a != b]
        pairs = _FORWARD_WAYS.get(kind(part.kind).family)
        for a, b in every if pairs is None else pairs:
            way = part.nodes[a], part.nodes[b]
            if not any(is_supply(stage, n) and n not in (stage.input, stage.output) for n in way):
                ways.append(way)
                if pairs is not None:
                    own.setdefault(part.name, []).append(way)
    for joint in () if stage.chain is None else stage.chain.joints:
        ways.append((joint.output, joint.input))
    begun = onward(stage.input, ways)
    ends = onward(stage.output, [(b, a) for a, b in ways])
    return tuple(
        part.name for part in stage.parts
        if any(a in begun and b in ends for a, b in own.get(part.name, ()))
        and not off_by_design(part)
    )


def off_by_design(part: Part) -> bool:
    """Whether the role of a part says that it waits for something to happen."""
    return any(word in part.role.lower() for word in _OFF_BY_DESIGN)
