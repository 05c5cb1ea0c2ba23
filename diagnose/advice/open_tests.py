"""Readings in another state that tell what its own cannot: the load off, one end lifted.

Only what harms nothing is proposed: a loudspeaker or dummy load taken off where direct voltage
stands on the output, and one end of a capacitor lifted, which carries no direct current in a good
unit. In a stage that drives a loudspeaker no end is lifted: a feedback loop without its capacitor
may swing, and what it drives with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from circuits.hazards import drives_loudspeaker
from circuits.kinds import kind
from circuits.reading import Reading
from circuits.stage import GROUND, Part, Stage
from circuits.state import OPEN, State
from circuits.state_words import pins

STANDING_V = 1.0
"""What stands at an output of some millivolts must be more than this for its load to matter."""
_NEAR_V = 0.5
"""Direct voltage of a good unit that a loudspeaker may have across it."""
_LEAKS = ("leakage", "short")
"""Modes of a capacitor that are gone when one end of it is lifted."""
_MOST_LIFTED, _MOST_LOADED = 2, 1
"""Capacitors, and nodes with the load off, that are proposed at most: each state is one circuit
more in every unit drawn."""

Share = Mapping[tuple[str, str], float]
"""Probability by part and mode."""


def open_tests(
    stage: Stage,
    read: Sequence[tuple[Reading, float, float]],
    shares: Share,
    least: float,
) -> tuple[Reading, ...]:
    """Readings in other states that are worth simulating.

    Parameters
    ----------
    read : sequence of (Reading, measured, healthy)
        What was read, SI, and what a good unit gives.
    shares : mapping
        How probable every fault is.
    least : float
        A capacitor whose leak or short is less probable than this stays soldered.
    """
    probes = [node for node, _ in stage.test_points if node != GROUND]
    return (*_load_off(stage, read), *_lifted(stage, probes, shares, least))


def standing(
    stage: Stage, read: Sequence[tuple[Reading, float, float]]
) -> tuple[Reading, ...]:
    """Readings of a stage with a loudspeaker that found direct voltage where none belongs.

    Parameters
    ----------
    read : sequence of (Reading, measured, healthy)
        As in `open_tests`.
    """
    if not drives_loudspeaker(stage):
        return ()
    return tuple(r for r, measured, healthy in read
                 if r.quantity == "dc voltage" and not r.origin
                 and abs(healthy) < _NEAR_V and abs(measured) > STANDING_V)


def _load_off(stage: Stage, read: Sequence[tuple[Reading, float, float]]) -> list[Reading]:
    nodes = dict.fromkeys(r.at for r in standing(stage, read) if not r.state)
    return [Reading("dc voltage", at=node, state=State(load=OPEN))
            for node in list(nodes)[:_MOST_LOADED]]


def _lifted(
    stage: Stage, probes: Sequence[str], shares: Share, least: float
) -> list[Reading]:
    if drives_loudspeaker(stage):
        return []
    found: list[tuple[float, Part]] = []
    for part in stage.parts:
        share = sum(shares.get((part.name, mode), 0.0) for mode in _LEAKS)
        if kind(part.kind).family == "capacitor" and share >= least:
            found.append((share, part))
    found.sort(key=lambda item: -item[0])
    made = []
    for _, part in found[:_MOST_LIFTED]:
        # at the end that does not lie at ground, where a probe sees what the leak did
        rails = {rail.name for rail in stage.rails}
        ends = [(pin, node) for pin, node in zip(pins(part), part.nodes, strict=True)
                if node != GROUND]
        pin = ends[0][0]
        made += [Reading("dc voltage", at=node, state=State(lifted=((part.name, pin),)))
                 for _, node in ends if node in probes and node not in rails]
    return made


def taken_how(reading: Reading) -> str:
    """How a reading is taken, with what is done to the unit before it."""
    how = reading.about.how
    state = reading.state
    if reading.quantity == "gain" and reading.at:
        how = ("signal tracing: level at the node over the open-circuit level of the generator, "
               "by a times-ten probe")
    before = []
    if state.load == OPEN:
        before.append("take the load off")
    before += [f"unsolder one end of {part} ({pin})" for part, pin in state.lifted]
    return f"{', '.join(before)}; {how}" if before else how


def more_minutes(reading: Reading) -> float:
    """Minutes that a state takes beyond the reading itself (judgement)."""
    state = reading.state
    return 1.0 * bool(state.load) + 6.0 * (len(state.lifted) + len(state.pulled))
