"""Stage files to `Stage`: every key known, every value in SI, every mistake shown where it stands.

What a stage may say stands in this file; whether its parts make a circuit is checked by
`circuits.wiring`.
"""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

from circuits import unitfile, wiring, yamlfile
from circuits.adjustfile import read_adjust
from circuits.device import Own, load_devices
from circuits.errors import InputError
from circuits.partfile import checked_value, node_name, read_parts, series_resistance, within, words
from circuits.stage import GROUND, Lines, Stage
from circuits.stagefile import (
    MAINS,
    OHMS,
    read_cautions,
    read_lines,
    read_rails,
    read_shared,
    read_signal,
    stage_name,
)
from circuits.textfile import contents
from circuits.yamlfile import Mapping, Node, Text

__all__ = [
    "canonical",
    "checked_value",
    "load_devices",
    "load_stage",
    "series_resistance",
    "stage_file",
    "stage_names",
    "stage_of_text",
    "unit_names",
]

FOLDER = Path(__file__).with_name("stages")
UNITS = Path(__file__).with_name("units")

_STAGE_KEYS = (
    "stage", "title", "about", "source", "rails", "ports", "source impedance", "load", "mains",
    "pickup", "stray current", "signal", "parts", "test points", "cautions", "shared",
    "adjust", "devices", "guessed",
)
GUESSED = "stage"
"""Under this the key ``guessed`` holds what of the stage itself was guessed."""
GUESSES_OF_STAGE = ("rails", "input", "output", "source impedance", "load", "signal", "mains")
GUESSES_OF_PART = ("kind", "polarity", "value", "model", "pins", "position", "role", "tolerance")
"""What a netlist may not say of a stage, and of a part."""


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
    if word in stage_names() or word in unit_names():
        return _shipped(word)
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


@cache
def _shipped(name: str) -> Stage:
    """A stage or unit that ships, read once: it is frozen, and its file stays."""
    path = (FOLDER if name in stage_names() else UNITS) / f"{name}.yaml"
    return read_stage(path, path.name)


def stage_file(name_or_path: str | Path) -> str:
    """The text of a stage or unit file, by name or path as `load_stage` takes them.

    Raises
    ------
    InputError
        For one that there is not, or that cannot be read.
    """
    for folder, names in ((FOLDER, stage_names()), (UNITS, unit_names())):
        if str(name_or_path) in names:
            return contents(folder / f"{name_or_path}.yaml")
    return contents(Path(name_or_path))


def stage_of_text(text: str, name: str, folder: Path | None = None) -> Stage:
    """The stage of a text; `name` is the file in messages.

    Parameters
    ----------
    folder : Path, optional
        Where files lie that it names; by default the working folder.

    Raises
    ------
    InputError
        With the place.
    """
    return from_tree(yamlfile.tree(text, name), folder or Path())


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
    stage = from_tree(yamlfile.read(path, shown), path.parent)
    return stage if shown else replace(stage, file=str(path))


def from_tree(tree: Node, folder: Path) -> Stage:
    """The stage or unit of a tree that was read.

    Parameters
    ----------
    folder : Path
        Where the stages of a unit are looked for.

    Raises
    ------
    InputError
        With the place.
    """
    if unitfile.is_unit(tree):
        return unitfile.read_unit(tree, folder, load_stage)
    top = yamlfile.mapping(tree, "a stage file", _STAGE_KEYS, ("stage", "ports", "parts"))
    return _stage(top, folder)


def canonical(stage: Stage) -> str:
    """A text that two stages share if and only if every field of them is equal but the file."""
    told = {name: value for name, value in asdict(stage).items() if name != "file"}
    return json.dumps(told, sort_keys=True, ensure_ascii=False)


def _stage(top: Mapping, folder: Path) -> Stage:
    word = stage_name(top.entries["stage"], "a stage")
    ports = _ports(top.entries["ports"])
    stray = _stray(top.get("stray current"))
    parts, pins = read_parts(top.entries["parts"], _devices(top.get("devices"), folder))
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
        pickup=read_lines(top.get("pickup"), "V"),
        stray=tuple((node.value, lines) for node, lines in stray),
        signal=read_signal(top.get("signal")),
        test_points=tuple((node.value, text) for node, text in points),
        cautions=read_cautions(top.get("cautions")),
        guessed=_guessed(top.get("guessed"), {part.name for part in parts}),
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


def _stray(node: Node | None) -> list[tuple[Text, Lines]]:
    if node is None:
        return []
    mapping = yamlfile.mapping(node, "stray current")
    return [
        (node_name(mapping.keys[name], "a node"), read_lines(entry, "A"))
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


def _devices(node: Node | None, folder: Path) -> Own | None:
    if node is None:
        return None
    # imported here: few stages have devices of a user's own
    from circuits.spice.own_devices import own_devices

    return own_devices(yamlfile.scalar(node, "devices"), folder)


def _guessed(node: Node | None, parts: set[str]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What was guessed and not confirmed yet: lists of words, by part or for the stage itself."""
    if node is None:
        return ()
    mapping = yamlfile.mapping(node, "guessed", {GUESSED, *parts})
    known = {GUESSED: GUESSES_OF_STAGE}
    found = []
    for name, entry in mapping.entries.items():
        words_ = tuple(
            yamlfile.choice(item, "thing that can be guessed", known.get(name, GUESSES_OF_PART))
            for item in yamlfile.items(entry, "what was guessed")
        )
        found.append((name, words_))
    return tuple(found)
