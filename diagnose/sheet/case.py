"""The bench sheet: a case file to a frozen `Case`, and a blank one to fill in.

Whatever is left empty is passed over, so that a sheet loads at every stage of being filled in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from circuits import yamlfile
from circuits.conditions import meter as voltmeter
from circuits.errors import InputError
from circuits.known_devices import with_devices
from circuits.load import load_stage
from circuits.partfile import within
from circuits.probe import read_probe
from circuits.prompt import counted, few_lines, some, view
from circuits.quantities import BALANCE, CROSSTALK
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.stagefile import MAINS
from circuits.values import with_values
from circuits.yamlfile import Mapping, Node
from diagnose.sheet.attached import Attached, read_attached
from diagnose.sheet.csv_sheet import CSV, read_csv_sheet
from diagnose.sheet.entry import Measured, metered, probed
from diagnose.sheet.expected import Expected, read_expected
from diagnose.sheet.limits import Limit
from diagnose.sheet.readings import Taken, read_readings
from diagnose.sheet.record import NO_RECORD, Record, read_record, told_of
from diagnose.sheet.recordings import WORD as RECORDINGS
from diagnose.sheet.recordings import Recorded, read_recordings
from diagnose.sheet.sections import CHECKS, DONE, FOUND, SECTIONS, Check, members, read_rows
from diagnose.sheet.standards import read_limits
from diagnose.sheet.states import at_its_ends, state_of_sheet, stated
from faultlib.catalogue import kind_of
from faultlib.learnt import NOTHING_LEARNT, Learnt
from faultlib.mode import FORTY

__all__ = [
    "DONE", "FOUND", "OBSERVATIONS", "Case", "Check", "Limit", "Measured", "Repair", "load_case",
]

_CASE_KEYS = (
    "case", "stage", "values", "mains", "readings", "limits", *SECTIONS, "observations",
    "channels", "suspect", "supply", "repaired", "meter", "probe", "other loads", "schematic",
    "load", "state", "expected", "age", "devices", "record", "attached", RECORDINGS,
)
SUPPLIES = ("shared", "own")
"""Whether two channels have one supply or one each."""
NOT_AT_HAND = "not at hand"
_OLDEST = 120.0
"""Years that no amplifier is older than."""
OTHER_LOADS = ("none", "unknown")
"""What is known of loads on the rails besides the stage."""
SCHEMATICS = ("at hand", NOT_AT_HAND)
"""Whether the values of the stage are this unit's, or only its kind is."""
OBSERVATIONS = (
    "intermittent", "comes and goes", "worse when warm", "worse with level", "after a knock",
    "both channels",
)


General = Callable[[Node | None], Node | None]
"""Readings as they stand → with what the sheet says of all of them beside each."""


@dataclass(frozen=True)
class Repair:
    """What was done to a part, one of `DONE`, and what was read after."""

    part: str
    how: str
    readings: tuple[Measured, ...] = ()


