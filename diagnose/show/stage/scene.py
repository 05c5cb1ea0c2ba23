"""What stands on the drawing of a stage: its schematic, or parts and neighbours without one."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from circuits.drawing import Layout
from circuits.stage import Stage
from diagnose.show.stage.canvas import Area
from diagnose.show.stage.kept import layout_of
from diagnose.show.stage.neighbours import neighbour_diagram
from diagnose.show.stage.schematic import schematic

Scene = tuple[list[ET.Element], Area]
"""The members of a drawing, and the area that they fill."""


def scene(
    stage: Stage, lit: Mapping[str, float], prefix: str = "", layout: Layout | None = None
) -> Scene:
    """The drawing of one stage without what is behind its rails.

    Parameters
    ----------
    lit : mapping of part to probability
    prefix : str
        Before every id.
    layout : Layout, optional
        Where its parts stand; by default as `layout_of` has it.
    """
    layout = layout or layout_of(stage)
    if layout is None:
        return neighbour_diagram(stage, lit, prefix)
    return schematic(stage, layout, lit, prefix)
