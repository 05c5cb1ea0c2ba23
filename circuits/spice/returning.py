"""A netlist that was written here comes in again: its comments tell what it has no words for.

The netlist rules. What it has that is not as the comments say is taken from it: another value is
another value, a part that is gone is gone. Only where all of it is as written does the stage file
of the comments come back to the letter.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from circuits.behind_rails import rail_source
from circuits.errors import InputError, Place
from circuits.kinds import kind
from circuits.netlist import LOAD
from circuits.spelling import node
from circuits.spice import deck as decks
from circuits.spice.exporting import drawn, netlist
from circuits.spice.flat import Flat, Netlist
from circuits.spice.flatten import flat
from circuits.spice.naming import node_names
from circuits.spice.words import Word
from circuits.stage import GROUND, Part, Stage

Load = Callable[[str, str, "Path | None"], Stage]
"""A stage from the text of its file, its name in messages, and the folder that it stands in."""
_NEAR = 1e-12
"""Relative: numbers that differ by less are the same."""
_BENCH = ("v", "i")


@dataclass(frozen=True)
class Returned:
    """What a netlist of our own says.

    Attributes
    ----------
    text : str
        The stage file of its comments where nothing else is in the netlist; else empty.
    stage : Stage
        As the netlist has it.
    changed : tuple of str
        Parts, rails and the load that are not as the comments say.
    added : tuple of Flat
        Elements that the comments do not know.
    spell : callable
        The stage's name of a node, by that of the netlist.
    """

    text: str
    stage: Stage
    changed: tuple[str, ...]
    added: tuple[Flat, ...]
    spell: Callable[[str], str] = str


def noted(words: Sequence[Word]) -> str:
    """The stage file that comments carry; empty for none."""
    return "\n".join(word.text for word in words) + "\n" if words else ""


def returned(given: Netlist, text: str, load: Load, name: str, folder: Path | None,
             working: Callable[[Stage], Stage]) -> Returned:
    """Hold a netlist against the stage file of its comments.

    Parameters
    ----------
    load : callable
        Reads a stage file.
    working : callable
        A stage with its rails as the netlist has them: loaded, without supplies behind them.

    Raises
    ------
    InputError
        Where a unit of several stages was changed, which no single stage file can hold.
    """
    stage = load(text, f"{name} (comments)", folder)
    shown = working(stage)
    have = {e.name: e for e in given.elements}
    best: tuple[list[str], list[str]] | None = None
    for limited in (False, True):
        made = flat(decks.read(netlist(shown, limited=limited), name, None))
        meant = {e.name: e for e in made.elements if e.letter not in _BENCH}
        changed = [n for n, e in meant.items()
                   if n not in have or not _same(e, have[n], made, given)]
        added = [n for n, e in have.items() if n not in meant and e.letter not in _BENCH]
        if best is None or len(changed) + len(added) < len(best[0]) + len(best[1]):
            best = changed, added
    assert best is not None
    changed, added = best
    moved = _rails(shown, have)
    if not changed and not added and not moved:
        return Returned(text, stage, (), ())
    if stage.chain is not None or any(rail.supply is not None for rail in stage.rails):
        first = [*changed, *added, *moved][0]
        raise InputError(
            f"this netlist is not as its comments say: {first} is another",
            place=Place(name),
            expected=f"the netlist as it was written, or one without comments of {'* amp:'!r}")
    owners = _owners(stage)
    spell = _spelling(stage)
    parts, words = _parts(stage, {owners[n] for n in changed if n in owners}, have, owners, spell)
    rails = tuple(replace(r, volts=moved.get(r.name, r.volts)) for r in stage.rails)
    ohms = have[LOAD.lower()].value if LOAD.lower() in have else None
    known = LOAD.lower() in changed and ohms is not None
    stage = replace(stage, parts=parts, rails=rails, load=(ohms or 0.0) if known else stage.load)
    return Returned("", stage, (*words, *moved, *(["load"] if known else [])),
                    tuple(have[n] for n in added), spell)


def _spelling(stage: Stage) -> Callable[[str], str]:
    """Nodes of a netlist as the stage calls them; one that it does not know gets a name."""
    known = {GROUND: GROUND} | {node(name): name for name in stage.nodes}
    parts = [part.name for part in stage.parts]
    return lambda name: known.get(name) or node_names([name], parts)[name]


def _same(meant: Flat, found: Flat, made: Netlist, given: Netlist) -> bool:
    """Whether two elements are the same one."""
    if (meant.nodes, meant.others, meant.letter) != (found.nodes, found.others, found.letter):
        return False
    if not _near(meant.value, found.value) or meant.text != found.text:
        return False
    if bool(meant.model) != bool(found.model) or {*meant.parameters} != {*found.parameters}:
        return False
    if not all(_near(x, found.parameters[k]) for k, x in meant.parameters.items()):
        return False
    if meant.inside is not None and found.inside is not None:
        return _alike(meant, found)
    if not meant.model or meant.letter == "x":
        return meant.inside is found.inside
    a, b = made.models[meant.model], given.models[found.model]
    return a.type == b.type and {*a.parameters} == {*b.parameters} and all(
        _near(x, b.parameters[k]) for k, x in a.parameters.items())


def _alike(meant: Flat, found: Flat) -> bool:
    a, b = meant.inside, found.inside
    assert a is not None
    assert b is not None
    if (a.pins, len(a.elements)) != (b.pins, len(b.elements)):
        return False
    made, given = (Netlist("", list(x.elements), dict(x.models), []) for x in (a, b))
    return all(
        x.name == y.name and _same(x, y, made, given)
        for x, y in zip(a.elements, b.elements, strict=True)
    )


def _near(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        return a is b
    return abs(a - b) <= _NEAR * max(abs(a), abs(b))


def _rails(stage: Stage, have: Mapping[str, Flat]) -> dict[str, float]:
    """Rails whose source has other volts than written."""
    moved = {}
    for rail in stage.rails:
        source = have.get(rail_source(rail.name).lower())
        if source is not None and not _near(source.value, rail.volts):
            moved[rail.name] = source.value or 0.0
    return moved


def _owners(stage: Stage) -> dict[str, str]:
    """The part of every element, by the element's flat name."""
    found: dict[str, str] = {}
    for one in drawn(stage.parts):
        found |= {e.name.lower(): one.part for e in one.elements}
        if one.inside:
            found[one.inside[-1].split()[0].lower()] = one.part
    return found


