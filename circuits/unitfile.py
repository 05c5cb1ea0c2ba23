"""Unit files: stages in series, with the supplies they share, compiled into one flat `Stage`.

Each member keeps its parts, nodes, test points and stray mains under its own name. The load of a
member and the source impedance of the next stand for each other when a stage is on the bench
alone, and are left out where the two are joined.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from circuits import stagefile, yamlfile
from circuits.adjust import Adjust
from circuits.chain import Chain, Joint
from circuits.errors import InputError
from circuits.partfile import within, words
from circuits.spelling import node as plain
from circuits.stage import GROUND, Part, Rail, Stage
from circuits.values import with_positions, with_values
from circuits.yamlfile import Mapping, Node, Text

Load = Callable[[str, Path], Stage]
"""A stage by its name or path, seen from a folder."""

KEY = "unit"
"""The first key of a unit file."""

_KEYS = (
    KEY, "title", "about", "source", "supplies", "chain", "instances", "shared",
    "source impedance", "load", "mains", "signal", "cautions",
)
_MEMBER = ("name", "stage", "rails", "values", "positions")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9-]*")
_TAKEN = ("gen", "meter", "gnd", "pickup", "mains", "joint", "in", "out")
"""Words that mean something else on the virtual bench."""


@dataclass(frozen=True)
class _Member:
    """One stage of the chain as written: `fed` maps its rails to supplies of the unit."""

    name: str
    stage: Stage
    fed: dict[str, str]

    def node(self, name: str) -> str:
        if name == GROUND:
            return GROUND
        return self.fed.get(name) or f"{self.name}.{name}"

    def part_name(self, name: str) -> str:
        return f"{self.name}.{name}"

    def parts(self) -> list[Part]:
        return [
            replace(part, name=self.part_name(part.name), nodes=tuple(map(self.node, part.nodes)))
            for part in self.stage.parts
        ]

    def adjust(self) -> list[Adjust]:
        return [
            replace(one, part=self.part_name(one.part), at=self.node(one.at),
                    origin=self.node(one.origin))
            for one in self.stage.adjust
        ]

    def rails(self) -> list[Rail]:
        own = [rail for rail in self.stage.rails if rail.name not in self.fed]
        return [self._own(rail) for rail in own]

    def _own(self, rail: Rail) -> Rail:
        """A rail that the unit does not feed, with names that no other member can have."""
        supply = rail.supply
        if supply is not None:
            name, transformer = (
                f"{self.name}.{word}" if word else "" for word in (supply.name, supply.transformer)
            )
            supply = replace(supply, name=name, transformer=transformer)
        return replace(rail, name=f"{self.name}.{rail.name}", supply=supply)


def is_unit(top: Node) -> bool:
    """Whether a file describes a unit rather than a stage."""
    return isinstance(top, Mapping) and next(iter(top.keys), "") == KEY


def read_unit(tree: Node, folder: Path, load: Load) -> Stage:
    """The flat stage of a unit file.

    Parameters
    ----------
    tree : Node
        Of the file.
    folder : Path
        Where its stages are looked for.
    load : callable
        Reads one stage.

    Raises
    ------
    InputError
        With the place.
    """
    top = yamlfile.mapping(tree, "a unit file", _KEYS, (KEY, "chain"))
    name = stagefile.stage_name(top.entries[KEY], "a unit")
    rail_keys, supplies = stagefile.read_rails(top.get("supplies"), "supplies")
    members = _members(top, supplies, folder, load)
    _apart([*rail_keys.values(), *(written for written, _ in members)])
    chain = tuple(member for _, member in members)
    _all_used(rail_keys, chain)
    mains = within(top.get("mains"), "mains frequency", "Hz", stagefile.MAINS, chain[0].stage.mains)
    chain = tuple(replace(member, stage=member.stage.on_mains(mains)) for member in chain)
    first, last = chain[0], chain[-1]
    instances = _instances(top)
    unit = Stage(
        name=name,
        parts=tuple(part for member in chain for part in member.parts()),
        title=words(top, "title"),
        about=words(top, "about"),
        source=words(top, "source"),
        rails=(*supplies, *(rail for member in chain for rail in member.rails())),
        input=first.node(first.stage.input),
        output=last.node(last.stage.output),
        input_return=first.node(first.stage.input_return),
        source_impedance=within(
            top.get("source impedance"), "source impedance", "ohm", stagefile.OHMS,
            first.stage.source_impedance,
        ),
        load=within(top.get("load"), "load", "ohm", stagefile.OHMS, last.stage.load),
        mains=mains,
        pickup=first.stage.pickup,
        stray=tuple((m.node(at), lines) for m in chain for at, lines in m.stage.stray),
        signal=stagefile.read_signal(top.get("signal")) or first.stage.signal,
        test_points=_test_points(chain, supplies),
        cautions=_cautions(top, chain),
        adjust=tuple(one for member in chain for one in member.adjust()),
        chain=Chain(
            members=tuple((m.name, m.node(m.stage.output)) for m in chain),
            joints=tuple(_joint(a, b) for a, b in pairwise(chain)),
            supplies=tuple(rail.name for rail in supplies),
            aliases=_aliases(chain),
            instances=instances,
        ),
        members=tuple(member.stage for member in chain),
    )
    return replace(unit, shared=_shared(top, unit, chain))


def _members(
    top: Mapping, supplies: tuple[Rail, ...], folder: Path, load: Load
) -> list[tuple[Text, _Member]]:
    node = top.entries["chain"]
    items = yamlfile.items(node, "a chain")
    if not items:
        raise InputError("this chain has no stages", place=node.place, expected="- {name: …}")
    return [_member(item, supplies, folder, load) for item in items]


def _member(
    node: Node, supplies: tuple[Rail, ...], folder: Path, load: Load
) -> tuple[Text, _Member]:
    entry = yamlfile.mapping(node, "a member of the chain", _MEMBER, ("name", "stage"))
    name = yamlfile.scalar(entry.entries["name"], "a name")
    if not _NAME.fullmatch(name.value):
        raise InputError(
            f"{name.value!r} cannot name a member of the chain",
            place=name.place,
            expected="a letter, then letters, digits and -",
        )
    stage = _stage(entry.entries["stage"], folder, load)
    values, positions = entry.get("values"), entry.get("positions")
    if values is not None:
        stage = with_values(stage, yamlfile.mapping(values, "values"))
    if positions is not None:
        stage = with_positions(stage, yamlfile.mapping(positions, "positions"))
    return name, _Member(name.value, stage, _fed(entry.get("rails"), stage, supplies))


def _stage(node: Node, folder: Path, load: Load) -> Stage:
    word = yamlfile.text(node, "a stage")
    try:
        stage = load(word, folder)
    except InputError as error:
        if error.place is None:
            raise error.at(node.place) from None
        if not error.place.line:  # the file as a whole: point at the line that names it
            message = f"stage {word!r}: {error.message}"
            raise InputError(message, place=node.place, expected=error.expected) from None
        raise
    if stage.chain is not None:
        raise InputError(
            f"{word!r} is a unit", place=node.place, expected="a stage; list its stages instead"
        )
    return stage


def _fed(node: Node | None, stage: Stage, supplies: tuple[Rail, ...]) -> dict[str, str]:
    if node is None:
        return {}
    drawn = {rail.name: rail.volts for rail in stage.rails}
    mapping = yamlfile.mapping(node, f"rails of {stage.name}", drawn)
    given = {rail.name: rail.volts for rail in supplies}
    fed: dict[str, str] = {}
    for rail in mapping.entries:
        entry = mapping.entries[rail]
        supply = yamlfile.choice(entry, "supply of this unit", given)
        if given[supply] * drawn[rail] < 0.0:
            raise InputError(
                f"{rail} of {stage.name} is drawn for {drawn[rail]:g} V, and {supply} has "
                f"{given[supply]:g} V",
                place=entry.place,
                expected="a supply of the same sign",
            )
        if supply in fed.values():
            raise InputError(
                f"two rails of {stage.name} are fed by {supply}",
                place=entry.place,
                expected="each rail its own supply",
            )
        fed[rail] = supply
    return fed


def _apart(names: list[Text]) -> None:
    """Names of members and supplies stay apart in the simulator, and so do their nodes."""
    known: dict[str, str] = {}
    for written in names:
        low = plain(written.value)
        if low in _TAKEN:
            raise InputError(
                f"{written.value!r} has another meaning in a unit",
                place=written.place,
                expected="another name",
            )
        for other, word in known.items():
            if low == other or low.startswith(f"{other}_") or other.startswith(f"{low}_"):
                raise InputError(
                    f"{written.value!r} can be taken for {word!r} or what belongs to it",
                    place=written.place,
                    expected="names of which none begins with another",
                )
        known[low] = written.value


def _all_used(supplies: dict[str, Text], chain: tuple[_Member, ...]) -> None:
    for name, written in supplies.items():
        if not any(name in member.fed.values() for member in chain):
            raise InputError(
                f"no stage is fed by the supply {name!r}",
                place=written.place,
                expected=f"rails: {{vcc: {name}}} in a member of the chain",
            )


def _joint(before: _Member, fed: _Member) -> Joint:
    stage = fed.stage
    return Joint(
        fed.name, before.node(before.stage.output), fed.node(stage.input),
        fed.node(stage.input_return), stage.pickup,
    )


def _aliases(chain: tuple[_Member, ...]) -> tuple[tuple[str, str], ...]:
    first, last = chain[0], chain[-1]
    ends = (("in", first.node(first.stage.input)), ("out", last.node(last.stage.output)))
    fed = ((f"{m.name}.{rail}", supply) for m in chain for rail, supply in m.fed.items())
    return (*ends, *fed)


def _test_points(
    chain: tuple[_Member, ...], supplies: tuple[Rail, ...]
) -> tuple[tuple[str, str], ...]:
    points = {rail.name: f"supply {rail.name}" for rail in supplies}
    for member in chain:
        for at, text in member.stage.test_points:
            points.setdefault(member.node(at), f"{member.name}: {text}" if text else member.name)
    return tuple(points.items())


def _cautions(top: Mapping, chain: tuple[_Member, ...]) -> tuple[str, ...]:
    own = stagefile.read_cautions(top.get("cautions"))
    return tuple(dict.fromkeys([*own, *(text for m in chain for text in m.stage.cautions)]))


def _instances(top: Mapping) -> tuple[str, ...]:
    node = top.get("instances")
    if node is None:
        return ()
    names = tuple(yamlfile.text(item, "a channel") for item in yamlfile.items(node, "instances"))
    if len(names) != 2 or names[0] == names[1]:
        raise InputError(
            "two channels belong here", place=node.place, expected="instances: [left, right]"
        )
    return names


def _shared(top: Mapping, made: Stage, chain: tuple[_Member, ...]) -> tuple[str, ...]:
    """What both channels have: as the unit says, or its supplies and what its stages share."""
    node = top.get("shared")
    assert made.chain is not None
    if made.chain.instances:
        if node is not None:
            return stagefile.read_shared(node, made)
        own = (m.part_name(name) for m in chain for name in m.stage.shared if name not in m.fed)
        return tuple(dict.fromkeys([*made.chain.supplies, *own]))
    if node is not None:
        raise InputError(
            "shared names what two channels share, and there is one",
            place=top.keys["shared"].place,
            expected="instances: [left, right]",
        )
    return ()
