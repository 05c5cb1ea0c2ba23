"""The sources of a netlist: rails, what drives the input, and what is of the simulation alone."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field

from circuits.spice.deck import Left
from circuits.spice.flat import Flat
from circuits.stage import GROUND

_INPUT = re.compile(r"(?:v|sig|gen|src|l|r|audio)?_?in(?:put|p)?\d?|sig(?:nal)?|gen|source|src")
"""Names of nodes and sources that drive (common practice)."""
_TOLD = re.compile(r"out|in\d?$|spk|v[cde][cde]")
"""Names that tell where a node is."""
_LEAST = 1e-3
"""V: a source of less is no supply."""


@dataclass
class Surroundings:
    """What stands around the parts.

    Attributes
    ----------
    rails : dict of node to volts
    input, input_return : str
        Nodes of the source that drives; empty where there is none.
    wires : dict of node to node
        Nodes that a wire joins, such as an ammeter, by the one that stays.
    left : list of Left
        Sources that are left out.
    drive : str
        The source that was taken for the input, as written.
    why : str
        What speaks for the rails.
    """

    rails: dict[str, float] = field(default_factory=dict)
    input: str = ""
    input_return: str = GROUND
    wires: dict[str, str] = field(default_factory=dict)
    left: list[Left] = field(default_factory=list)
    drive: str = ""
    why: str = "a voltage source stands there"

    def node(self, name: str) -> str:
        """The node that a name stands for when wires are wires."""
        while name in self.wires:
            name = self.wires[name]
        return name

    def join(self, a: str, b: str) -> None:
        """Make one node of two; ground, a name that says something, and shorter ones stay."""
        a, b = self.node(a), self.node(b)
        if a == b:
            return
        stays, goes = sorted((a, b), key=lambda n: (
            n != GROUND, "." in n, not _TOLD.search(n), len(n), n))
        self.wires[goes] = stays


def surroundings(
    elements: Sequence[Flat], given_input: str = "", doubted: Container[str] = ()
) -> Surroundings:
    """Sort the sources of a flat netlist.

    Parameters
    ----------
    given_input : str
        The input node, where somebody has said it.
    doubted : container of str
        Elements whose value may have been meant otherwise: of these, no ohms are no wire.
    """
    found = Surroundings()
    sources = [e for e in elements if e.letter == "v"]
    driving = _driving(sources, given_input)
    if driving is not None:
        found.input, found.input_return = driving.nodes
        found.drive = driving.label
        found.left.append(_left(driving, "the generator; its node is the input"))
    rest = [e for e in sources if e is not driving]
    for element in rest:
        if abs(element.value or 0.0) < _LEAST:
            moving = bool(element.magnitude or element.text)
            found.join(*element.nodes)
            found.left.append(_left(element, "a second generator, taken as a wire" if moving
                                    else "an ammeter or a wire"))
    for element in elements:
        if element.letter == "r" and element.value == 0.0 and element.label not in doubted:
            found.join(*element.nodes)
            found.left.append(_left(element, "a wire"))
    _rails(found, [e for e in rest if abs(e.value or 0.0) >= _LEAST])
    for element in elements:
        if element.letter == "i":
            found.left.append(_left(element, "an ideal current source: no part gives its current"
                                    if element.value else "a probe or a second generator"))
        elif element.letter in "befgh":
            found.left.append(_left(element, "an ideal source that follows something"))
    found.input, found.input_return = found.node(found.input), found.node(found.input_return)
    return found


def _left(element: Flat, why: str) -> Left:
    row = element.word.source.rows[element.word.line - 1].strip()
    return Left(row[:60], why, element.word.place)


def _driving(sources: Iterable[Flat], given: str) -> Flat | None:
    """The source that drives: one with an AC magnitude, a wave, or a name that says so."""
    def drives(element: Flat) -> tuple[int, int, int, int]:
        names = (element.nodes[0], element.name.rpartition(".")[2])
        return (
            int(bool(given) and given in element.nodes),
            int(any(_INPUT.fullmatch(name.strip("/_").lstrip("v") or name) for name in names)
                or bool(_INPUT.fullmatch(names[0].strip("/_")))),
            int(bool(element.magnitude)), int(bool(element.text)),
        )

    able = [e for e in sources if any(drives(e)) and (
        abs(e.value or 0.0) < _LEAST or e.magnitude or e.text or (given and given in e.nodes))]
    able = [e for e in able if any(drives(e)[k] for k in (0, 2, 3)) or not e.value]
    return max(able, key=drives, default=None)


def _rails(found: Surroundings, supplies: Sequence[Flat]) -> None:
    """Rails from sources, one on another where they are stacked; what floats is left out."""
    known = {GROUND: 0.0}
    waiting = list(supplies)
    while waiting:
        for element in waiting:
            plus, minus = (found.node(n) for n in element.nodes)
            volts = element.value or 0.0
            if minus in known and plus not in known:
                known[plus] = known[minus] + volts
            elif plus in known and minus not in known:
                known[minus] = known[plus] - volts
            else:
                continue
            waiting.remove(element)
            break
        else:
            break
    for element in waiting:
        found.left.append(_left(element, "an ideal battery inside the circuit, which it leaves "
                                "open: draw the parts that give its voltage"))
    found.rails = {node: volts for node, volts in known.items() if abs(volts) >= _LEAST}
