"""A unit at rest: every node, what flows through each part, and what it turns into heat.

Currents of resistors follow from the nodes by Ohm's law; a transistor's, diode's or valve's are
those of the simulator's own device. An op-amp's data tell no more than its supply current: what
flows out of its output is taken to come from the rail that it comes from in a real one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from circuits.behind_rails import rail_source
from circuits.bench.analysis import Bias, OperatingPoint
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.bench.supply import resolved
from circuits.bench.switching import Oscillation, probe
from circuits.elements import LEAST_OHMS
from circuits.kinds import kind
from circuits.netlist import circuit
from circuits.spelling import node
from circuits.spelling import node as spelt
from circuits.stage import GROUND, Part, Stage

_OPTIONS = ("reltol=1e-6",)
"""So that what flows into a node flows out of it within what anybody would add up."""
_OUTPUT_OHMS = 60.0
"""Of an op-amp whose data state none, as its macromodel has it."""
_GLASS_OHMS = 1e9
"""Between anode and cathode of a valve, as its macromodel has it."""
_SUPPLY_CURRENT = 2e-3
"""A, the same."""


@dataclass(frozen=True)
class PartAtRest:
    """What flows through one part and what it takes.

    Attributes
    ----------
    currents : tuple of float
        A into each pin, in the order of the part's nodes.
    current : float
        A, the one that is spoken of: into the first pin, of a potentiometer out of its wiper or, as
        of an op-amp, what it takes from its rails.
    watts : float or None
        None where the data do not tell.
    """

    name: str
    currents: tuple[float, ...]
    current: float
    watts: float | None


@dataclass(frozen=True)
class AtRest:
    """A unit at rest.

    Attributes
    ----------
    stage : Stage
        With the voltages that its supplies give.
    volts : mapping of node to float
        V, ground among them.
    parts : tuple of PartAtRest
        In the order of the stage.
    rails : mapping of rail to float
        A that the rail delivers, positive out of a positive rail and into a negative one.
    """

    stage: Stage
    volts: Mapping[str, float]
    parts: tuple[PartAtRest, ...]
    rails: Mapping[str, float]

    def part(self, name: str) -> PartAtRest:
        """What flows through the part of that name; KeyError where there is none."""
        for one in self.parts:
            if one.name == name:
                return one
        raise KeyError(name)


def at_rest(stage: Stage) -> AtRest:
    """The operating point of one unit, in this process.

    Parameters
    ----------
    stage : Stage
        A rail with a supply behind it has the voltage that this gives.

    Raises
    ------
    NoSolution
        When the simulator finds no operating point.
    """
    stage = resolved(stage)
    inner = {f"{spelt(p.name)}_o": p for p in stage.parts if p.kind == "opamp"}
    terminals = tuple(pair for part in stage.parts for pair in _terminals(part))
    wanted = OperatingPoint(
        (*map(node, stage.nodes), *inner),
        (*(rail_source(r.name) for r in stage.rails), *_windings(stage)),
        terminals,
    )
    net = circuit(stage)
    net = replace(net, options=(*net.options, *_OPTIONS))
    (answers,) = _engine().run(net, [wanted])
    assert isinstance(answers, Bias)
    names = (*stage.nodes, *inner)
    volts = {GROUND: 0.0, **dict(zip(names, map(float, answers.nodes), strict=True))}
    branches = dict(zip(wanted.branches, map(float, answers.branches), strict=True))
    own = dict(zip(terminals, map(float, answers.terminals), strict=True))
    parts = tuple(_part(p, volts, own, branches) for p in stage.parts)
    rails = {
        r.name: -branches[rail_source(r.name)] * (1.0 if r.volts > 0.0 else -1.0)
        for r in stage.rails
    }
    return AtRest(stage, {n: volts[n] for n in (GROUND, *stage.nodes)}, parts, rails)


def unstable(stage: Stage) -> Oscillation | None:
    """How a unit swings by itself, in this process; see `circuits.bench.switching.probe`.

    Raises
    ------
    NoSolution
        When the simulator does not get through.
    """
    return alone(probe(resolved(stage)), _engine().run)


def _windings(stage: Stage) -> tuple[str, ...]:
    """The inductors whose current tells what a winding carries."""
    windings: list[str] = []
    for part in stage.parts:
        family = kind(part.kind).family
        if family == "inductor":
            windings.append(f"L_{spelt(part.name)}")
        elif family == "transformer":
            windings += [f"L_{spelt(part.name)}_p", f"L_{spelt(part.name)}_s"]
    return tuple(windings)


def _terminals(part: Part) -> tuple[tuple[str, str], ...]:
    """The terminals of its devices that are asked for."""
    name, family = spelt(part.name), kind(part.kind).family
    return {
        "bipolar": ((f"Q_{name}", "ic"), (f"Q_{name}", "ib")),
        "jfet": ((f"J_{name}", "id"), (f"J_{name}", "ig")),
        "mosfet": ((f"M_{name}", "id"),),
        "diode": ((f"D_{name}", "id"),),
        "triode": ((f"B_{name}_a", "i"), (f"D_{name}_g", "id")),
        "pentode": ((f"B_{name}_a", "i"), (f"B_{name}_s", "i"), (f"D_{name}_g", "id")),
    }.get(family, ())


Own = Mapping[tuple[str, str], float]
Branches = Mapping[str, float]


def _part(part: Part, volts: Mapping[str, float], own: Own, branches: Branches) -> PartAtRest:
    family = kind(part.kind).family
    if family == "opamp":
        return _opamp(part, volts)
    here = [volts[n] for n in part.nodes]
    # ngspice tells a p-channel transistor's as if it were its n-channel mirror image
    sense = -1.0 if part.kind in ("pjf", "pmos") else 1.0
    told = tuple(sense * own[pair] for pair in _terminals(part))
    name = spelt(part.name)
    currents: tuple[float, ...]
    if family == "pentode":
        glass = (here[0] - here[3]) / _GLASS_OHMS
        currents = (told[0] + glass, *told[1:], -sum(told) - glass)
    elif family in ("bipolar", "jfet"):
        currents = (*told, -sum(told))
    elif family in ("mosfet", "triode"):
        first, *others = told
        first += (here[0] - here[-1]) / _GLASS_OHMS if family == "triode" else 0.0
        gate = others[0] if others else 0.0
        currents = (first, gate, -first - gate)
    elif family == "transformer":
        primary, secondary = branches[f"L_{name}_p"], branches[f"L_{name}_s"]
        currents = (primary, -primary, secondary, -secondary)
    elif family == "potentiometer" and len(part.nodes) == 3:
        currents = _track(part, here)
    else:
        through = told[0] if told else _TWO[family](part, here[0] - here[1], branches)
        currents = (through, -through)
    watts = sum(v * i for v, i in zip(here, currents, strict=True))
    spoken = -currents[1] if family == "potentiometer" and len(currents) == 3 else currents[0]
    return PartAtRest(part.name, currents, spoken, max(watts, 0.0))


def _ohmic(part: Part, across: float, branches: Branches) -> float:
    return across / max(part.value or 0.0, LEAST_OHMS)


def _whole_track(part: Part, across: float, branches: Branches) -> float:
    whole = part.value or 0.0
    return across / max(whole * min(max(part.position, 0.0), 1.0), whole * 1e-4, LEAST_OHMS)


_TWO: Mapping[str, Callable[[Part, float, Branches], float]] = {
    "resistor": _ohmic,
    "defect": _ohmic,
    "contact": _ohmic,
    "capacitor": lambda part, across, branches: 0.0,
    "inductor": lambda part, across, branches: branches[f"L_{spelt(part.name)}"],
    "potentiometer": _whole_track,
}
"""Current through a part of two pins, by its family: part, V across it, currents of windings."""


def _track(part: Part, here: list[float]) -> tuple[float, ...]:
    """Into both ends of a track and the wiper."""
    whole = part.value or 0.0
    least = max(whole * 1e-4, LEAST_OHMS)
    top, wiper, bottom = here
    above = (top - wiper) / max(whole * (1.0 - part.position), least)
    below = (bottom - wiper) / max(whole * part.position, least)
    return above, -above - below, below


def _opamp(part: Part, volts: Mapping[str, float]) -> PartAtRest:
    """An op-amp; without rails in its drawing its dissipation is not known."""
    plus, minus, out = part.nodes[:3]
    bias = part.parameter("bias current")
    between = (volts[plus] - volts[minus]) / part.parameter("input resistance", 1e6)
    ohms = part.parameter("output resistance", _OUTPUT_OHMS)
    given = (volts[f"{spelt(part.name)}_o"] - volts[out]) / ohms
    inputs = (bias + between, bias - between, -given)
    if len(part.nodes) < 5:
        return PartAtRest(part.name, inputs, given, None)
    high, low = (volts[n] for n in part.nodes[3:])
    own = (high - low) / (30.0 / max(part.parameter("supply current", _SUPPLY_CURRENT), 1e-6))
    drawn = (own + max(given, 0.0), -own + min(given, 0.0))
    drop = (high if given > 0.0 else low) - volts[out]
    watts = own * (high - low) + abs(given * drop)
    return PartAtRest(part.name, (*inputs, *drawn), own, watts)


@lru_cache(maxsize=1)
def _engine() -> Engine:
    return Engine()
