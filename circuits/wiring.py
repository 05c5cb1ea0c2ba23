"""Whether the parts of a stage file make a circuit: mistakes of drawing, shown where they stand.

The simulator would answer most of these with a singular matrix or, worse, with numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from circuits.errors import InputError, Place
from circuits.spelling import node as plain
from circuits.stage import GROUND, Stage
from circuits.yamlfile import Text

_TAKEN = ("gen", "meter", "gnd")
"""Nodes of the virtual bench, and SPICE's second name of ground."""


@dataclass(frozen=True)
class Drawn:
    """Where the words of a stage file stand.

    Attributes
    ----------
    place : Place
        Of the parts as a whole.
    pins : tuple of (part, nodes)
        As written, in the order of the file.
    rails, ports : mapping of str to Text
    others : tuple of Text
        Further nodes that the file names and that must exist.
    """

    place: Place
    pins: tuple[tuple[Text, tuple[Text, ...]], ...]
    rails: Mapping[str, Text]
    ports: Mapping[str, Text]
    others: tuple[Text, ...]


def check(stage: Stage, drawn: Drawn) -> None:
    """Whether names are distinct, nodes joined, and a way leads from input to output.

    Raises
    ------
    InputError
        At the first mistake.
    """
    _names(stage, drawn)
    joined = _joined(drawn)
    if GROUND not in joined:
        raise InputError(
            "no part is connected to ground", place=drawn.place, expected='a node "0"'
        )
    _ends(drawn, joined)
    for name, written in drawn.ports.items():
        if written.value not in joined and written.value != GROUND:
            raise _absent(f"the {name} port", written, joined)
    for written in drawn.rails.values():
        if written.value not in joined:
            raise _absent("a rail", written, joined)
    _reach(stage, drawn)
    for written in drawn.others:
        if written.value not in joined:
            raise _absent("this", written, joined)


def _absent(what: str, written: Text, joined: Iterable[str]) -> InputError:
    return InputError(
        f"{what} is on the node {written.value!r}, where no part is connected",
        place=written.place,
        expected="a node of the parts",
        choices=[name for name in joined if name != GROUND],
        given=written.value,
    )


def _words(drawn: Drawn) -> Iterator[Text]:
    for _, nodes in drawn.pins:
        yield from nodes
    yield from drawn.rails.values()
    yield from drawn.ports.values()


def _names(stage: Stage, drawn: Drawn) -> None:
    """Names must stay apart in the simulator, which knows no capitals and no punctuation.

    A part's inner nodes and elements are named after it, ``c1_esr`` of C1, so no other name may
    begin so.
    """
    parts: dict[str, str] = {}
    rails = {plain(rail.name) for rail in stage.rails}
    for written, _ in drawn.pins:
        low = plain(written.value)
        if low in parts:
            raise _clash(written, parts[low])
        if low in rails or low == "pickup":
            raise InputError(
                f"{written.value!r} is the name of a rail or of the stray pick-up",
                place=written.place,
                expected="another name for the part",
            )
        parts[low] = written.value
    for written, _ in drawn.pins:
        _not_inside(written, parts)
    nodes: dict[str, str] = {}
    for written in _words(drawn):
        low = plain(written.value)
        if low in _TAKEN or low.endswith("_src") or (low.strip("0") == "" and low != GROUND):
            raise InputError(
                f"{written.value!r} cannot name a node",
                place=written.place,
                expected='another name; ground is "0"',
            )
        _not_inside(written, parts)
        first = nodes.setdefault(low, written.value)
        if first != written.value:
            raise _clash(written, first)


def _not_inside(written: Text, parts: Mapping[str, str]) -> None:
    low = plain(written.value)
    for part, name in parts.items():
        if low.startswith(f"{part}_"):
            raise InputError(
                f"{written.value!r} can be taken for an inner node of the part {name!r}",
                place=written.place,
                expected="a name that does not begin with a part's name",
            )


def _clash(written: Text, first: str) -> InputError:
    return InputError(
        f"{written.value!r} and {first!r} differ in capitals or punctuation only",
        place=written.place,
        expected="the same spelling, or another name",
    )


def _joined(drawn: Drawn) -> dict[str, set[str]]:
    """The parts on each node."""
    joined: dict[str, set[str]] = {}
    for part, nodes in drawn.pins:
        for node in nodes:
            joined.setdefault(node.value, set()).add(part.value)
    return joined


def _ends(drawn: Drawn, joined: Mapping[str, set[str]]) -> None:
    """No part lies across one node, and no node is the loose end of one part."""
    outside = {GROUND, *drawn.rails, *(port.value for port in drawn.ports.values())}
    for part, nodes in drawn.pins:
        if len({node.value for node in nodes}) == 1:
            raise InputError(
                f"every pin of {part.value} is on the node {nodes[0].value!r}",
                place=nodes[-1].place,
                expected="two nodes",
            )
        for node in nodes:
            if len(joined[node.value]) == 1 and node.value not in outside:
                raise InputError(
                    f"only {part.value} is connected to the node {node.value!r}",
                    place=node.place,
                    expected="a second part on it, a port or a rail; is a name misspelt?",
                    choices=[name for name in joined if name not in (node.value, GROUND)],
                    given=node.value,
                )


def _spread(start: Iterable[str], drawn: Drawn, walls: frozenset[str]) -> set[str]:
    """Every node that parts lead to, without passing through a wall."""
    reached = set(start)
    waiting = list(reached)
    by_node: dict[str, list[tuple[Text, ...]]] = {}
    for _, nodes in drawn.pins:
        for node in nodes:
            by_node.setdefault(node.value, []).append(nodes)
    while waiting:
        here = waiting.pop()
        if here in walls:
            continue
        for nodes in by_node.get(here, ()):
            for node in nodes:
                if node.value not in reached:
                    reached.add(node.value)
                    waiting.append(node.value)
    return reached


def _reach(stage: Stage, drawn: Drawn) -> None:
    grounded = _spread((GROUND, *drawn.rails, stage.input), drawn, frozenset())
    for part, nodes in drawn.pins:
        if nodes[0].value not in grounded:
            raise InputError(
                f"nothing leads from {part.value} to ground, a rail or the input",
                place=nodes[0].place,
                expected="one circuit",
            )
    walls = frozenset((GROUND, *drawn.rails))
    if stage.output not in _spread((stage.input,), drawn, walls - {stage.input}):
        raise InputError(
            f"no parts lead from the input {stage.input!r} to the output {stage.output!r}",
            place=drawn.ports["output"].place,
            expected="a node that the signal reaches",
        )
