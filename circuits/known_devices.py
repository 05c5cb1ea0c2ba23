"""What is known of a unit's transistors: ``Q1: {current gain: 320}``, ``Q2: {matched with: Q1}``.

Makes of a transistor differ far more than anything else in a stage. One that was measured, or
chosen to go with another, narrows that.
"""

from __future__ import annotations

from dataclasses import replace

from circuits import yamlfile
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.partfile import within
from circuits.stage import Part, Stage
from circuits.yamlfile import Mapping, Text

GAIN = "current gain"
MATCHED = "matched with"
_GAINS = (2.0, 20e3)
"""Of any transistor, a Darlington pair included (judgement)."""
_TESTER = 0.05
"""Relative standard deviation of a current gain as testers read it, at a current of their own
(judgement)."""
_ALIKE = 0.05
"""Relative standard deviation between two that were chosen to go together (common practice: pairs
are matched within 5 to 10 %)."""


def with_devices(stage: Stage, devices: Mapping) -> Stage:
    """The stage with what is known of its transistors.

    Parameters
    ----------
    devices : Mapping
        Part names to mappings of `GAIN` and `MATCHED`.

    Raises
    ------
    InputError
        With the place, for a part that the stage has not, or that is no transistor.
    """
    for name in devices.entries:
        node = devices.get(name)
        part = _transistor(stage, devices.keys[name])
        if node is None:
            continue
        entry = yamlfile.mapping(node, f"what is known of {name}", (GAIN, MATCHED))
        gain, other = entry.get(GAIN), entry.get(MATCHED)
        if gain is not None:
            part = _measured(part, within(gain, GAIN, "", _GAINS))
            stage = stage.with_part(part)
        if other is not None:
            stage = _matched(stage, part, other)
    return stage


def _transistor(stage: Stage, name: Text) -> Part:
    try:
        part = stage.part(name.value)
    except InputError as error:
        raise error.at(name.place) from None
    if kind(part.kind).family != "bipolar":
        raise InputError(
            f"{part.name} is of kind {part.kind}, of which no current gain is told",
            place=name.place,
            expected="a bipolar transistor",
            choices=[p.name for p in stage.parts if kind(p.kind).family == "bipolar"],
        )
    return part


def _measured(part: Part, gain: float) -> Part:
    spread = tuple((name, _TESTER if name == "BF" else s) for name, s in part.spread)
    return replace(part.with_parameter("BF", gain), spread=spread, known=("BF",))


def _matched(stage: Stage, part: Part, node: yamlfile.Node) -> Stage:
    """Both of a pair, their differences as small as those of a pair are."""
    choices = [p.name for p in stage.parts if p.kind == part.kind and p.name != part.name]
    other = stage.part(yamlfile.choice(node, f"partner of {part.name}", choices))
    told = next((p for p in (part, other) if "BF" in p.known), None)
    if told is not None:
        part, other = (_measured(p, told.parameter("BF")) for p in (part, other))
    for one in (part, other):
        near = tuple((name, min(s, _ALIKE)) for name, s in one.spread)
        stage = stage.with_part(replace(one, spread=near))
    return stage
