"""A unit of several stages on a page: its stages in the order of the signal, each to be folded.

What is folded still says what it is and what is suspected in it, so that the folded unit is its
block diagram. Nothing here needs a script: a fold is the browser's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from circuits.stage import Stage
from diagnose.show.stage.blocks import Block, blocks
from diagnose.show.stage.canvas import LEVELS, sheet
from diagnose.show.stage.picture import behind_rails
from diagnose.show.stage.unit_picture import block_scene
from diagnose.show.wording import chance

_HIGH, _MIDDLE, _LOW = (level.least for level in LEVELS)
SUPPLIES = "supplies"
"""What the fold of the parts behind the rails is called; no stage of a unit has such a name."""


def unit_folds(unit: Stage, lit: Mapping[str, float]) -> str:
    """The stages of a unit as a list of folds with their drawings, and its supplies.

    Parameters
    ----------
    lit : mapping of part to probability
        Only parts that the unit has. A stage with a part of 10 % and more is open; where there is
        none, that of the likeliest part, and the first where nothing is suspected.

    Returns
    -------
    str
        HTML; each drawing an ``<svg>`` with its style.
    """
    stages = blocks(unit)
    shares = {block.name: block.own(lit) for block in stages}
    behind = {part.name: lit[part.name] for part in unit.supply_parts if part.name in lit}
    everything = {**shares, SUPPLIES: behind}
    unfolded = {name for name, parts in everything.items()
                if max(parts.values(), default=0.0) >= _MIDDLE}
    if not unfolded:
        likeliest = max(everything, key=lambda name: max(everything[name].values(), default=0.0))
        unfolded = {likeliest}
    rows = [_fold(block.name, _about(number, block), shares[block.name], _stage(block, lit),
                  block.name in unfolded)
            for number, block in enumerate(stages, 1)]
    if unit.supply_parts:
        members, area = behind_rails(unit, behind, "", (0.0, 0.0, 0.0, 0.0))
        svg = sheet("Supplies", area, members, behind, f"{SUPPLIES}-")
        rows.append(_fold(SUPPLIES, "<b>supplies</b> <span>what stands behind the rails</span>",
                          behind, svg, SUPPLIES in unfolded))
    return f'<ol class="members">{"".join(rows)}</ol>'


def _about(number: int, block: Block) -> str:
    """What a fold says of its stage: place, name, title, parts, and what feeds it."""
    title = block.stage.title or block.stage.name
    parts = len(block.stage.parts)
    words = f"{parts} part{'' if parts == 1 else 's'}"
    feeds = ", ".join(dict.fromkeys(supply for _, supply in block.fed))
    words += f", on {feeds}" if feeds else ""
    return (f'<span class="place">{number}</span> <b>{escape(block.name)}</b> '
            f"<span>{escape(title)}</span> <small>{escape(words)}</small>")


def _stage(block: Block, lit: Mapping[str, float]) -> str:
    shade = f"{block.name}-"
    members, area = block_scene(block, lit, shade=shade)
    title = f"{block.name}: {block.stage.title or block.stage.name}"
    return sheet(title, area, members, block.own(lit), shade)


def _fold(name: str, about: str, parts: Mapping[str, float], svg: str, unfolded: bool) -> str:
    suspected = ""
    part = max(parts, key=lambda one: parts[one], default="")
    if part and parts[part] >= _LOW:
        suspected = f' <strong class="suspected">{escape(part)} {chance(parts[part])}</strong>'
    frame = f'<div class="frame" tabindex="0" role="region" aria-label="Drawing of {escape(name)}">'
    word = " open" if unfolded else ""
    return (f'<li><details class="member" data-member="{escape(name)}"{word}>'
            f"<summary>{about}{suspected}</summary>{frame}{svg}</div></details></li>")