def _parts(stage: Stage, changed: set[str], have: Mapping[str, Flat], owners: Mapping[str, str],
           spell: Callable[[str], str]) -> tuple[tuple[Part, ...], list[str]]:
    """The parts as the netlist has them; one that cannot be told apart any more is an error."""
    kept: list[Part] = []
    words: list[str] = []
    for part in stage.parts:
        if part.name not in changed:
            kept.append(part)
            continue
        words.append(part.name)
        own = [have.get(n) for n, owner in owners.items() if owner == part.name]
        present = [e for e in own if e is not None]
        if present:
            kept.append(_changed(part, present, spell))
    return tuple(kept), words


def _changed(part: Part, own: Sequence[Flat], spell: Callable[[str], str]) -> Part:
    """A part with the values and nodes that its elements have."""
    family = kind(part.kind).family
    first = own[0]
    if family in ("resistor", "contact") and first.value is not None:
        return replace(part, nodes=tuple(map(spell, first.nodes)), value=first.value)
    if family == "capacitor" and first.value is not None:
        esr = next((e.value or 0.0 for e in own if e.letter == "r"), 0.0)
        ends = (first.nodes[0], own[-1].nodes[1])
        return replace(part, value=first.value, esr=esr, nodes=tuple(map(spell, ends)))
    if family == "inductor" and len(own) > 1:
        return replace(part, value=first.value, esr=own[1].value or 0.0)
    if family == "potentiometer":
        ohms = [e.value or 0.0 for e in own]
        if len(ohms) == 1:
            return replace(part, position=ohms[0] / (part.value or ohms[0]))
        return replace(part, value=sum(ohms), position=ohms[1] / sum(ohms))
    raise first.word.refuse(
        f"{part.name} is not as the comments of this netlist say",
        "another value of a resistor, capacitor, coil or control; else take the comments out")