@dataclass(frozen=True)
class Case:
    """One bench sheet.

    Attributes
    ----------
    stage : Stage
        With this unit's values and mains frequency.
    readings : tuple of Measured
        Of the unit, or of its suspect channel.
    observations : tuple of str
        Words of `OBSERVATIONS`.
    channels : tuple of (name, readings)
        Both channels where there are two, else empty.
    suspect : str
        The channel under suspicion.
    known : tuple of str
        Parts whose values the sheet states.
    shared : tuple of str
        Rails and parts that both channels have; none where each has everything for itself, and
        on a sheet of one channel without crosstalk.
    repaired : tuple of Repair
        In the order in which it was done; `readings` are those before the first.
    dense : tuple of (channel, Measured)
        Rows of dense sweeps that limits are judged by and nothing else: a curve of many points
        tells no more than one of some.
    kind_only : bool
        Whether the stage is only of the unit's kind, its schematic not at hand.
    expected : tuple of Expected
        What a good unit of this design reads, by its manual or schematic.
    age : float
        Of the unit, years.
    record : Record
        What the shop writes down beside the readings; it is not weighed.
    attached : tuple of Attached
        Photos and traces beside the sheet, which are shown and not weighed.
    learnt : Learnt
        What a log of repairs says of how parts fail: no part of the sheet, put beside it by
        whoever asks with the log.
    told : tuple of (label, text)
        What the sheet says of the unit and of all readings, as it stands there, for the report.
    recordings : tuple of Recorded
        What plots and report show beside the readings; not weighed either.
    """

    name: str
    stage: Stage
    readings: tuple[Measured, ...] = ()
    limits: tuple[Limit, ...] = ()
    checks: tuple[Check, ...] = ()
    observations: tuple[str, ...] = ()
    channels: tuple[tuple[str, tuple[Measured, ...]], ...] = ()
    suspect: str = ""
    known: tuple[str, ...] = ()
    shared: tuple[str, ...] = ()
    repaired: tuple[Repair, ...] = ()
    dense: tuple[tuple[str, Measured], ...] = ()
    kind_only: bool = False
    expected: tuple[Expected, ...] = ()
    age: float = FORTY
    record: Record = NO_RECORD
    attached: tuple[Attached, ...] = ()
    learnt: Learnt = field(default=NOTHING_LEARNT, compare=False)
    told: tuple[tuple[str, str], ...] = ()
    recordings: tuple[Recorded, ...] = ()
    path: Path = field(default=Path(), compare=False)

    def __repr__(self) -> str:
        held = [
            counted(len(self.readings), "reading") or "no reading yet",
            counted(len(self.limits), "limit"),
            counted(len(self.checks), "check"),
            counted(len(self.repaired), "repair"),
            counted(len(self.expected), "expected figure"),
            *self.observations,
        ]
        two = f"suspect {self.suspect}, {len(self.reference)} readings of the other channel"
        return few_lines(
            f"Case {self.name}",
            f"stage {self.stage.name}; {some([text for text in held if text])}",
            two if self.channels else "",
        )

    def to_frame(self) -> Any:
        """The readings as a pandas table, a row each."""
        return view(self, "frame")

    @property
    def reference(self) -> tuple[Measured, ...]:
        """The readings of the other channel, which the same model error applies to."""
        return next((read for name, read in self.channels if name != self.suspect), ())

    @property
    def right(self) -> str:
        """Of two channels the one that a balance is told over the other, by its name or place."""
        return right_of([name for name, _ in self.channels])

    def weighs(self, reading: Reading) -> bool:
        """Whether a reading of this sheet can be simulated and weighed.

        Crosstalk needs something that both channels have, a balance readings of both.
        """
        if reading.quantity == CROSSTALK:
            return bool(self.shared)
        if reading.quantity == BALANCE:
            return any(r.quantity == BALANCE or self.weighs(r)
                       for r in (m.reading for m in self.reference))
        return reading.about.simulated


def right_of(names: Sequence[str]) -> str:
    """Of two channels the right one: so named, or beside the left one, or the second."""
    plain = [name.lower() for name in names]
    if "right" in plain:
        return names[plain.index("right")]
    return names[1 - plain.index("left")] if "left" in plain else names[-1]


def load_case(path: Path | str) -> Case:
    """The case of one file.

    Parameters
    ----------
    path : Path or str
        A YAML file, or a table ending in `CSV`. A stage or sweep that it names is looked for from
        its folder.

    Raises
    ------
    InputError
        With the place.
    """
    path = Path(path)
    tree = read_csv_sheet(path) if path.suffix.lower() in CSV else yamlfile.read(path)
    return read_case(tree, path)


