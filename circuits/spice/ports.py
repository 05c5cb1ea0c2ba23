"""Where a signal goes in and comes out, and what stands there of the bench: source and load."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from circuits.errors import InputError, Place
from circuits.kinds import kind
from circuits.spice.deck import Left
from circuits.spice.drafts import Drafts
from circuits.spice.guess import OF_STAGE
from circuits.spice.sources import Surroundings
from circuits.stage import GROUND, Part

_OUTPUT = re.compile(r"v?_?(?:[lr]_?)?out(?:put)?\d?|spk\w*|speaker|lout|rout|ls\d?|o")
_INPUT = re.compile(r"v?_?(?:[lr]_?|audio_?)?in(?:put)?\d?|sig(?:nal)?")
_LOAD = re.compile(r"r_?(?:l|load|ld|spk|speaker|ls)\d?|load|spk|ls\d?", re.IGNORECASE)
_SOURCE = re.compile(r"r_?(?:s|src|source|gen|g|sig|signal|gs|in_?src)\d?", re.IGNORECASE)
_MOST_SOURCE = 1e6
"""Ohm of a source impedance at most; more is a part."""
_PROBED = re.compile(r"v\(\s*([^\s(),]+)\s*[,)]", re.IGNORECASE)


@dataclass(frozen=True)
class Ports:
    """The ends of the signal, in nodes of the netlist, and what belongs to the bench there."""

    input: str
    output: str
    input_return: str
    source_impedance: float
    load: float


def ports(
    around: Surroundings, made: Drafts, deck_left: Sequence[Left], given: Mapping[str, str],
    name: str,
) -> Ports:
    """The ports; the resistors that stand for source and load are taken off the parts.

    Parameters
    ----------
    deck_left : sequence of Left
        Statements that were left out, some of which say what is looked at.
    given : mapping
        ``input`` and ``output`` where somebody has said them.
    name : str
        Of the netlist, for messages.

    Raises
    ------
    InputError
        Where nothing tells the input or the output.
    """
    nodes = list(dict.fromkeys(n for part in made.parts.values() for n in part.nodes))
    still = {GROUND, *around.rails}
    start = _input(around, nodes, still, given, name, made)
    start, impedance = _source(around, made, start, given)
    end = _output(made, nodes, still, start, deck_left, given, name)
    load = _load(made, end)
    return Ports(start, end, around.input_return, impedance, load)


def _free(nodes: Iterable[str], still: set[str]) -> list[str]:
    return [n for n in nodes if n not in still]


def _last(node: str) -> str:
    return node.lower().strip("/_").rpartition(".")[2].rpartition("/")[2]


def _input(around: Surroundings, nodes: Sequence[str], still: set[str], given: Mapping[str, str],
           name: str, made: Drafts) -> str:
    asked = given.get("input", "").lower()
    if asked:
        return _known(asked, nodes, "input", name)
    if around.input:
        made.guess(OF_STAGE, "input", around.input, f"{around.drive} drives it",
                   "Is this the input?")
        return around.input
    for node in _free(nodes, still):
        if _INPUT.fullmatch(_last(node)):
            made.guess(OF_STAGE, "input", node, "its name", "Is this the input?")
            return node
    raise InputError("nothing says where the signal goes in", place=Place(name),
                     expected="a V source with AC 1 there, a node named in, or --input NODE",
                     choices=_free(nodes, still), given="in")


def _known(asked: str, nodes: Sequence[str], what: str, name: str) -> str:
    for node in nodes:
        if node == asked or node.lstrip("/") == asked:
            return node
    raise InputError(f"the {what} {asked!r} is no node of this netlist", place=Place(name),
                     expected="one of its nodes", choices=nodes, given=asked)


def _on(made: Drafts, node: str) -> list[Part]:
    return [part for part in made.parts.values() if node in part.nodes]


def _drop(made: Drafts, part: Part) -> None:
    del made.parts[part.name]
    made.guesses = [guess for guess in made.guesses if guess.of != part.name]


def _source(around: Surroundings, made: Drafts, start: str, given: Mapping[str, str]
            ) -> tuple[str, float]:
    """A resistor behind which the generator stands alone is its impedance."""
    parts = _on(made, start)
    if not given.get("input") and len(parts) == 1 and _SOURCE.fullmatch(
            parts[0].name.rpartition(".")[2]):
        (part,) = parts
        if kind(part.kind).family == "resistor" and (part.value or 0.0) <= _MOST_SOURCE:
            other = next(n for n in part.nodes if n != start)
            if other != GROUND and other not in around.rails:
                _drop(made, part)
                made.guess(OF_STAGE, "source impedance", f"{part.value:g} ohm",
                           f"{part.name} stands between generator and input",
                           f"Is {part.name} the generator's, or a part of the unit?")
                made.guesses = [
                    g if (g.of, g.word) != (OF_STAGE, "input") else type(g)(
                        g.of, g.word, other, g.why, g.question) for g in made.guesses]
                return other, part.value or 0.0
    made.guess(OF_STAGE, "source impedance", "0 ohm", "the netlist has none",
               "What drives the unit, behind how many ohms?")
    return start, 0.0


def _output(made: Drafts, nodes: Sequence[str], still: set[str], start: str,
            left: Sequence[Left], given: Mapping[str, str], name: str) -> str:
    asked = given.get("output", "").lower()
    if asked:
        return _known(asked, nodes, "output", name)
    free = [n for n in _free(nodes, still) if n != start]
    loads = [p for p in made.parts.values() if _is_load(p)]
    for part in loads:
        node = next(n for n in part.nodes if n != GROUND)
        if node in free:
            made.guess(OF_STAGE, "output", node, f"{part.name} loads it", "Is this the output?")
            return node
    for node in free:
        if _OUTPUT.fullmatch(_last(node)) and _last(node) != "o":
            made.guess(OF_STAGE, "output", node, "its name", "Is this the output?")
            return node
    probed: list[str] = [str(m[1]).lower() for one in left for m in _PROBED.finditer(one.what)]
    for node in reversed(probed):
        if node in free:
            made.guess(OF_STAGE, "output", node, "a simulation looked at it",
                       "Is this the output?")
            return node
    far = _farthest(made, start, still)
    if far:
        made.guess(OF_STAGE, "output", far, "the farthest from the input", "Is this the output?")
        return far
    raise InputError("nothing says where the signal comes out", place=Place(name),
                     expected="a node named out, a load RL, or --output NODE", choices=free,
                     given="out")


def _is_load(part: Part) -> bool:
    return (
        kind(part.kind).family == "resistor" and GROUND in part.nodes
        and bool(_LOAD.fullmatch(part.name.rpartition(".")[2]))
    )


def _load(made: Drafts, end: str) -> float:
    for part in _on(made, end):
        if _is_load(part):
            _drop(made, part)
            made.guess(OF_STAGE, "load", f"{part.value:g} ohm", f"{part.name} at the output",
                       f"Is {part.name} the load, or a part of the unit?")
            return part.value or 0.0
    made.guess(OF_STAGE, "load", "none", "the netlist has none",
               "What stands at the output: a loudspeaker, the next input?")
    return 0.0


def _farthest(made: Drafts, start: str, still: set[str]) -> str:
    """The node that most parts lie before, counted from the input."""
    reached, edge, last = {start}, [start], ""
    while edge:
        step: list[str] = []
        for part in made.parts.values():
            if any(n in edge for n in part.nodes):
                step += [n for n in part.nodes if n not in reached and n not in still]
        edge = list(dict.fromkeys(step))
        reached |= {*edge}
        last = edge[-1] if edge else last
    return last
