"""The ``adjust`` key of a stage file: its trimmers, and which reading each is set by."""

from __future__ import annotations

from collections.abc import Collection

from circuits import yamlfile
from circuits.adjust import Adjust
from circuits.errors import InputError
from circuits.partfile import node_name, within
from circuits.quantity import render
from circuits.stage import GROUND, Part
from circuits.yamlfile import Node

_KEYS = ("quantity", "at", "from", "within", "to")
_NEEDED = ("quantity", "at", "within")
_QUANTITIES = ("dc voltage",)
_LEAST, _MOST = 1e-4, 1e3
"""V that a trimmer may be set to, of either sign: a meter shows no less, no stage has more."""


def read_adjust(
    node: Node | None, parts: Collection[Part], nodes: Collection[str]
) -> tuple[Adjust, ...]:
    """The ``adjust`` key of a stage file: trimmers, each with its reading and setting error.

    Parameters
    ----------
    node : Node or None
        None where the file has no such key.
    nodes : collection of str
        Every node of the stage but ground.

    Raises
    ------
    InputError
        With the place.
    """
    if node is None:
        return ()
    known = {part.name: part for part in parts}
    mapping = yamlfile.mapping(node, "adjust")
    adjusts = []
    for name, entry in mapping.entries.items():
        place = mapping.keys[name].place
        if name not in known:
            raise InputError(f"there is no part {name!r}", place=place, expected="a trimmer",
                             choices=_trimmers(parts), given=name)
        if known[name].kind not in ("trimmer", "potentiometer"):
            raise InputError(f"{name} is of kind {known[name].kind}, which nobody sets",
                             place=place, expected="a trimmer", choices=_trimmers(parts))
        about = yamlfile.mapping(entry, "what a trimmer is set by", _KEYS, _NEEDED)
        yamlfile.choice(about.entries["quantity"], "quantity that a trimmer is set by", _QUANTITIES)
        at = _node(about.entries["at"], nodes)
        start = about.get("from")
        origin = GROUND if start is None else _node(start, nodes)
        if at == origin:
            raise InputError(
                f"there is no voltage from {at} to itself",
                place=about.entries["at"].place,
                expected="two nodes",
            )
        error = within(about.entries["within"], "setting error", "", (0.0, 1.0))
        adjusts.append(Adjust(name, at, origin, error, _aim(about.get("to"))))
    return tuple(adjusts)


def _aim(node: Node | None) -> float:
    """What the trimmer is set to, V; 0 where the file leaves that to the drawn position."""
    if node is None:
        return 0.0
    value = within(node, "voltage that a trimmer is set to", "V", (-_MOST, _MOST))
    if abs(value) < _LEAST:
        raise InputError(
            "a trimmer is set by a voltage that a meter shows",
            place=node.place,
            expected=f"{render(_LEAST, 'V')} or more, of either sign",
        )
    return value


def _trimmers(parts: Collection[Part]) -> list[str]:
    return [part.name for part in parts if part.kind in ("trimmer", "potentiometer")]


def _node(entry: Node, nodes: Collection[str]) -> str:
    written = node_name(entry, "a node")
    if written.value not in (*nodes, GROUND):
        raise InputError(f"there is no node {written.value!r}", place=written.place,
                         expected="a node of this stage", choices=nodes, given=written.value)
    return written.value
