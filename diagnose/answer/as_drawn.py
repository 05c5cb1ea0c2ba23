"""Whether the stage as drawn works at all: causes are weighed against its healthy unit.

A slip in a stage file (a bias resistor of ten times its value, a trimmer drawn anywhere) makes a
unit of which every good one on the bench differs; what the answer says then is worth nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from circuits.hazards import drives_loudspeaker
from circuits.mistakes import mistakes
from circuits.quantity import render
from circuits.reading import Reading, from_compared
from circuits.stage import GROUND, Stage
from circuits.working import amplifying, states
from faultlib.simulate import Bench, Variant

MOST_IDLE = 0.3
"""A from one rail into an output stage for a loudspeaker at rest: class AB idles at 20 to 100 mA,
class A at an ampere or more (common practice)."""
_MISSED = 0.02
"""Of what a trimmer is set to: how far it may be off."""


def drawn_notes(stage: Stage, bench: Bench) -> tuple[str, ...]:
    """Warnings that the healthy unit of a stage is not a working one; none for most.

    Parameters
    ----------
    stage : Stage
        With the values that its sheet states.
    """
    passed = amplifying(stage)
    parts = tuple(part for part in stage.parts if part.name in passed)
    ends = [end for one in stage.adjust for end in (one.at, one.origin)]
    nodes = dict.fromkeys(n for n in (*(n for p in parts for n in p.nodes), *ends) if n != GROUND)
    readings = [Reading("dc voltage", at=node, meter=math.inf) for node in nodes]
    rails = [rail.name for rail in stage.rails] if _is_set_to_idle(stage) else []
    readings += [Reading("supply current", rail=name) for name in rails]
    joined = _joined(stage)
    if not readings:
        return joined
    row = bench.values(stage, [Variant()], readings).values[0]
    values = [from_compared(r, float(x)) for r, x in zip(readings, row, strict=True)]
    if not all(map(math.isfinite, values)):
        return joined
    volts = {GROUND: 0.0, **dict(zip(nodes, values, strict=False))}
    amperes = dict(zip(rails, values[len(nodes) :], strict=True))
    return (*joined, *_dead(replace(stage, parts=parts), volts), *_unset(stage, volts),
            *_idling(stage, amperes))


def _is_set_to_idle(stage: Stage) -> bool:
    return drives_loudspeaker(stage) and bool(stage.adjust)


def _joined(stage: Stage) -> tuple[str, ...]:
    """What is joined as no working stage has it, which takes no simulation."""
    return tuple(
        f"the stage as drawn cannot work: {s.part}, {s.state} ({s.why})" for s in mistakes(stage)
    )


def _dead(passed: Stage, volts: Mapping[str, float]) -> tuple[str, ...]:
    dead = states(passed, volts)
    if not dead:
        return ()
    told = "; ".join(f"{s.part} is {s.state} ({s.why})" for s in dead)
    return (f"the stage as drawn does not work: {told}. Check its file: diagnose stages STAGE "
            "--healthy shows all of it. A part that is meant to be off says so in its role, such "
            "as limiter or muting",)


def _unset(stage: Stage, volts: Mapping[str, float]) -> tuple[str, ...]:
    read = [(one, volts[one.at] - volts[one.origin]) for one in stage.adjust if one.aim]
    return tuple(
        f"{one.part} cannot be set to {render(one.aim, 'V')} in the stage as drawn: at its end "
        f"{one.at} reads {render(found, 'V')}"
        for one, found in read if abs(found / one.aim - 1.0) > _MISSED
    )


def _idling(stage: Stage, amperes: Mapping[str, float]) -> tuple[str, ...]:
    """An output stage with more at rest than class AB has, because of how a trimmer is drawn."""
    worst = max(amperes, key=lambda name: amperes[name], default="")
    drawn = [one for one in stage.adjust if not one.aim]
    if not worst or not drawn or amperes[worst] <= MOST_IDLE:
        return ()
    names = ", ".join(one.part for one in drawn)
    idle = render(amperes[worst], "A", 2)
    return (f"with {names} as drawn the healthy unit takes {idle} at rest from {worst}, far above "
            f"what class AB idles at: say what {names} is set to (adjust: … to: …)",)
