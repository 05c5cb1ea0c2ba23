"""What one unit's schematic says where it differs from the stage file: values and settings."""

from __future__ import annotations

from dataclasses import replace

from circuits.errors import InputError
from circuits.kinds import kind
from circuits.partfile import checked_value, series_resistance, within
from circuits.stage import Part, Stage
from circuits.yamlfile import Mapping, Text


def with_values(stage: Stage, values: Mapping) -> Stage:
    """The stage with other values of parts.

    Parameters
    ----------
    values : Mapping
        Part names to values; one that is left empty is passed over.

    Raises
    ------
    InputError
        With the place, for a part that the stage has not, or a value that it cannot have.
    """
    for name in values.entries:
        node = values.get(name)
        part = _part(stage, values.keys[name])
        about = kind(part.kind)
        if node is None:
            continue
        if not about.unit:
            raise InputError(
                f"{name} is of kind {part.kind}, which has no value",
                place=values.keys[name].place,
                expected="a part with a value",
            )
        value = checked_value(node, about)
        esr = part.esr
        if esr == series_resistance(part.kind, part.value):  # not stated by the stage
            esr = series_resistance(part.kind, value)
        stage = stage.with_part(replace(part, value=value, esr=esr))
    return stage


def with_positions(stage: Stage, positions: Mapping) -> Stage:
    """The stage with its controls set.

    Parameters
    ----------
    positions : Mapping
        Names of potentiometers and trimmers to positions, 0 to 1.

    Raises
    ------
    InputError
        With the place.
    """
    for name in positions.entries:
        node = positions.get(name)
        part = _part(stage, positions.keys[name])
        if kind(part.kind).family != "potentiometer":
            raise InputError(
                f"{name} is of kind {part.kind}, which has no position",
                place=positions.keys[name].place,
                expected="a potentiometer or trimmer",
            )
        if node is not None:
            set_to = within(node, "position", "", (0.0, 1.0))
            stage = stage.with_part(replace(part, position=set_to))
    return stage


def _part(stage: Stage, name: Text) -> Part:
    try:
        return stage.part(name.value)
    except InputError as error:
        raise error.at(name.place) from None
