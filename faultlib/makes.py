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
from circuits.stage import Stage
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
    makes = {
        Make(part.model or part.name, name, sigma)
        for part in stage.parts
        for name, sigma in families.get(kind(part.kind).family, {}).items()
        if part.parameter(name)
    }
    rails = {rail.name for rail in stage.rails}
    layout = [Layout(node, "stray", stray) for node in stage.nodes if node not in rails]
    return (*sorted(makes, key=lambda m: (m.target, m.what)), *layout)
