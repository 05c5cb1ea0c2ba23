"""Drawings and charts inside a page, whose policy keeps a style out of what is put into it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import escape

from circuits.drawing import Layout
from circuits.stage import Stage
from diagnose.answer.result import Result
from diagnose.show import chart_svg as chart
from diagnose.show.chart_scale import View
from diagnose.show.chart_table import table
from diagnose.show.figure import Figure
from diagnose.show.stage import canvas as picture
from diagnose.show.stage.blocks import has_blocks
from diagnose.show.stage.neighbours import neighbour_diagram
from diagnose.show.stage.picture import render
from diagnose.show.unit_folds import unit_folds

STYLES = picture.STYLE + "\n" + chart.STYLE + "\n"
_STYLE = re.compile(r"<style>.*?</style>", re.DOTALL)
_SIZE = re.compile(r'viewBox="\S+ \S+ (\S+) ([^"]+)"')
_TALL = 0.75
"""Height over width from which a drawing is shrunk too far in a strip (judgement, on A4)."""
_LOWEST = 300.0
"""Least width of a chart, CSS pixels: in less its marks would touch."""


def drawing(
    stage: Stage, lit: Mapping[str, float] | None = None, layout: Layout | None = None
) -> str:
    """The drawing of a stage without its style, which is in `STYLES`; a unit's stages in folds.

    Suspects that are no part of it, such as pick-up, are passed over. `layout` says where parts
    stand, where that is not as `layout_of` has it.
    """
    parts = {part.name for part in (*stage.parts, *stage.supply_parts)}
    known = {k: v for k, v in (lit or {}).items() if k in parts}
    if layout is None and has_blocks(stage):
        return without_style(unit_folds(stage, known))
    return without_style(render(stage, known, layout=layout))


def plain_drawing(stage: Stage) -> str:
    """Parts and their neighbours, which takes no time."""
    members, area = neighbour_diagram(stage, {}, "")
    return without_style(picture.sheet(stage.title or stage.name, area, members, {}, ""))


def without_style(svg: str) -> str:
    """A drawing whose style stands in `STYLES`."""
    return _STYLE.sub("", svg)


def is_tall(svg: str) -> bool:
    """Whether a drawing needs more of a printed page than a strip across it."""
    found = _SIZE.search(svg)
    return found is not None and float(found[2]) > _TALL * float(found[1])


def charts(
    figure: Figure, width: float, height: float = 0.0, views: Mapping[int, View] | None = None,
    only: int | None = None,
) -> str:
    """The panels of a figure, each with its title, for a space so wide.

    Parameters
    ----------
    width, height : float
        CSS pixels; a height of 0 goes by the width.
    views : mapping of int to View
        Which part is looked at of which panel.
    only : int, optional
        The number of the one panel that is wanted.
    """
    high = height or float(round(min(max(0.56 * width, 260.0), 380.0)))
    drawings = []
    for k, panel in enumerate(figure.panels):
        if only is not None and k != only:
            continue
        svg = chart.chart(panel, max(width, _LOWEST), high, (views or {}).get(k))
        title = escape(panel.title)
        drawings.append(f'<figure class="curve" data-panel="{k}"><figcaption>{title}</figcaption>'
                        f"{svg}{table(panel)}</figure>")
    return "".join(drawings)


def lit(result: Result) -> dict[str, float]:
    """How probable it is of each part that it is at fault, in any way."""
    shares: dict[str, float] = {}
    for suspect in result.suspects:
        names = [suspect.part, *([suspect.also.part] if suspect.also else [])]
        for name in dict.fromkeys(names):
            shares[name] = shares.get(name, 0.0) + suspect.probability
    return shares
