"""A stage of the right kind only: how another design of it differs, by what its parts are for.

Where the schematic of a unit is not at hand, its nominal values are not those of the stage file. A
curve or a ratio is what a stage is designed for and differs little; the impedance level that it is
built at, a coupling capacitor, a rail differ much. The numbers stand in ``designs.yaml``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import yaml

from circuits.chain import PICKUP
from circuits.earths import all_roles, standing
from circuits.kinds import kind
from circuits.stage import Part, Stage
from faultlib.tolerance import Design

_IMPEDANCE: Mapping[str, float] = {
    "resistor": 1.0, "potentiometer": 1.0, "capacitor": -1.0, "inductor": 1.0,
}
"""Families whose values one designer chooses and another otherwise, and the way in which each goes
when the impedance level rises."""


@dataclass(frozen=True)
class Section:
    """What parts of one purpose are called, and how far their values lie apart between designs.

    Attributes
    ----------
    words : tuple of str
        Of roles.
    families : tuple of str
        Kinds of parts that belong to it whatever their role.
    own, together : float
        Standard deviation of a value's natural logarithm by itself, and of the impedance level
        that all of the section share.
    """

    name: str
    words: tuple[str, ...] = ()
    families: tuple[str, ...] = ()
    own: float = 0.0
    together: float = 0.0


@dataclass(frozen=True)
class Designs:
    """What ``designs.yaml`` says.

    Attributes
    ----------
    sections : tuple of Section
        A part belongs to the first that names it; the last is of all others.
    rails, stray : float
        Of all rail voltages together, and of stray mains and the ripple of rails.
    """

    sections: tuple[Section, ...]
    rails: float
    stray: float


@cache
def designs() -> Designs:
    """How designs of one kind differ."""
    path = Path(__file__).with_name("designs.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    sections = [
        Section(one["name"], tuple(one.get("words", ())), tuple(one.get("families", ())),
                one.get("own", 0.0), one.get("together", 0.0))
        for one in raw["sections"]
    ]
    sections.append(Section("other parts", own=raw["other parts"]["own"]))
    return Designs(tuple(sections), raw["rails"], raw["stray"])


def section(stage: Stage, name: str) -> Section:
    """The section that a part, a rail, a return or stray pick-up of a stage belongs to."""
    sections = designs().sections
    if standing(name):
        role = all_roles(stage)[name]
        return next(s for s in sections if any(word in role for word in s.words))
    parts = {part.name: part for part in stage.parts}
    if name not in parts:
        stray = name.rpartition(".")[2] == PICKUP
        return next(s for s in sections if ("earth" if stray else "supply") in s.words)
    return _of(parts[name])


def _of(part: Part) -> Section:
    role, family = part.role.lower(), kind(part.kind).family
    sections = designs().sections
    for one in sections:
        if family in one.families or any(word.lower() in role for word in one.words):
            return one
    return sections[-1]


def another_design(stage: Stage, known: tuple[str, ...] = ()) -> tuple[Design, ...]:
    """How the nominal values of another design of the same kind differ from the stage's.

    Parameters
    ----------
    known : tuple of str
        Parts whose values the sheet states.

    Returns
    -------
    tuple of Design
        A few by which parts of a section move together, one of every part by itself, one of all
        rails.
    """
    free = [
        part for part in stage.parts
        if part.value and part.name not in known and kind(part.kind).family in _IMPEDANCE
    ]
    moved: list[Design] = []
    for one in designs().sections:
        mine = [part for part in free if _of(part) == one]
        for owner in dict.fromkeys(_owner(part) for part in mine):
            moves = tuple((p.name, one.together * _IMPEDANCE[kind(p.kind).family])
                          for p in mine if _owner(p) == owner)
            if one.together and len(moves) > 1:
                moved.append(Design(f"{owner}{one.name}", "impedance", 1.0, moves=moves))
        moved += [Design(p.name, "value", 1.0, moves=((p.name, one.own),)) for p in mine if one.own]
    moves = tuple((rail.name, designs().rails) for rail in stage.rails if rail.supply is None)
    if moves:
        moved.append(Design("rails", "volts", 1.0, moves=moves))
    return tuple(moved)


def _owner(part: Part) -> str:
    """The stage of a unit that a part is of, with its dot; empty in a single stage."""
    head, dot, _ = part.name.rpartition(".")
    return head + dot
