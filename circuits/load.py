"""Stage files to `Stage`: every key known, every value in SI, every mistake shown where it stands.

What a stage may say stands in this file; whether its parts make a circuit is checked by
`circuits.wiring`.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

from circuits import wiring, yamlfile
from circuits.adjustfile import read_adjust
from circuits.device import load_devices
from circuits.errors import InputError
from circuits.part import checked_value, node_name, read_parts, series_resistance, within, words
from circuits.stage import GROUND, Lines, Pairs, Rail, Stage
from circuits.supplyfile import read_supply
from circuits.yamlfile import Mapping, Node, Text

__all__ = [
    "canonical",
    "checked_value",
    "load_devices",
    "load_stage",
    "series_resistance",
    "stage_names",
    "unit_names",
]

FOLDER = Path(__file__).with_name("stages")
UNITS = Path(__file__).with_name("units")

_STAGE_KEYS = (
    "stage", "title", "about", "source", "rails", "ports", "source impedance", "load", "mains",
    "pickup", "stray current", "signal", "parts", "test points", "cautions", "shared",
    "adjust",
)  # fmt: skip
_LEVELS = {"input level": "V", "output level": "V", "power": "W"}
_STAGE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]*")
OHMS = (0.0, 1e9)
MAINS = (10.0, 500.0)
"""Frequencies that a mains supply may have, Hz (16.7 Hz of railways to 400 Hz of ships)."""


@cache
def unit_names() -> tuple[str, ...]:
    """The units that ship, in alphabetic order."""
    return tuple(sorted(path.stem for path in UNITS.glob("*.yaml")))


@cache
def stage_names() -> tuple[str, ...]:
    """The stages that ship, in alphabetic order."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.yaml")))


def load_stage(name_or_path: str | Path, base: Path | None = None) -> Stage:
    """A stage or unit that ships, or one from a file.

    Parameters
    ----------
    name_or_path : str or Path
        A name of `stage_names` or `unit_names`, or the path of a stage or unit file.
    base : Path, optional
        The folder that a relative path starts from; by default the working folder.

    Raises
    ------
    InputError
        For an unknown name (with the nearest ones), or any mistake in the file.
    """
    word = str(name_or_path)
    for folder, names in ((FOLDER, stage_names()), (UNITS, unit_names())):
        if word in names:
            path = folder / f"{word}.yaml"
            return read_stage(path, path.name)
    path = (base or Path()) / name_or_path
    looks_like_path = "/" in word or "\\" in word or path.suffix in (".yaml", ".yml")
    if not looks_like_path and not _is_file(path):
        raise InputError(
            f"there is no stage {word!r}",
            expected="a stage or unit that ships, or the path of a file",
            choices=(*stage_names(), *unit_names()),
            given=word,
        )
    return read_stage(path)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def read_stage(path: Path, shown: str = "") -> Stage:
    """The stage of one file, which may describe a unit of several.

    Raises
    ------
    InputError
        With the place.
    """
    from circuits import unitfile  # a unit is made of stages, so its reader imports this module

    tree = yamlfile.read(path, shown)
    if unitfile.is_unit(tree):
        return unitfile.read_unit(tree, path.parent, load_stage)
    return _stage(yamlfile.mapping(tree, "a stage file", _STAGE_KEYS, ("stage", "ports", "parts")))


def canonical(stage: Stage) -> str:
    """A text that two stages share if and only if every field of them is equal."""
    return json.dumps(asdict(stage), sort_keys=True, ensure_ascii=False)


