"""A netlist as the text of a stage file, with everything that it did not say as a guess.

Text in, result out: the command and the page show the same guesses, questions and what was left
out. Nothing of the netlist is run, and no word of it reaches the simulator unchecked: the stage
file that comes out is read by the reader of all stage files.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError, Place
from circuits.kinds import kind
from circuits.spice import deck as decks
from circuits.spice import numbers
from circuits.spice.components import drafted
from circuits.spice.deck import Left
from circuits.spice.drafts import Drafts, drafts, printed_value
from circuits.spice.flat import Netlist
from circuits.spice.flatten import flat
from circuits.spice.guess import OF_STAGE, Asked, Guess, marks
from circuits.spice.naming import node_names
from circuits.spice.ports import Ports, ports
from circuits.spice.returning import Load, Returned, noted, returned
from circuits.spice.roles import roles
from circuits.spice.sexpressions import is_s_expression
from circuits.spice.sources import Surroundings, surroundings
from circuits.stage import GROUND, Part, Rail, Stage
from circuits.stagetext import stage_text

Rest = Callable[[Stage], Mapping[str, float]]
"""Voltages at rest of a stage, V by node; empty where there are none."""
_ALIKE = 1e-3
"""V between the ends of a capacitor that tell nothing of its polarity."""
_ELEMENT = re.compile(r"[RCLQDJMVIX]\w*\s+\w+\s+\w+\s+\S+.*", re.IGNORECASE)
MOST_PARTS = 1000
"""Parts of a stage that comes of a netlist; a unit of five stages has 110 (judgement)."""


@dataclass(frozen=True)
class Imported:
    """What became of a netlist.

    Attributes
    ----------
    text : str
        Of the stage file.
    stage : Stage
        The same as data.
    guesses : tuple of Guess
        What nobody has said; the stage file marks it so.
    asked : tuple of Asked
        Values that a person may have meant otherwise than SPICE reads them.
    left : tuple of Left
        What of the netlist a stage has no use for.
    renamed : tuple of (str, str)
        Nodes that a stage file must call otherwise.
    """

    text: str
    stage: Stage
    guesses: tuple[Guess, ...]
    asked: tuple[Asked, ...]
    left: tuple[Left, ...]
    renamed: tuple[tuple[str, str], ...] = ()


def imported(
    text: str, name: str = "netlist.cir", folder: Path | None = None, rest: Rest | None = None,
    given: Mapping[str, str] | None = None,
    comments: tuple[Load, Callable[[Stage], Stage]] | None = None,
) -> Imported:
    """A netlist as a stage file.

    Parameters
    ----------
    text : str
        Of the netlist.
    name : str
        Of its file, for messages and for the name of the stage.
    folder : Path, optional
        Where files lie that it includes; without, none can be included.
    rest : callable, optional
        Tells the voltages at rest, from which the polarity of electrolytics follows.
    given : mapping, optional
        What somebody has said: ``input`` and ``output`` nodes.
    comments : tuple of callables, optional
        What reads the stage file that a netlist of our own carries in comments, and what loads its
        rails; without, such comments are passed over.

    Raises
    ------
    InputError
        For what cannot be read or can be no stage, with the place.
    """
    said = given or {}
    if is_s_expression(text):
        title, parts, nets = drafted(text, name)
        return _finished(title, name, parts, nets, (), (), rest, said)
    deck = decks.read(text, name, folder)
    netlist = flat(deck)
    carried = noted(deck.notes)
    if carried and comments is not None:
        found = returned(netlist, carried, comments[0], name, folder, comments[1])
        return _back(found, netlist, carried)
    doubted = {doubt.label for doubt in netlist.doubts}
    around = surroundings(netlist.elements, said.get("input", "").lower(), doubted)
    made = drafts(netlist, around.node, list(around.rails))
    left = (*deck.left, *around.left)
    if _ELEMENT.fullmatch(deck.title):
        left += (Left(deck.title[:60], "the first line of a netlist is its title, whatever it says",
                      Place(name, 1, 1)),)
    return _finished(deck.title, name, made, around, left, _asked(netlist), rest, said)


def _finished(title: str, name: str, made: Drafts, around: Surroundings, before: Sequence[Left],
              asked: tuple[Asked, ...], rest: Rest | None, said: Mapping[str, str]) -> Imported:
    """Parts and what stands around them as a stage, whatever they came from."""
    if not made.parts:
        raise InputError("this netlist has no parts", place=Place(name),
                         expected="R, C, L, D, Q, J, M or X elements")
    if len(made.parts) > MOST_PARTS:
        raise InputError(f"this netlist has {len(made.parts)} parts", place=Place(name),
                         expected=f"one amplifier, with at most {MOST_PARTS}")
    ends = ports(around, made, before, said, name)
    _loose(made, ends, around)
    left = (*before, *made.left)
    for rail, volts in around.rails.items():
        said_so = any(g.word == "rails" and g.value.lower().startswith(f"{rail} ")
                      for g in made.guesses)
        if not said_so and any(rail in part.nodes for part in made.parts.values()):
            made.guess(OF_STAGE, "rails", f"{rail} {volts:g} V", around.why,
                       f"Is {rail} a supply, and how much does it ripple?")
    names = node_names(_nodes(made, ends, around), list(made.parts))
    stage = _stage(title, name, made, ends, around, names)
    stage = _polarised(stage, made, rest)
    stage = _told(stage, made, {names[r]: v for r, v in around.rails.items() if r in names})
    points = tuple((node, "") for node in stage.nodes)
    stage = replace(stage, guessed=marks(made.guesses), test_points=points)
    devices = "\n".join(dict.fromkeys(
        made.cards[part.model] for part in stage.parts if part.model in made.cards))
    renamed = tuple((a, b) for a, b in names.items() if a.lstrip("/") != b)
    guesses = tuple(sorted(made.guesses, key=lambda guess: guess.of != OF_STAGE))
    return Imported(
        text=stage_text(stage, devices, [f"From the netlist {Path(name).name}.",
                                         "What stands under guessed was not in it: set it right, "
                                         "and take it off that list."]),
        stage=stage, guesses=guesses, asked=asked, left=left, renamed=renamed,
    )


def _back(found: Returned, netlist: Netlist, carried: str) -> Imported:
    """A netlist of our own: nothing of it is guessed but what was so before."""
    stage = found.stage
    if found.text:
        return Imported(found.text, stage, (), _asked(netlist), ())
    more = Netlist("", list(found.added), netlist.models, [])
    made = drafts(more, found.spell, [rail.name for rail in stage.rails])
    left = [Left(name, "is as the netlist has it, not as its comments say", Place(""))
            for name in found.changed]
    left += [Left(name, "is not in the comments of this netlist", Place(""))
             for name in made.parts]
    names = {part.name for part in stage.parts}
    kept = tuple((of, words) for of, words in stage.guessed if of in names or of == OF_STAGE)
    stage = replace(stage, parts=(*stage.parts, *made.parts.values()),
                    guessed=(*kept, *marks(made.guesses)))
    devices = "\n".join((_devices(carried), *made.cards.values())).strip("\n")
    text = stage_text(stage, devices, ["From a netlist."])
    return Imported(text, stage, tuple(made.guesses), _asked(netlist), (*left, *made.left))


def _devices(carried: str) -> str:
    """What a stage file says of the user's own devices."""
    node = yamlfile.mapping(yamlfile.tree(carried, "comments"), "a stage file").get("devices")
    return node.value if isinstance(node, yamlfile.Text) else ""