def read_case(tree: Node, path: Path, drawn: Stage | None = None) -> Case:
    """The case of a tree that was read.

    Parameters
    ----------
    path : Path
        Of its file, or where that would be: its folder is where files are looked for, its name
        what a case without a name is called.
    drawn : Stage, optional
        The stage, in place of the one that the case names.

    Raises
    ------
    InputError
        With the place.
    """
    top = yamlfile.mapping(tree, "a case file", _CASE_KEYS, () if drawn else ("stage",))
    stage = _stage(top, path.parent, drawn)
    name = top.get("case")
    meter = top.get("meter")
    if meter is not None:
        voltmeter(meter, stage, 1.0)  # wrong here, and not first at a reading
    probe = top.get("probe")
    if probe is not None:
        read_probe(probe)
    state = state_of_sheet(top, stage)

    def general(node: Node | None) -> Node | None:
        return stated(probed(metered(node, meter), probe), state)

    taken, suspect = _channels(top, stage, path.parent, general)
    channels = tuple((word, of.weighed) for word, of in taken)
    if channels:
        readings = dict(channels)[suspect]
    else:
        taken = (("", read_readings(general(top.get("readings")), stage, path.parent)),)
        readings = taken[0][1].weighed
    of_both = channels or any(m.reading.quantity == CROSSTALK for m in readings)
    shared = _shared(top, stage) if of_both else ()
    return Case(
        name=yamlfile.text(name, "the case's name") if name is not None else path.stem,
        stage=replace(stage, shared=shared) if of_both else stage,
        readings=readings,
        limits=read_limits(stated(top.get("limits"), at_its_ends(state)), stage),
        checks=read_rows(CHECKS, top.get("checks"), stage),
        observations=_observations(top.get("observations")),
        channels=channels,
        suspect=suspect,
        known=_known(top),
        shared=shared,
        repaired=_repaired(top, stage, path.parent, general),
        dense=tuple((word, one) for word, of in taken for one in of.dense),
        kind_only=_schematic(top) == NOT_AT_HAND,
        expected=read_expected(top.get("expected"), _sides(top, general), stage, path.parent),
        age=within(top.get("age"), "age", "", (0.0, _OLDEST), FORTY),
        record=read_record(top.get("record")),
        attached=read_attached(top, stage, path.parent),
        told=told_of(top),
        recordings=read_recordings(top.get(RECORDINGS), path.parent),
        path=path,
    )


def _stage(top: Mapping, folder: Path, drawn: Stage | None) -> Stage:
    stage = _named_stage(top.entries["stage"], folder) if drawn is None else drawn
    values = top.get("values")
    if values is not None:
        stage = with_values(stage, yamlfile.mapping(values, "values"))
    devices = top.get("devices")
    if devices is not None:
        from circuits.spice.own_devices import own_devices

        stage = with_devices(stage, devices, lambda named: own_devices(named, folder, "sheet"))
    if _other_loads(top) == "none":
        stage = replace(stage, rails=tuple(replace(rail, others=0.0) for rail in stage.rails))
    return stage.on_mains(within(top.get("mains"), "mains frequency", "Hz", MAINS, stage.mains))


def _named_stage(node: Node, folder: Path) -> Stage:
    word = yamlfile.text(node, "a stage")
    try:
        return load_stage(word, folder)
    except InputError as error:
        if error.place is None:
            raise error.at(node.place) from None
        if not error.place.line:  # the file as a whole: point at the line that names it
            message = f"stage {word!r}: {error.message}"
            raise InputError(message, place=node.place, expected=error.expected) from None
        raise


def _other_loads(top: Mapping) -> str:
    node = top.get("other loads")
    if node is None:
        return "unknown"
    return yamlfile.choice(node, "word about other loads", OTHER_LOADS)


def _schematic(top: Mapping) -> str:
    node = top.get("schematic")
    if node is None:
        return SCHEMATICS[0]
    return yamlfile.choice(node, "word about the schematic", SCHEMATICS)


def _known(top: Mapping) -> tuple[str, ...]:
    node = top.get("values")
    return () if node is None else tuple(yamlfile.mapping(node, "values").entries)


