"""Whether the parts of a stage file make a circuit: mistakes of drawing, shown where they stand.

The simulator would answer most of these with a singular matrix or, worse, with numbers.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from circuits.errors import InputError, Place
from circuits.spelling import node as plain
from circuits.stage import GROUND, Stage
from circuits.yamlfile import Text

_TAKEN = ("gen", "meter", "gnd")
"""Nodes of the virtual bench, and SPICE's second name of ground."""


_ALIKE = 0.6
"""From which likeness on (`difflib`) one name may be a slip for another (judgement)."""


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
        With all mistakes that do not follow from one another, each at its place.
    """
    joined = _joined(drawn)
    wrong = [*_names(stage, drawn)]
    # a node that is written in two ways is loose for this reason alone
    spelt = {plain(error.given) for error in wrong}
    absent = [*_marks(drawn, joined)]
    if GROUND not in joined:
        wrong.append(InputError(
            "no part is connected to ground", place=drawn.place, expected='a node "0"'
        ))
    loose = [error for error in _ends(drawn, joined)
             if plain(error.given) not in spelt and not _meant(error.given, absent)]
    wrong += [*loose, *absent]
    if wrong:  # that no way leads anywhere follows from most of these
        raise InputError.together(wrong)
    wrong = [*_reach(stage, drawn)]
    if wrong:
        raise InputError.together(wrong)


def _marks(drawn: Drawn, joined: Mapping[str, set[str]]) -> Iterator[InputError]:
    """Ports, rails and what else names a node stand on nodes of parts."""
    for name, written in drawn.ports.items():
        if written.value not in joined and written.value != GROUND:
            yield _absent(f"the {name} port", written, joined)
    for written in drawn.rails.values():
        if written.value not in joined:
            yield _absent("a rail", written, joined)
    for written in drawn.others:
        if written.value not in joined:
            yield _absent("this", written, joined)


def _meant(node: str, absent: Iterable[InputError]) -> bool:
    """Whether a loose end is what a port or a rail that is on no node may have meant."""
    return any(difflib.get_close_matches(error.given, [node], cutoff=_ALIKE) for error in absent)


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


def _names(stage: Stage, drawn: Drawn) -> Iterator[InputError]:
    """Names must stay apart in the simulator, which knows no capitals and no punctuation.

    A part's inner nodes and elements are named after it, ``c1_esr`` of C1, so no other name may
    begin so. Each name is told of once.
    """
    parts: dict[str, str] = {}
    rails = {plain(rail.name) for rail in stage.rails}
    for written, _ in drawn.pins:
        low = plain(written.value)
        if low in parts:
            yield _clash(written, parts[low])
        elif low in rails or low == "pickup":
            yield InputError(
                f"{written.value!r} is the name of a rail or of the stray pick-up",
                place=written.place,
                expected="another name for the part",
            )
        parts.setdefault(low, written.value)
    for written, _ in drawn.pins:
        yield from _inside(written, parts)
    nodes: dict[str, str] = {}
    told: set[str] = set()
    for written in _words(drawn):
        low = plain(written.value)
        first = nodes.setdefault(low, written.value)
        if written.value in told:
            continue
        told.add(written.value)
        if low in _TAKEN or low.endswith("_src") or (low.strip("0") == "" and low != GROUND):
            yield InputError(
                f"{written.value!r} cannot name a node",
                place=written.place,
                expected='another name; ground is "0"',
                given=written.value,
            )
        elif first != written.value:
            yield _clash(written, first)
        else:
            yield from _inside(written, parts)


def _inside(written: Text, parts: Mapping[str, str]) -> Iterator[InputError]:
    low = plain(written.value)
    for part, name in parts.items():
        if low.startswith(f"{part}_"):
            yield InputError(
                f"{written.value!r} can be taken for an inner node of the part {name!r}",
                place=written.place,
                expected="a name that does not begin with a part's name",
                given=written.value,
            )
            return


def _clash(written: Text, first: str) -> InputError:
    return InputError(
        f"{written.value!r} and {first!r} differ in capitals or punctuation only",
        place=written.place,
        expected="the same spelling, or another name",
        given=written.value,
    )


def _joined(drawn: Drawn) -> dict[str, set[str]]:
    """The parts on each node."""
    joined: dict[str, set[str]] = {}
    for part, nodes in drawn.pins:
        for node in nodes:
            joined.setdefault(node.value, set()).add(part.value)
    return joined


def _ends(drawn: Drawn, joined: Mapping[str, set[str]]) -> Iterator[InputError]:
    """No part lies across one node, and no node is the loose end of one part."""
    outside = {GROUND, *drawn.rails, *(port.value for port in drawn.ports.values())}
    for part, nodes in drawn.pins:
        if len({node.value for node in nodes}) == 1:
            yield InputError(
                f"every pin of {part.value} is on the node {nodes[0].value!r}",
                place=nodes[-1].place,
                expected="two nodes",
            )
            continue
        first: dict[str, Text] = {}
        for node in nodes:
            first.setdefault(node.value, node)
        for node in first.values():
            if len(joined[node.value]) == 1 and node.value not in outside:
                yield InputError(
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


def _reach(stage: Stage, drawn: Drawn) -> Iterator[InputError]:
    grounded = _spread((GROUND, *drawn.rails, stage.input), drawn, frozenset())
    for part, nodes in drawn.pins:
        if nodes[0].value not in grounded:
            yield InputError(
                f"nothing leads from {part.value} to ground, a rail or the input",
                place=nodes[0].place,
                expected="one circuit",
            )
            # of what hangs together with it, the first part stands for all
            grounded |= _spread((nodes[0].value,), drawn, frozenset())
    walls = frozenset((GROUND, *drawn.rails))
    if stage.output not in _spread((stage.input,), drawn, walls - {stage.input}):
        yield InputError(
            f"no parts lead from the input {stage.input!r} to the output {stage.output!r}",
            place=drawn.ports["output"].place,
            expected="a node that the signal reaches",
        )
