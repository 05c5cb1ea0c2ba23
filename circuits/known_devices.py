"""What is known of a unit's devices: ``Q1: {current gain: 320}``, ``Q2: {matched with: Q1}``.

Makes of a transistor differ far more than anything else in a stage. One that was measured, or
chosen to go with another, narrows that. Models of the user's own take the place of the generic
ones: ``Q1: {model: my-type}`` from the file that ``library: my-models.lib`` names, or all of one
name at once, ``devices: my-models.lib``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from circuits import yamlfile
from circuits.device import Device, Own, device_of
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.partfile import within
from circuits.stage import Part, Stage
from circuits.yamlfile import Mapping, Node, Text

GAIN = "current gain"
MATCHED = "matched with"
MODEL = "model"
LIBRARY = "library"
_GAINS = (2.0, 20e3)
"""Of any transistor, a Darlington pair included (judgement)."""
_TESTER = 0.05
"""Relative standard deviation of a current gain as testers read it, at a current of their own
(judgement)."""
_ALIKE = 0.05
"""Relative standard deviation between two that were chosen to go together (common practice: pairs
are matched within 5 to 10 %)."""


def with_devices(stage: Stage, devices: Node, open_library: Callable[[Text], Own]) -> Stage:
    """The stage with what is known of its devices.

    Parameters
    ----------
    devices : Node
        Part names to mappings of `GAIN`, `MATCHED` and `MODEL`, with `LIBRARY` where a file is
        named; or that name alone.
    open_library : callable
        Finds devices of the user's where a text names them.

    Raises
    ------
    InputError
        With the place, for a part that the stage has not, or of which nothing can be told, and for
        a library that fits none of the parts.
    """
    if isinstance(devices, Text):
        return _by_name(stage, open_library(devices), devices)
    entries = yamlfile.mapping(devices, "devices")
    named, own = entries.get(LIBRARY), None
    if named is not None:
        written = yamlfile.scalar(named, LIBRARY)
        own = open_library(written)
        if not any(_known(entries, name).get(MODEL) for name in entries.entries):
            stage = _by_name(stage, own, written)
    for name in entries.entries:
        known = _known(entries, name)
        model = known.get(MODEL)
        if model is not None:
            part = _part(stage, entries.keys[name])
            device = device_of(model, part.kind, entries.keys[name], own)
            stage = stage.with_part(_of_device(part, device))
    for name in entries.entries:
        known = _known(entries, name)
        gain, other = known.get(GAIN), known.get(MATCHED)
        if gain is not None:
            part = _transistor(stage, entries.keys[name])
            stage = stage.with_part(_measured(part, within(gain, GAIN, "", _GAINS)))
        if other is not None:
            stage = _matched(stage, _transistor(stage, entries.keys[name]), other)
    return stage


def _known(entries: Mapping, name: str) -> Mapping:
    """What is told of one part; nothing of `LIBRARY`."""
    node = entries.get(name)
    if node is None or name == LIBRARY:
        return Mapping({}, {}, entries.keys[name].place)
    return yamlfile.mapping(node, f"what is known of {name}", (GAIN, MATCHED, MODEL))


def _by_name(stage: Stage, own: Own, written: Text) -> Stage:
    """Every part whose model is named in the library has it from there."""
    found = []
    for part in stage.parts:
        try:
            device = own(part.model, part.kind) if part.model else None
        except InputError as error:
            raise error.at(written.place) from None
        if device is not None:
            found.append(_of_device(part, device))
    if not found:
        raise InputError(
            "no part of this stage has a model of the names in this library",
            place=written.place,
            expected="{library: FILE, Q1: {model: NAME}}, or models named as the stage has them",
            choices=sorted({part.model for part in stage.parts if part.model}),
        )
    for part in found:
        stage = stage.with_part(part)
    return stage


def _of_device(part: Part, device: Device) -> Part:
    return replace(part, model=device.name, parameters=device.parameters, spread=device.spread,
                   behaviour=device.behaviour)


def _part(stage: Stage, name: Text) -> Part:
    try:
        return stage.part(name.value)
    except InputError as error:
        raise error.at(name.place) from None


def _transistor(stage: Stage, name: Text) -> Part:
    part = _part(stage, name)
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
