"""Small voltages between two points of a stage that tell more than the large ones on both sides.

The drop across an emitter or source resistor is its transistor's current, a base-emitter voltage
tells a junction that is open or shorted, and the bias spread is what the output stage is set by.
Against ground each of them would drown in what both nodes have in common.
"""

from __future__ import annotations

from collections.abc import Iterator

from circuits.hazards import drives_loudspeaker
from circuits.kinds import kind
from circuits.reading import Reading
from circuits.stage import GROUND, Part, Stage

_HIGH = ("npn", "njf", "nmos")
"""Transistors whose emitter, or source, is below their base and above what its resistor goes to."""
_TRANSISTORS = (*_HIGH, "pnp", "pjf", "pmos")
_LITTLE = 1e3
"""Ohm: what is larger beside an emitter carries feedback or bias rather than its current
(judgement)."""

Drop = tuple[str, str, str]
"""The node that is positive in a good unit, the other one, and what it is."""


def drops(stage: Stage) -> tuple[tuple[Reading, str], ...]:
    """Voltages between two points that a probe reaches, neither of them ground.

    Across each emitter or source resistor; of a stage that drives a loudspeaker also each
    base-emitter voltage; what trimmers are set by; and the bias spread.

    Returns
    -------
    tuple of (Reading, str)
        Each with a few words to write beside it.
    """
    reached = {name for name, _ in stage.test_points} | {rail.name for rail in stage.rails}
    reached.discard(GROUND)
    readings: dict[frozenset[str], tuple[Reading, str]] = {}
    for at, origin, what in (*_set_by(stage), *_across(stage), *_junctions(stage)):
        if at != origin and at in reached and origin in reached:
            reading = Reading("dc voltage", at=at, origin=origin)
            readings.setdefault(frozenset((at, origin)), (reading, what))
    return tuple(readings.values())


def _set_by(stage: Stage) -> Iterator[Drop]:
    """What trimmers are set by, and the spread that a bias transistor or trimmer holds."""
    for one in stage.adjust:
        if one.origin == GROUND:
            continue
        yield one.at, one.origin, f"what {one.part} is set by"
        trimmer = stage.part(one.part)
        holding = (
            part for part in stage.parts
            if kind(part.kind).family == "bipolar" and part.nodes[1] in trimmer.nodes
        )
        holds = next(holding, None)
        if holds is None:
            yield trimmer.nodes[0], trimmer.nodes[-1], "bias spread"
        else:
            ends = (holds.nodes[0], holds.nodes[2])
            high, low = ends if holds.kind in _HIGH else ends[::-1]
            yield high, low, "bias spread"


def _across(stage: Stage) -> Iterator[Drop]:
    """Across each resistor that carries a transistor's emitter or source current."""
    resistors = [
        part for part in stage.parts
        if kind(part.kind).family == "resistor" and (part.value or 0.0) <= _LITTLE
    ]
    for transistor in _transistors(stage):
        emitter = transistor.nodes[2]
        for part in resistors:
            if emitter in part.nodes and transistor.nodes[1] not in part.nodes:
                other = part.nodes[0] if part.nodes[1] == emitter else part.nodes[1]
                high, low = (emitter, other) if transistor.kind in _HIGH else (other, emitter)
                yield high, low, f"across {part.name}"


def _junctions(stage: Stage) -> Iterator[Drop]:
    if not drives_loudspeaker(stage):
        return
    for transistor in _transistors(stage):
        if kind(transistor.kind).family == "bipolar":
            _, base, emitter = transistor.nodes[:3]
            high, low = (base, emitter) if transistor.kind in _HIGH else (emitter, base)
            yield high, low, f"base-emitter voltage of {transistor.name}"


def _transistors(stage: Stage) -> Iterator[Part]:
    return (part for part in stage.parts if part.kind in _TRANSISTORS)
