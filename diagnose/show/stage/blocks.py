"""A unit taken apart for its drawing: each stage in its own names, with the values of the unit.

A unit is one flat stage whose parts and nodes are called ``tone.C3`` and ``tone.out``. The drawing
of a stage knows C3 and ``out``; what comes of it is renamed, so that a page finds ``tone.C3``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from xml.etree import ElementTree as ET

from circuits.stage import GROUND, Part, Rail, Stage
from diagnose.show.stage.canvas import identifier


@dataclass(frozen=True)
class Block:
    """One stage of a unit.

    Attributes
    ----------
    name : str
        What the unit calls it.
    stage : Stage
        In its own names, with the values that the unit has.
    fed : tuple of (rail, supply)
        Rails that the unit feeds.
    """

    name: str
    stage: Stage
    fed: tuple[tuple[str, str], ...]

    def full(self, name: str) -> str:
        """What the unit calls a part or node of the stage."""
        return name if name == GROUND else dict(self.fed).get(name) or f"{self.name}.{name}"

    def own(self, lit: Mapping[str, float]) -> dict[str, float]:
        """Of what is said by parts of the unit, what is about this stage, in its own names."""
        parts = {f"{self.name}.{part.name}": part.name for part in self.stage.parts}
        return {parts[name]: value for name, value in lit.items() if name in parts}


def has_blocks(stage: Stage) -> bool:
    """Whether a stage is made of several, and known in its pieces."""
    return stage.chain is not None and bool(stage.members)


def blocks(unit: Stage) -> tuple[Block, ...]:
    """The stages of a unit, in the order of the signal."""
    if unit.chain is None:
        return ()
    return tuple(_block(unit, name, stage)
                 for name, stage in zip(unit.chain.names, unit.members, strict=True))


def _block(unit: Stage, name: str, stage: Stage) -> Block:
    fed = tuple((rail.name, supply) for rail in stage.rails
                if (supply := unit.real(f"{name}.{rail.name}")) != f"{name}.{rail.name}")
    whole = {part.name: part for part in unit.parts}
    rails = {rail.name: rail for rail in unit.rails}

    def part(own: Part) -> Part:
        there = whole.get(f"{name}.{own.name}", own)
        return replace(there, name=own.name, nodes=own.nodes)

    def rail(own: Rail) -> Rail:
        there = rails.get(dict(fed).get(own.name) or f"{name}.{own.name}", own)
        # what is behind the supply stands under the unit, once
        return replace(own, volts=there.volts, supply=None)

    return Block(name, replace(stage, parts=tuple(map(part, stage.parts)),
                               rails=tuple(map(rail, stage.rails))), fed)


def renamed(members: Iterable[ET.Element], block: Block, prefix: str = "") -> None:
    """Call what is drawn of a stage as the unit calls it; what is written stays as it is.

    Parameters
    ----------
    members : iterable of Element
        Of the drawing of the block's stage; changed in place.
    prefix : str
        Before every id of a part.
    """
    feeds = dict(block.fed)
    for element in (inner for member in members for inner in member.iter()):
        part, node = element.get("data-part"), element.get("data-node")
        said = element.find("title")
        if part is not None:
            element.set("data-part", block.full(part))
            element.set("id", identifier(block.full(part), prefix))
            if said is not None:
                said.text = f"{block.name}.{said.text}"
        elif node is not None:
            element.set("data-node", block.full(node))
            if said is not None:
                said.text = f"{block.name}.{said.text}"
            elif node in feeds:
                ET.SubElement(element, "title").text = f"{block.name}.{node}: supply {feeds[node]}"
