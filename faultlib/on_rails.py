"""One unit at rest in this process: its rails as they are loaded, its voltages, its gain.

For what needs a single operating point and no pool, such as a netlist that is read or written.
"""

from __future__ import annotations

import math

from circuits.errors import EngineError, InputError
from circuits.reading import Reading
from circuits.stage import Stage


def on_rails(drawn: Stage, unit: Stage) -> Stage:
    """A unit whose rails have what their supplies give at what it draws.

    Parameters
    ----------
    drawn : Stage
        The healthy one, for which the supplies were made.
    unit : Stage
        The same or a variant of it.

    Raises
    ------
    NoSolution
        Where no operating point is found.
    """
    from circuits.bench.engine import Engine
    from circuits.bench.loaded import fed_as, loaded
    from circuits.bench.steps import alone

    return alone(loaded(fed_as(drawn, unit)), Engine().run)


def volts_at_rest(stage: Stage) -> dict[str, float]:
    """Voltages of all nodes, V; none where the simulator finds none."""
    from circuits.bench.take import take

    readings = [Reading("dc voltage", at=node, meter=math.inf) for node in stage.nodes]
    try:
        return dict(zip(stage.nodes, map(float, take(stage, readings)), strict=True))
    except (EngineError, InputError):
        return {}


def middle_gain(stage: Stage) -> float:
    """Gain at 1 kHz, a ratio."""
    from circuits.bench.take import take

    (decibels,) = take(stage, [Reading("gain", frequency=1e3)])
    return float(10.0 ** (float(decibels) / 20.0))
