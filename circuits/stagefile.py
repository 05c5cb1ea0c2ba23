"""Readers that stage files and unit files share: rails, lines, levels, what two channels share."""

from __future__ import annotations

import re

from circuits import yamlfile
from circuits.errors import InputError
from circuits.partfile import node_name, within
from circuits.plausible import CONDITIONS, LINES, RAIL, VALUES
from circuits.quantities import LEVELS
from circuits.quantity import render
from circuits.stage import GROUND, Lines, Pairs, Rail, Stage
from circuits.supplyfile import read_supply
from circuits.yamlfile import Node, Text

_STAGE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]*")
OHMS = (0.0, 1e9)
"""Limits of a source impedance or a load, ohm; 0 of a load is none, the upper end an open input."""
MAINS = (10.0, 500.0)
"""Frequencies that a mains supply may have, Hz (16.7 Hz of railways to 400 Hz of ships)."""


def stage_name(node: Node, what: str) -> str:
    """A text that can name a stage or a unit."""
    word = yamlfile.text(node, f"the name of {what}")
    if not _STAGE_NAME.fullmatch(word):
        raise InputError(
            f"{word!r} is no name of {what}", place=node.place, expected="letters, digits, - _ ."
        )
    return word


def read_lines(node: Node | None, unit: str) -> Lines:
    """Spectral lines: a mapping of frequencies to amplitudes."""
    if node is None:
        return ()
    mapping = yamlfile.mapping(node, "spectral lines")
    lines: dict[float, float] = {}
    for key, entry in mapping.entries.items():
        written = mapping.keys[key]
        frequency = yamlfile.number(written, "a frequency", "Hz")
        if not LINES[0] <= frequency <= LINES[1]:
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
        if lines[frequency] > VALUES[unit]:
            raise InputError(
                f"an amplitude of {render(lines[frequency], unit)} is not plausible",
                place=entry.place,
                expected=f"{render(0.0, unit)} to {render(VALUES[unit], unit)}",
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
        volts = within(about.entries["volts"], "rail voltage", "V", (-RAIL[1], RAIL[1]))
        if abs(volts) < RAIL[0]:
            raise InputError(
                f"a rail of {render(volts, 'V')} is ground",
                place=about.entries["volts"].place,
                expected="volts",
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
        ripple = read_lines(about.get("ripple"), "V")
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


def read_signal(node: Node | None) -> Pairs:
    """The usual drive: levels by their names."""
    if node is None:
        return ()
    mapping = yamlfile.mapping(node, "signal", LEVELS)
    levels = []
    for name, entry in mapping.entries.items():
        value = yamlfile.number(entry, f"the {name}", LEVELS[name])
        if value <= 0.0:
            raise InputError(f"the {name} must be more than zero", place=entry.place,
                             expected="a level")
        value = within(entry, name, LEVELS[name], CONDITIONS[name])
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
