"""Stage + fault → the faulty stage: pure, the healthy stage is left as it was.

A fault changes values and parameters in place, or adds resistances of the kind ``defect``. Which
parts and nodes there are depends on the mode alone, never on the size, so that a simulator can go
through the sizes of one fault by altering values.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial

from circuits.earths import Return, lifted, returns, standing
from circuits.errors import InputError
from circuits.identity import ByIdentity
from circuits.stage import Lines, Part, Rail, Stage, short_name
from faultlib.catalogue import kind_of, mode_for, pin_index, property_of
from faultlib.fault import Fault
from faultlib.mode import LOAD_JOINT, Change, Mode

DEFECT = "defect"
"""Kind of an added resistance, which no stage file may name."""
_MOST = 4096
"""Of stages, parts and modes that are remembered: some stages' worth (judgement)."""


def inject(
    stage: Stage, faults: Fault | Iterable[Fault], drawn: Stage | None = None
) -> Stage:
    """The stage with one fault, or with several one after the other.

    Parameters
    ----------
    stage : Stage
        Left unchanged.
    drawn : Stage, optional
        As the file has it, where `stage` has strays of a layout that are no parts of it.

    Returns
    -------
    Stage
        Added parts are named ``C4.positive`` (in series with that pin, whose part then sits on the
        new node ``C4.positive``) and ``Q1.collector-base`` (across two pins).

    Raises
    ------
    InputError
        For a part or mode that the stage has not, a size that the mode cannot have, or two faults
        that put a resistance into the same place.
    """
    given = [faults] if isinstance(faults, Fault) else list(faults)
    before = drawn or stage
    feet = _feet(before) if any(standing(fault.part) for fault in given) else {}
    # first what lifts a return: another fault may take off ground what stands on it
    for fault in sorted(given, key=lambda fault: fault.part not in feet):
        of_kind, mode = _meant(before, fault.part, fault.mode)
        stage = _one(stage, fault, of_kind, mode, feet)
    return stage


_meant = ByIdentity(
    lambda stage, part, mode: (kind_of(stage, part), mode_for(stage, part, mode)), _MOST
)
"""The kind of a part and its mode, which all faulty units of a stage ask for."""
_feet = ByIdentity(lambda stage: {found.name: found for found in returns(stage)}, _MOST)
"""The returns of a stage by name."""


def _one(
    stage: Stage, fault: Fault, of_kind: str, mode: Mode, feet: Mapping[str, Return]
) -> Stage:
    if mode.range is not None and not mode.range.allows(fault.size):
        raise InputError(
            f"{fault.label()} cannot have the size {fault.size!r}",
            expected=f"a size from {mode.range.mild:g} to {mode.range.worst:g}",
        )
    if fault.part in feet:
        (change,) = mode.changes
        ohms, of_load = change.on(0.0, fault.size), change.what == LOAD_JOINT
        return lifted(stage, feet[fault.part], ohms, of_load)
    match of_kind:
        case "rail":
            return stage.with_rail(_rail(stage.rail(fault.part), mode, fault.size))
        case "pickup":
            return _pickup(stage, fault.part, mode, fault.size)
        case _ if any(part.name == fault.part for part in stage.supply_parts):
            return replace(stage, rails=tuple(_supplied(r, fault, mode) for r in stage.rails))
        case _:
            return _part(stage, fault, mode)


def _supplied(rail: Rail, fault: Fault, mode: Mode) -> Rail:
    """A rail whose supply has the faulty part; rails that share the supply change alike."""
    if fault.part not in rail.supply_parts():
        return rail
    assert rail.supply is not None
    # a supply is a circuit of its own, in short names
    inner = replace(fault, part=short_name(fault.part))
    parts = _part(Stage(rail.name, rail.supply.parts), inner, mode).parts
    return replace(rail, supply=replace(rail.supply, parts=parts))


def _part(stage: Stage, fault: Fault, mode: Mode) -> Stage:
    part = stage.part(fault.part)
    added: list[Part] = []
    for change in mode.changes:
        if change.operation == "series":
            part, defect = _series(part, change, fault)
            added.append(defect)
        elif change.operation == "shunt":
            added.append(_shunt(part, change, fault))
        else:
            now = property_of(part, change.what, change.default)
            part = _with(part, change.what, change.on(now, fault.size))
    there = {defect.name for defect in added}.intersection(other.name for other in stage.parts)
    if there:
        raise InputError(f"{fault.label()}: {min(there)} has a resistance from another fault")
    kept = (part if other.name == part.name else other for other in stage.parts)
    return replace(stage, parts=(*kept, *added))


def _with(part: Part, what: str, value: float) -> Part:
    match what:
        case "value":
            return replace(part, value=value)
        case "esr":
            return replace(part, esr=value)
        case "position":
            return replace(part, position=value)
        case _:
            return part.with_parameter(what, value)


def _series(part: Part, change: Change, fault: Fault) -> tuple[Part, Part]:
    """The part moved to a new node, and the resistance from there to where it was."""
    (pin,) = change.pins
    index = _index(part, pin, fault)
    name = f"{part.name}.{_tag(pin)}"
    nodes = tuple(name if i == index else node for i, node in enumerate(part.nodes))
    defect = _resistance(name, (part.nodes[index], name), change, fault, part)
    return replace(part, nodes=nodes), defect


def _shunt(part: Part, change: Change, fault: Fault) -> Part:
    first, second = change.pins
    nodes = tuple(part.nodes[_index(part, pin, fault)] for pin in (first, second))
    return _resistance(f"{part.name}.{_tag(first)}-{_tag(second)}", nodes, change, fault, part)


def _resistance(
    name: str, nodes: tuple[str, ...], change: Change, fault: Fault, part: Part
) -> Part:
    heard = tuple((word, fault.size if by is None else by) for word, by in change.heard)
    ohms, role = change.by(fault.size), f"defect of {part.name}"
    return Part(name, DEFECT, nodes, ohms, role=role, parameters=heard)


def _index(part: Part, pin: str, fault: Fault) -> int:
    index = pin_index(part, pin)
    if index is None:
        raise InputError(f"{fault.label()}: the {pin} of {part.name} is not connected")
    return index


def _tag(pin: str) -> str:
    return pin.replace(" ", "-")


def _rail(rail: Rail, mode: Mode, size: float) -> Rail:
    for change in mode.changes:
        if change.what == "volts":
            rail = replace(rail, volts=change.on(rail.volts, size))
        else:
            rail = replace(rail, ripple=_lines(rail.ripple, change, size))
    return rail


def _pickup(stage: Stage, name: str, mode: Mode, size: float) -> Stage:
    """Stray e.m.f. at the input and stray currents into nodes rise together."""
    for change in mode.changes:
        stage = stage.with_pickup(name, partial(_lines, change=change, size=size))
    return stage


def _lines(lines: Lines, change: Change, size: float) -> Lines:
    return tuple((frequency, change.on(level, size)) for frequency, level in lines)