def _shared(top: Mapping, stage: Stage) -> tuple[str, ...]:
    """What both channels have: as the sheet says of rails, else the stage; else all rails."""
    node = top.get("supply")
    word = yamlfile.choice(node, "word about the supply", SUPPLIES) if node is not None else ""
    rails = [rail for rail in stage.rails if word != "own"]
    if stage.shared and not word:
        rails = [rail for rail in rails if rail.name in stage.shared]
    parts = [name for name in stage.shared if all(name != rail.name for rail in stage.rails)]
    owners = [word for rail in rails if rail.supply is not None
              for word in (rail.supply.name, rail.supply.transformer) if word]
    return tuple(dict.fromkeys([*(rail.name for rail in rails), *owners, *parts]))


def _channels(
    top: Mapping, stage: Stage, folder: Path, general: General
) -> tuple[tuple[tuple[str, Taken], ...], str]:
    node, named = top.get("channels"), top.get("suspect")
    if node is None:
        if named is not None:
            raise InputError(
                "suspect names a channel, and there are none",
                place=top.keys["suspect"].place,
                expected="channels: {left: {readings: […]}, right: {readings: […]}}",
            )
        return (), ""
    if top.get("readings") is not None:
        raise InputError(
            "readings stand both here and in the channels",
            place=top.keys["readings"].place,
            expected="readings of one unit, or channels of two",
        )
    mapping = yamlfile.mapping(node, "channels")
    if len(mapping.entries) != 2:
        raise InputError(
            f"{len(mapping.entries)} channels stand here", place=node.place, expected="two"
        )
    if named is None:
        raise InputError(
            "two channels need a suspect",
            place=top.keys["channels"].place,
            expected="suspect: the name of one of the channels",
        )
    if stage.chain is not None and stage.chain.instances:
        for written in mapping.keys.values():
            yamlfile.choice(written, f"channel of {stage.name}", stage.chain.instances)
    suspect = yamlfile.choice(named, "channel", mapping.entries)
    channels = []
    for name in mapping.entries:
        node = mapping.get(name)
        inner = yamlfile.mapping(node, "a channel", ("readings",)) if node is not None else None
        node_of_readings = inner.get("readings") if inner is not None else None
        channels.append((name, read_readings(general(node_of_readings), stage, folder)))
    return tuple(channels), suspect


def _sides(top: Mapping, general: General) -> list[Node | None]:
    """The readings of the unit, or of every channel, with what the sheet says of all of them."""
    node = top.get("channels")
    if not isinstance(node, Mapping):
        return [general(top.get("readings"))]
    inner = [one for name in node.entries if isinstance(one := node.get(name), Mapping)]
    return [general(one.get("readings")) for one in inner]


def _repaired(
    top: Mapping, stage: Stage, folder: Path, general: General
) -> tuple[Repair, ...]:
    """One repair, or a list of them in the order in which they were done."""
    node = top.get("repaired")
    if node is None:
        return ()
    repairs = []
    for item in (node,) if isinstance(node, Mapping) else members(node, "repairs"):
        entry = yamlfile.mapping(item, "a repair", ("part", "how", "readings"), ("part",))
        written = entry.entries["part"]
        name = yamlfile.text(written, "a part")
        try:
            kind_of(stage, name)
        except InputError as error:
            raise error.at(written.place) from None
        how = entry.get("how")
        repairs.append(
            Repair(
                name,
                yamlfile.choice(how, "repair", DONE) if how is not None else DONE[0],
                read_readings(general(entry.get("readings")), stage, folder).weighed,
            )
        )
    return tuple(repairs)


def _observations(node: Node | None) -> tuple[str, ...]:
    words = (
        yamlfile.choice(item, "observation", OBSERVATIONS)
        for item in members(node, "observations")
    )
    return tuple(dict.fromkeys(words))