def _loose(made: Drafts, ends: Ports, around: Surroundings) -> None:
    """Leave out parts of two pins that lead nowhere, such as what a probe hung on."""
    outside = {GROUND, *around.rails, ends.input, ends.output, ends.input_return}
    while True:
        counts: dict[str, int] = {}
        for part in made.parts.values():
            for node in {*part.nodes}:
                counts[node] = counts.get(node, 0) + 1
        loose = [
            part for part in made.parts.values()
            if len(part.nodes) == 2 and any(counts[n] == 1 and n not in outside for n in part.nodes)
        ]
        if not loose:
            return
        for part in loose:
            del made.parts[part.name]
            made.left.append(Left(part.name, "it leads nowhere", Place("")))
        gone = {part.name for part in loose}
        made.guesses = [guess for guess in made.guesses if guess.of not in gone]


def _nodes(made: Drafts, ends: Ports, around: Surroundings) -> list[str]:
    seen = dict.fromkeys(n for part in made.parts.values() for n in part.nodes)
    first = [n for n in (*around.rails, ends.input, ends.output) if n in seen]
    return list(dict.fromkeys([*first, *seen, ends.input, ends.output, ends.input_return]))


def _stage(title: str, name: str, made: Drafts, ends: Ports, around: Surroundings,
           names: Mapping[str, str]) -> Stage:
    word = re.sub(r"[^A-Za-z0-9_.-]+", "-", Path(name).stem).strip("-._") or "netlist"
    used = {n for part in made.parts.values() for n in part.nodes}
    parts = tuple(
        replace(part, nodes=tuple(names[n] for n in part.nodes)) for part in made.parts.values()
    )
    rails = tuple(
        Rail(names[n], printed_value(volts)) for n, volts in around.rails.items() if n in used)
    return Stage(
        name=word, parts=parts, title=_title(title), rails=rails,
        input=names[ends.input], output=names[ends.output],
        input_return=names[ends.input_return], source_impedance=ends.source_impedance,
        load=ends.load,
    )


