"""What a stage file leaves open of every unit built to it: the make of its devices, and its layout.

Two good units of one stage differ by their tolerances (`faultlib.tolerance`); all of one model
differ from the stage file by what these spreads say. They are taken at the healthy unit and
carried over to faulty ones, as an error of the model whose shape is known.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import yaml

from circuits.kinds import kind
from circuits.quantity import parse
from circuits.stage import Part, Stage
from faultlib.population import Moves, bipolar
from faultlib.tolerance import Layout, LeftOpen, Make


@cache
def _sigmas() -> tuple[float, Mapping[str, Mapping[str, float]]]:
    """Stray capacitance (F), and by device family the sigma of every parameter."""
    path = Path(__file__).with_name("makes.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    stray = parse(raw.pop("stray"), "F")
    return stray, raw


def left_open(stage: Stage) -> tuple[LeftOpen, ...]:
    """What the stage file leaves open: a spread for every device parameter and node.

    Returns
    -------
    tuple of Make, then Layout
    """
    stray, families = _sigmas()
    makes: dict[tuple[str, str], Make] = {}
    for part in stage.parts:
        target, family = part.model or part.name, kind(part.kind).family
        for what, moves in _moves(part, family, families.get(family, {})).items():
            makes.setdefault((target, what), Make(target, what, 1.0, moves=moves))
    rails = {rail.name for rail in stage.rails}
    layout = [Layout(node, "stray", stray) for node in stage.nodes if node not in rails]
    return (*sorted(makes.values(), key=lambda m: (m.target, m.what)), *layout)


def _moves(part: Part, family: str, sigmas: Mapping[str, float]) -> dict[str, Moves]:
    """The ways in which makes differ, by a name each."""
    ways: dict[str, Moves] = {
        name: ((name, sigma),) for name, sigma in sigmas.items() if part.parameter(name)
    }
    if family == "bipolar":
        ways |= {f"direction {k}": moves for k, moves in enumerate(bipolar().directions(part), 1)}
    return {name: moves for name, moves in ways.items() if moves}
