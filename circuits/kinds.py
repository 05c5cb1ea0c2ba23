"""The part kinds: pins, unit and usual tolerance of each, read once from ``kinds.yaml``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import yaml

from circuits.errors import InputError


@dataclass(frozen=True)
class Kind:
    """What all parts of one kind share.

    Attributes
    ----------
    name, family : str
        The family decides the model: a carbon-film resistor is of the family ``resistor``.
    pins : tuple of str
        Names of the pins in the order of a part's nodes.
    optional_pins : int
        How many of the last pins may be left out (the rails of an op-amp).
    unit : str
        Unit of the value, empty where the kind has none.
    tolerance : float
        Usual relative tolerance.
    value : float or None
        The value of a part whose file states none (a contact's resistance).
    dissipation : float
        tan δ at 100 Hz, 0 where it does not matter.
    """

    name: str
    family: str
    pins: tuple[str, ...]
    optional_pins: int = 0
    unit: str = ""
    tolerance: float = 0.0
    value: float | None = None
    dissipation: float = 0.0


DEFECT = Kind("defect", "defect", ("a", "b"), unit="ohm")
"""A resistance that an injected fault adds; no stage file may name it, so `kinds` has it not."""


@cache
def kinds() -> dict[str, Kind]:
    """All kinds by name."""
    path = Path(__file__).with_name("kinds.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return {
        name: Kind(
            name=name,
            family=entry["family"],
            pins=tuple(entry["pins"]),
            optional_pins=entry.get("optional pins", 0),
            unit=entry.get("unit", ""),
            tolerance=entry.get("tolerance", 0.0),
            value=entry.get("value"),
            dissipation=entry.get("dissipation", 0.0),
        )
        for name, entry in raw.items()
    }


@cache
def kin() -> dict[str, Kind]:
    """What other words for kinds stand for: the kind they are like, with their own tolerance."""
    path = Path(__file__).with_name("kin.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return {
        word: replace(like, tolerance=entry.get("tolerance", like.tolerance))
        for word, entry in raw.items()
        for like in (kinds()[entry["like"]],)
    }


def kind(name: str) -> Kind:
    """The kind of that name.

    Raises
    ------
    InputError
        For a word that is no part kind, naming the nearest ones.
    """
    if name == DEFECT.name:
        return DEFECT
    try:
        return kinds()[name]
    except KeyError:
        raise InputError(
            f"{name!r} is no part kind", expected="a part kind", choices=kinds(), given=name
        ) from None
