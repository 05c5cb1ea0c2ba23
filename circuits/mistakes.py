"""Mistakes that a circuit can hold though it is one: told from how its parts are joined alone.

What voltages tell of a stage that does not work stands in `circuits.working`; these would be
missed there, or keep the simulator from finding any voltages.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise

from circuits.kinds import kind
from circuits.quantity import render
from circuits.stage import GROUND, Part, Stage
from circuits.topology import direct, from_outside, is_supply
from circuits.ways import joined, shortest
from circuits.working import State

NO_BIAS, FEEDBACK, SHORT = "no bias", "feedback reversed", "short"

_CONTROLS = {"bipolar": (1,), "jfet": (1,), "mosfet": (1,), "triode": (1,), "pentode": (2,),
             "opamp": (0, 1)}
"""Pins that nothing holds unless direct current reaches them from outside, by family."""
_PASSIVE = ("resistor", "potentiometer", "capacitor", "inductor", "contact")
_TOO_MUCH = 20.0
"""A through a plain way between two supplies: no stage burns that much at rest (judgement)."""
_WIRE = 1e-3
"""Ohm of an inductor or contact that states none."""


def mistakes(stage: Stage) -> tuple[State, ...]:
    """What is joined as no working stage has it.

    Returns
    -------
    tuple of State
        With `NO_BIAS` of a base, gate, grid or input that direct current cannot reach, `FEEDBACK`
        of an op-amp whose output leads to its non-inverting input only, and `SHORT` of parts
        across a supply; in that order, and in the order of the stage.
    """
    return (*_unbiased(stage), *_reversed(stage), *_shorts(stage))


def _unbiased(stage: Stage) -> Iterator[State]:
    for part in stage.parts:
        for index in _CONTROLS.get(kind(part.kind).family, ()):
            if part.nodes[index] not in joined(GROUND, _ways(stage, part)):
                pin = kind(part.kind).pins[index]
                yield State(part.name, NO_BIAS,
                            f"no direct current reaches its {pin} at {part.nodes[index]}")


def _ways(stage: Stage, left_out: Part) -> Iterator[tuple[str, str]]:
    """Where direct current can go without one of the parts."""
    yield from from_outside(stage)
    for part in stage.parts:
        if part is not left_out:
            yield from direct(part)
        elif kind(part.kind).family == "opamp":
            yield part.nodes[2], GROUND  # its output holds itself


def _reversed(stage: Stage) -> Iterator[State]:
    for part in stage.parts:
        if kind(part.kind).family != "opamp":
            continue
        plus, minus, output = part.nodes[:3]
        if output in (plus, minus):
            if output == plus:
                yield State(part.name, FEEDBACK, f"its output is its non-inverting input {plus}")
            continue
        passive, any_way = (joined(output, _signal_ways(stage, part, k)) for k in (True, False))
        if plus in passive and minus not in any_way:
            yield State(part.name, FEEDBACK, f"from its output {output} a way leads to the "
                        f"non-inverting input {plus} and none to the inverting one {minus}")


def _signal_ways(stage: Stage, left_out: Part, passive: bool) -> Iterator[tuple[str, str]]:
    """Nodes that parts join, ground and rails apart: they stand still for signals."""
    for part in stage.parts:
        if part is left_out or (passive and kind(part.kind).family not in _PASSIVE):
            continue
        yield from combinations([node for node in part.nodes if not is_supply(stage, node)], 2)


def _shorts(stage: Stage) -> Iterator[State]:
    volts = {GROUND: 0.0} | {rail.name: rail.volts for rail in stage.rails}
    least: dict[tuple[str, str], float] = {}
    names: dict[tuple[str, str], str] = {}
    for part in stage.parts:
        ohms = _ohms(part)
        if ohms is None or len(part.nodes) != 2:
            continue
        pair = min(part.nodes), max(part.nodes)
        if pair not in least or least[pair] > ohms:
            least[pair], names[pair] = ohms, part.name
    for one, other in combinations(volts, 2):
        apart = abs(volts[one] - volts[other])
        nodes = shortest(one, other, least)
        if not nodes or not apart:
            continue
        steps = [(min(pair), max(pair)) for pair in pairwise(nodes)]
        ohms = sum(least[step] for step in steps)
        if set(nodes[1:-1]) & set(volts) or apart < _TOO_MUCH * ohms:
            continue
        where = "ground" if one == GROUND else one
        yield State(names[steps[0]], SHORT,
                    f"{', '.join(names[step] for step in steps)} between {other} and {where}: "
                    f"{render(ohms, 'ohm', 2)} across {render(apart, 'V', 2)}")


def _ohms(part: Part) -> float | None:
    """What a part has for direct current, None where that is not a plain resistance."""
    family = kind(part.kind).family
    if family in ("resistor", "potentiometer"):
        return part.value
    if family == "inductor":
        return part.esr or _WIRE
    if family == "contact":
        return part.value or _WIRE
    return None
