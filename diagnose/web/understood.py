"""What was understood of a sheet as it is typed, to stand beside its fields.

Two things are told of a field: the value as it was read (``3.3 kV`` for ``3k3``), where that is not
what anybody would read there anyway; and a question, where the value is beyond what the stage can
do. Mistakes are for `diagnose.web.checked`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from circuits.errors import InputError
from circuits.kinds import kind
from circuits.load import load_stage
from circuits.quantities import LEVELS, QUANTITIES
from circuits.quantity import exact, parse, render
from circuits.stage import Stage
from diagnose.sheet.beyond import beyond, other_value
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.web.sheet import Entry, Pairs, Typed
from diagnose.web.written import Written

Told = tuple[tuple[str, str], ...]
"""Fields and what is told of each."""

CONDITION_UNITS = {"frequency": "Hz", "reference": "Hz", "load": "ohm", "thd": "%", **LEVELS}
"""Conditions of one quantity, and the unit that a bare number has there."""
_MOST_DIGITS = 7
"""Digits that a value is repeated with; one in dBV has sixteen as volts."""
_PLAIN = re.compile(r"([<>]?)\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*)")


def measured_at(case: Case, text: Written, file: str) -> dict[str, Measured]:
    """What was read in each field that holds a reading or an expected figure.

    Parameters
    ----------
    file : str
        Name of the case file; rows of sweeps stand elsewhere.
    """
    sides = [read for _, read in case.channels] or [case.readings]
    sides += [told.readings for told in case.repaired]
    sides.append(tuple(one.figure for one in case.expected if one.beside))
    found = {}
    for measured in (m for side in sides for m in side):
        if Path(measured.place.file).name == file:
            found[text.field(measured.place.line, measured.place.column)] = measured
    return found


def values_of(found: dict[str, Measured]) -> Told:
    """Every value with its unit and bound."""
    return tuple((field, f"{m.bound} {render(m.value, m.reading.unit, 4)}".strip())
                 for field, m in found.items())


def differing(sheet: Typed, stage: Stage, found: dict[str, Measured]) -> Told:
    """What was understood of the fields where that is another text than what was typed.

    A bare number in the unit that stands beside its field is itself, and so is ``3 uF`` for
    ``3 µF``; where no unit stands beside a field, a bare number is told with its unit.
    """
    typed = dict(_typed(sheet))
    told: dict[str, str] = {}
    for field, measured in found.items():
        said = f"{measured.bound} {_said(measured.value, measured.reading.unit)}".strip()
        if not same(typed.get(field, said), said, measured.reading.unit):
            told[field] = said
    for field, word, unit in _figures(sheet):
        with suppress(InputError):
            said = _said(parse(word, unit), unit)
            if not same(word, said, unit):
                told[field] = said
    for field, word, unit in _plain(sheet, stage):
        try:
            said = _said(parse(word, unit), unit)
        except InputError:
            continue  # a mistake, or a list; the loader says which
        if not same(word, said, ""):
            told[field] = said
    return tuple(told.items())


def doubted(sheet: Typed, stage: Stage, folder: Path, found: dict[str, Measured]) -> Told:
    """Fields whose value is beyond what the stage can do, with the question of each.

    Parameters
    ----------
    folder : Path
        Where a stage of the user's own lies.
    """
    asked = {field: beyond(measured, stage) for field, measured in found.items()}
    drawn = load_stage(sheet.stage, folder) if sheet.values else stage
    for name, word in sheet.values:
        try:
            value = parse(word, kind(drawn.part(name).kind).unit)
        except InputError:
            continue
        asked[f"values/{name}"] = other_value(name, value, drawn)
    return tuple((field, text) for field, text in asked.items() if text)


def same(typed: str, said: str, unit: str) -> bool:
    """Whether a text says to anybody what was understood of it: a number with its unit.

    Parameters
    ----------
    unit : str
        Stands beside the field, so that it may be left out there; empty for none.
    """
    one, other = _PLAIN.fullmatch(_tidy(typed)), _PLAIN.fullmatch(_tidy(said))
    if one is None or other is None or one[1] != other[1]:
        return False
    if not one[3]:
        return bool(unit)
    # the same unit with another prefix is the same to anybody: 0.816 V and 816 mV
    return _base(one[3]) == _base(other[3])


def _tidy(text: str) -> str:
    plain = text.strip().replace("\u2212", "-").replace("\u03bc", "µ")
    return re.sub(r"(?<=[0-9]),(?=[0-9])", ".", plain)


def _base(unit: str) -> str:
    """A unit without its prefix, as it is rendered; a prefix alone stays, and is no unit."""
    word = re.sub(r"\s?\(?(?:rms|RMS|dc|DC|ac|AC)\)?$", "", unit)
    word = re.sub(r"[Oo]hms?$|OHMS?$|\u2126$", "Ω", word)
    word = {"degrees": "°", "degree": "°", "deg": "°", "uf": "F"}.get(word, word)
    word = re.sub(r"^[fpnuµmkKMGT](?=[A-Za-zΩ])", "", word).replace(" ", "")
    return {"hz": "Hz", "HZ": "Hz", "v": "V", "a": "A", "w": "W"}.get(word, word)


def _said(value: float, unit: str) -> str:
    """A value as people write it, to the digits that were typed where those are few."""
    text = exact(value, unit).replace("ohm", "Ω")
    return text if sum(sign.isdigit() for sign in text) <= _MOST_DIGITS else render(value, unit, 4)


def _typed(sheet: Typed) -> Iterator[tuple[str, str]]:
    """Values and expected figures by their fields, as they are typed."""
    for row, entry in _entries(sheet):
        for side, value in enumerate(entry.values):
            yield f"{row}/values/{side}", value
        for p, point in enumerate(entry.points):
            for side, value in enumerate(point.values):
                yield f"{row}/points/{p}/{side}", value
        yield f"{row}/expected", entry.expected


def _entries(sheet: Typed) -> Iterator[tuple[str, Entry]]:
    for k, entry in enumerate(sheet.readings):
        yield f"readings/{k}", entry
    for k, made in enumerate(sheet.repaired):
        for r, entry in enumerate(made.readings):
            yield f"repaired/{k}/readings/{r}", entry


def _figures(sheet: Typed) -> Iterator[tuple[str, str, str]]:
    """Figures of limits, whose unit stands beside them."""
    for k, limit in enumerate(sheet.limits):
        if limit.quantity not in QUANTITIES:
            continue
        about = QUANTITIES[limit.quantity]
        beside = about.with_level and any(key in LEVELS for key, _ in limit.conditions)
        for key, word in limit.figures:
            if word:
                yield f"limits/{k}/{key}", word, about.with_level if beside else about.unit


def _plain(sheet: Typed, stage: Stage) -> Iterator[tuple[str, str, str]]:
    """Fields that hold one quantity and say no unit beside them: field, text and unit."""
    yield "mains", sheet.mains, "Hz"
    for row, entry in _entries(sheet):
        yield from _conditions(row, entry.conditions)
        for p, point in enumerate(entry.points):
            yield f"{row}/points/{p}/at", point.at, "Hz"
    for k, limit in enumerate(sheet.limits):
        yield from _conditions(f"limits/{k}", limit.conditions)
    for name, word in sheet.values:
        try:
            unit = kind(stage.part(name).kind).unit
        except InputError:
            continue
        if unit and word:
            yield f"values/{name}", word, unit


def _conditions(row: str, conditions: Pairs) -> Iterator[tuple[str, str, str]]:
    for word, text in conditions:
        if word in CONDITION_UNITS and text:
            yield f"{row}/{word}", text, CONDITION_UNITS[word]