def _stage(top: Mapping) -> Stage:
    word = stage_name(top.entries["stage"], "a stage")
    ports = _ports(top.entries["ports"])
    stray = _stray(top.get("stray current"))
    parts, pins = read_parts(top.entries["parts"])
    rail_keys, rails = read_rails(top.get("rails"))
    points = _points(top.get("test points"))
    stage = Stage(
        name=word,
        parts=parts,
        title=words(top, "title"),
        about=words(top, "about"),
        source=words(top, "source"),
        rails=rails,
        input=ports["input"].value,
        output=ports["output"].value,
        input_return=ports["return"].value if "return" in ports else GROUND,
        source_impedance=within(top.get("source impedance"), "source impedance", "ohm", OHMS),
        load=within(top.get("load"), "load", "ohm", OHMS),
        mains=within(top.get("mains"), "mains frequency", "Hz", MAINS, 50.0),
        pickup=_lines(top.get("pickup"), "V"),
        stray=tuple((node.value, lines) for node, lines in stray),
        signal=read_signal(top.get("signal")),
        test_points=tuple((node.value, text) for node, text in points),
        cautions=read_cautions(top.get("cautions")),
    )
    stage = replace(
        stage,
        shared=read_shared(top.get("shared"), stage),
        adjust=read_adjust(top.get("adjust"), parts, stage.nodes),
    )
    others = (*(node for node, _ in stray), *(node for node, _ in points))
    wiring.check(stage, wiring.Drawn(top.keys["parts"].place, pins, rail_keys, ports, others))
    if not points:
        stage = replace(stage, test_points=tuple((node, "") for node in stage.nodes))
    return stage


def stage_name(node: Node, what: str) -> str:
    """A text that can name a stage or a unit."""
    word = yamlfile.text(node, f"the name of {what}")
    if not _STAGE_NAME.fullmatch(word):
        raise InputError(
            f"{word!r} is no name of {what}", place=node.place, expected="letters, digits, - _ ."
        )
    return word


def _ports(node: Node) -> dict[str, Text]:
    mapping = yamlfile.mapping(node, "ports", ("input", "output", "return"), ("input", "output"))
    ports = {name: node_name(entry, f"the {name}") for name, entry in mapping.entries.items()}
    for name in ("input", "output"):
        if ports[name].value == GROUND:
            raise InputError(
                f"the {name} cannot be ground", place=ports[name].place, expected="a node"
            )
    if ports["input"].value == ports["output"].value:
        raise InputError(
            "input and output are the same node",
            place=ports["output"].place,
            expected="two nodes",
        )
    return ports


def _lines(node: Node | None, unit: str) -> Lines:
    """Spectral lines: a mapping of frequencies to amplitudes."""
    if node is None:
        return ()
    mapping = yamlfile.mapping(node, "spectral lines")
    lines: dict[float, float] = {}
    for key, entry in mapping.entries.items():
        written = mapping.keys[key]
        frequency = yamlfile.number(written, "a frequency", "Hz")
        if not 0.0 < frequency <= 1e6:
            raise InputError(
                f"{key!r} is no frequency of a mains line", place=written.place, expected="100 Hz"
            )
        if frequency in lines:
            raise InputError(
                f"the line at {key} stands twice", place=written.place, expected="each once"
            )
        lines[frequency] = yamlfile.number(entry, "an amplitude", unit)
        if lines[frequency] < 0.0:
            raise InputError(
                "an amplitude is negative", place=entry.place, expected="an RMS value"
            )
    return tuple(lines.items())


def read_rails(
    node: Node | None, what: str = "rails"
) -> tuple[dict[str, Text], tuple[Rail, ...]]:
    """Rails, or the supplies of a unit, and where their names stand."""
    if node is None:
        return {}, ()
    mapping = yamlfile.mapping(node, what)
    rails: list[tuple[Text, Rail]] = []
    for name, entry in mapping.entries.items():
        written = node_name(mapping.keys[name], "a rail")
        if name == GROUND:
            raise InputError("ground is no rail", place=written.place, expected="another node")
        about = yamlfile.mapping(
            entry, "a rail", ("volts", "ripple", "resistance", "supply"), ("volts",)
        )
        volts = within(about.entries["volts"], "rail voltage", "V", (-5000.0, 5000.0))
        if volts == 0.0:
            raise InputError(
                "a rail of 0 V is ground", place=about.entries["volts"].place, expected="volts"
            )
        block = about.get("supply")
        supply = None if block is None else read_supply(block, volts)
        if supply is not None and about.get("ripple") is not None:
            raise InputError(
                "the ripple of a rail with a supply is worked out from that",
                place=about.keys["ripple"].place,
                expected="either ripple or supply",
            )
        resistance = within(about.get("resistance"), "rail resistance", "ohm", (0.0, 1e6))
        ripple = _lines(about.get("ripple"), "V")
        rails.append((written, Rail(name, volts, ripple, resistance, supply)))
    _distinct(rails)
    return mapping.keys, tuple(rail for _, rail in rails)