_TITLE = 100
"""Letters of a title; what is longer ends with a whole word."""


def _title(line: str) -> str:
    words = re.sub(r"^(?:\.title\b)?\W*", "", line, flags=re.IGNORECASE).strip()
    return words if len(words) <= _TITLE else words[:_TITLE].rpartition(" ")[0] or words[:_TITLE]


def _polarised(stage: Stage, made: Drafts, rest: Rest | None) -> Stage:
    """The positive end of every electrolytic where the higher voltage is."""
    ends = [p for p in stage.parts if kind(p.kind).pins[:1] == ("positive",)]
    if not ends:
        return stage
    volts = dict(rest(stage)) if rest is not None else {}
    why = "the voltages at rest" if volts else "rails and ground"
    known = {rail.name: rail.volts for rail in stage.rails}
    for part in ends:
        a, b = (_potential(n, volts or known) for n in part.nodes)
        if b > a + _ALIKE:
            stage = stage.with_part(replace(part, nodes=part.nodes[::-1]))
        positive = part.nodes[1] if b > a + _ALIKE else part.nodes[0]
        made.guess(part.name, "polarity", f"positive at {positive}",
                   why if abs(a - b) > _ALIKE else "nothing tells: both ends are alike",
                   f"Which end of {part.name} is positive?")
    return stage


def _potential(node: str, volts: Mapping[str, float]) -> float:
    return 0.0 if node == GROUND else volts.get(node, 0.0)


def _told(stage: Stage, made: Drafts, rails: Mapping[str, float]) -> Stage:
    """The stage with roles where something tells them."""
    found = roles(stage.parts, rails, stage.input, stage.output)
    parts: list[Part] = []
    for part in stage.parts:
        role, why = found.get(part.name, ("", ""))
        if role:
            made.guess(part.name, "role", role, why, f"What is {part.name} for?")
        parts.append(replace(part, role=role))
    return replace(stage, parts=tuple(parts))


def _asked(netlist: Netlist) -> tuple[Asked, ...]:
    return tuple(
        Asked(
            doubt.label, doubt.text, numbers.in_words(doubt.value, doubt.letter), doubt.why,
            "" if doubt.meant is None else numbers.in_words(doubt.meant, doubt.letter),
            doubt.word.place,
        )
        for doubt in netlist.doubts
    )
