"""A part of a drawing moved, turned and mirrored, its middle staying where it is."""

from __future__ import annotations

from dataclasses import replace

from circuits.drawing import Placement
from circuits.drawing_nets import pins
from circuits.kinds import kind
from circuits.stage import Part

_CLOCKWISE = {"right": "down", "down": "left", "left": "up", "up": "right"}
_MIRRORED = {"right": "left", "left": "right", "up": "up", "down": "down"}
_SIDEWAYS = ("opamp", "transformer")
"""Families whose symbols look to the right or to the left only."""


def moved(
    part: Part, place: Placement, by: tuple[int, int] = (0, 0), turns: int = 0,
    mirrored: bool = False,
) -> Placement:
    """Where a part stands after it was moved.

    Parameters
    ----------
    by : (int, int)
        Grid steps to the right and downwards.
    turns : int
        Quarters clockwise; an op-amp or a transformer looks to the other side with each.
    mirrored : bool
        Left and right exchanged afterwards; an op-amp has its inputs exchanged, and a part of two
        pins that stands its words on the other side.

    Returns
    -------
    Placement
        On the grid as it was.
    """
    for _ in range(turns % 4):
        place = _about_middle(part, place, _turned(part, place))
    if mirrored:
        place = _about_middle(part, place, _mirrored(part, place))
    return replace(place, at=(place.at[0] + by[0], place.at[1] + by[1]))


def _turned(part: Part, place: Placement) -> Placement:
    if kind(part.kind).family in _SIDEWAYS:
        return replace(place, along=_MIRRORED[place.along])
    across = _CLOCKWISE[place.across] if place.across else ""
    label = _CLOCKWISE.get(place.label, "") if len(part.nodes) > 2 else ""
    return replace(place, along=_CLOCKWISE[place.along], across=across, label=label)


def _mirrored(part: Part, place: Placement) -> Placement:
    if kind(part.kind).family == "opamp":
        return replace(place, across="up" if place.across == "down" else "down")
    standing = place.along in ("up", "down")
    if standing and len(part.nodes) == 2:
        return replace(place, label="" if place.label == "left" else "left")
    across = _MIRRORED[place.across] if place.across else ""
    return replace(place, along=_MIRRORED[place.along], across=across,
                   label=_MIRRORED.get(place.label, place.label))


def _about_middle(part: Part, before: Placement, after: Placement) -> Placement:
    """The second placement with its pins about where those of the first are.

    Half steps are cut off, so that four turns lead back to where a part was.
    """
    ends = [list(zip(*pins(part, one), strict=True)) for one in (before, after)]
    middles = [[(min(axis) + max(axis)) / 2 for axis in pair] for pair in ends]
    dx, dy = (int(was - now) for was, now in zip(*middles, strict=True))
    return replace(after, at=(after.at[0] + dx, after.at[1] + dy))