def _distinct(rails: list[tuple[Text, Rail]]) -> None:
    """Rails that name the same supply have the same one, and a name is not a rail's own."""
    first: dict[str, Rail] = {}
    names = {rail.name for _, rail in rails}
    for written, rail in rails:
        if rail.supply is None:
            continue
        for name in {rail.supply.name, rail.supply.transformer} - {"", rail.name}:
            if name in names:
                raise InputError(
                    f"the supply of {rail.name} has the name of another rail, {name!r}",
                    place=written.place,
                    expected="a name of its own",
                )
        if not rail.supply.name:
            continue
        before = first.setdefault(rail.supply.name, rail)
        if (before.supply, before.volts) != (rail.supply, rail.volts):
            raise InputError(
                f"the supply {rail.supply.name!r} of {rail.name} is another than that of "
                f"{before.name}",
                place=written.place,
                expected="the same volts and supply, or another name",
            )


def _stray(node: Node | None) -> list[tuple[Text, Lines]]:
    if node is None:
        return []
    mapping = yamlfile.mapping(node, "stray current")
    return [
        (node_name(mapping.keys[name], "a node"), _lines(entry, "A"))
        for name, entry in mapping.entries.items()
    ]


def _points(node: Node | None) -> list[tuple[Text, str]]:
    if node is None:
        return []
    mapping = yamlfile.mapping(node, "test points")
    return [
        (mapping.keys[name], yamlfile.text(entry, "a description") if mapping.get(name) else "")
        for name, entry in mapping.entries.items()
    ]


def read_signal(node: Node | None) -> Pairs:
    """The usual drive: levels by their names."""
    if node is None:
        return ()
    mapping = yamlfile.mapping(node, "signal", _LEVELS)
    levels = []
    for name, entry in mapping.entries.items():
        value = yamlfile.number(entry, f"the {name}", _LEVELS[name])
        if value <= 0.0:
            raise InputError(f"the {name} must be more than zero", place=entry.place,
                             expected="a level")  # fmt: skip
        levels.append((name, value))
    return tuple(levels)


def read_shared(node: Node | None, stage: Stage) -> tuple[str, ...]:
    """What two channels have in common: names of rails and parts of one of them.

    A part that lies on the input or output would make one channel of two.
    """
    if node is None:
        return ()
    parts = {part.name: part.nodes for part in stage.parts}
    allowed = [*(rail.name for rail in stage.rails), *parts]
    named: list[str] = []
    for item in yamlfile.items(node, "shared"):
        name = yamlfile.choice(item, f"rail or part of {stage.name}", allowed)
        if name in named:
            raise InputError(f"{name} stands twice", place=item.place, expected="each once")
        for end in (stage.input, stage.output):
            if end in parts.get(name, ()):
                raise InputError(
                    f"{name} lies on {end!r}, where each channel has a signal of its own",
                    place=item.place,
                    expected="a rail, a part of the earth or of the decoupling",
                )
        named.append(name)
    return tuple(named)


def read_cautions(node: Node | None) -> tuple[str, ...]:
    """What to mind, a text each."""
    if node is None:
        return ()
    return tuple(yamlfile.text(item, "a caution") for item in yamlfile.items(node, "cautions"))
