"""A flat netlist as data: elements, models, and values that a person may have meant otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from circuits.spice.words import Word


@dataclass(frozen=True)
class FlatModel:
    """A model with its parameters worked out.

    Attributes
    ----------
    name : str
        As ngspice names it, lower case.
    type : str
        SPICE's: npn, d, njf …
    """

    name: str
    type: str
    parameters: Mapping[str, float]
    word: Word
    flags: tuple[str, ...] = ()


@dataclass
class Flat:
    """One element.

    Attributes
    ----------
    letter : str
        What it is, lower case; ``x`` for a subcircuit that stays one part.
    name : str
        As ngspice names it.
    label : str
        As a person does: ``X1.R2``.
    value : float or None
        Ohm, farad, henry, volt or ampere at rest, gain or coupling.
    model : str
        Flat name of its model, or of the subcircuit.
    others : tuple of str
        Flat names of elements that it refers to: inductors of K, the source of F and H.
    text : str
        Template of a B source; what a V or I source does over time.
    magnitude : float
        AC magnitude of a source.
    """

    letter: str
    name: str
    label: str
    nodes: tuple[str, ...]
    word: Word
    value: float | None = None
    model: str = ""
    parameters: dict[str, float] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    text: str = ""
    magnitude: float = 0.0
    unknown: str = ""
    inside: Inside | None = None


@dataclass(frozen=True)
class Inside:
    """What a subcircuit that stays one part is made of, pins and inner nodes by its own names."""

    name: str
    pins: tuple[str, ...]
    elements: tuple[Flat, ...]
    models: Mapping[str, FlatModel]


@dataclass(frozen=True)
class Doubt:
    """A value that a person may have meant otherwise."""

    label: str
    text: str
    value: float
    why: str
    meant: float | None
    letter: str
    word: Word


@dataclass
class Netlist:
    """A flat netlist."""

    title: str
    elements: list[Flat]
    models: dict[str, FlatModel]
    doubts: list[Doubt]
