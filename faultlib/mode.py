"""How a kind of part fails, as frozen data: what `faultlib/modes/*.yaml` says."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from circuits.excess import INDEX

Array = NDArray[np.float64]

NOISES = ("KF", "AF", INDEX)
"""Properties of a part that change its noise alone."""
CLEAN = 1e9
"""Ohm that a clean board leaks: as a shunt, nothing."""


@dataclass(frozen=True)
class Size:
    """How far a mode can go, from what is just a fault to the worst that is met.

    Attributes
    ----------
    quantity, unit : str
        What is shown to the user, in SI.
    mild, worst : float
        Limits of the size. Of one sign, and not zero, on a log scale.
    times, plus : str
        The size is a factor to this healthy value of the part, or comes on top of it; with neither
        it is the quantity itself. ``value``, ``esr``, ``position``, a device parameter, or for
        rails ``volts`` and ``ripple``.
    default : float or None
        That healthy value where the device data are silent.
    scale : {"log", "linear"}
        On which sizes are equally likely.
    """

    quantity: str
    unit: str
    mild: float
    worst: float
    times: str = ""
    plus: str = ""
    default: float | None = None
    scale: str = "log"

    def at(self, places: Array) -> Array:
        """Sizes at places from mild (0) to worst (1), of any shape; the limits exactly."""
        places = np.asarray(places, dtype=float)
        if self.scale == "linear":
            inner = self.mild + places * (self.worst - self.mild)
        else:
            inner = self.mild * (self.worst / self.mild) ** places
        return np.where(places == 0.0, self.mild, np.where(places == 1.0, self.worst, inner))

    def place(self, sizes: Array) -> Array:
        """The inverse of `at`."""
        sizes = np.asarray(sizes, dtype=float)
        if self.scale == "linear":
            return np.asarray((sizes - self.mild) / (self.worst - self.mild))
        return np.asarray(np.log(sizes / self.mild) / np.log(self.worst / self.mild))

    def allows(self, size: float) -> bool:
        """Whether the size is a number that this mode can have at all."""
        if not math.isfinite(size):
            return False
        return self.scale == "linear" or size * self.mild > 0.0


@dataclass(frozen=True)
class Change:
    """One thing that a mode does to a part.

    Attributes
    ----------
    operation : {"scale", "divide", "add", "set", "series", "shunt"}
    what : str
        What the first four change: as in `Size`, and ``stray`` for pick-up.
    pins : tuple of str
        One pin for ``series``, two for ``shunt``.
    amount : float or None
        None takes the size of the fault.
    times : float
        A constant factor to it.
    default : float
        The healthy value where the device data are silent (SPICE's own default).
    heard : tuple of (str, float or None)
        What the added resistance makes noise by (`circuits.excess`); None takes the size.
    """

    operation: str
    what: str = ""
    pins: tuple[str, ...] = ()
    amount: float | None = None
    times: float = 1.0
    default: float = 0.0
    heard: tuple[tuple[str, float | None], ...] = ()

    @property
    def noise_alone(self) -> bool:
        """Whether it changes what is heard of a part and nothing else."""
        idle = self.operation == "shunt" and (self.amount or 0.0) >= CLEAN
        return self.what in NOISES or (idle and bool(self.heard))

    def by(self, size: float) -> float:
        """The factor, addition, new value or ohms at a size."""
        return (size if self.amount is None else self.amount) * self.times

    def on(self, healthy: float, size: float) -> float:
        """What a healthy value becomes; for ``scale``, ``divide``, ``add`` and ``set``."""
        match self.operation:
            case "scale":
                return healthy * self.by(size)
            case "divide":
                return healthy / self.by(size)
            case "add":
                return healthy + self.by(size)
            case "set":
                return self.by(size)
        raise ValueError(f"{self.operation} changes no value")


@dataclass(frozen=True)
class Mode:
    """One way in which a kind of part fails.

    Attributes
    ----------
    name : str
        Trade words.
    share : float
        Share of the kind's failures, as published or judged.
    of : str
        The published class that it is part of, empty where `source` is no table.
    source : str
        A source word of ``words.yaml``.
    age : float
        Factor for forty-year-old equipment; judgement.
    why : str
        The reason for `age`.
    range : Size or None
        None where the mode has no degrees.
    misses : tuple of (check word, probability)
        The chance that a check overlooks it, for every check word.
    """

    name: str
    share: float
    of: str
    source: str
    age: float
    why: str
    changes: tuple[Change, ...]
    range: Size | None
    misses: tuple[tuple[str, float], ...]

    def miss(self, check: str) -> float:
        """The chance that the fault is still there after a check of that name said no."""
        return dict(self.misses)[check]

    @property
    def noise_alone(self) -> bool:
        """Whether it is heard, and shows in nothing else."""
        return all(change.noise_alone for change in self.changes)

    @property
    def sized(self) -> bool:
        """Whether the mode has degrees."""
        return self.range is not None

    def size(self, places: Array) -> Array:
        """Sizes at places from mild (0) to worst (1); ones for a mode without degrees."""
        return np.ones(np.shape(places)) if self.range is None else self.range.at(places)

    def place(self, sizes: Array) -> Array:
        """The inverse of `size`; zeros for a mode without degrees."""
        return np.zeros(np.shape(sizes)) if self.range is None else self.range.place(sizes)

    def grid(self, count: int) -> Array:
        """Sizes evenly spaced on the mode's scale, limits included; one for no degrees."""
        return self.size(np.linspace(0.0, 1.0, count if self.sized else 1))


@dataclass(frozen=True)
class Rate:
    """Failures per 10⁶ h with their source, and the factor for age (judgement) with its reason."""

    failures: float
    source: str
    age: float = 1.0
    why: str = ""

    @property
    def aged(self) -> float:
        """Failures per 10⁶ h in forty-year-old equipment."""
        return self.failures * self.age


@dataclass(frozen=True)
class KindModes:
    """How one kind of part fails.

    Attributes
    ----------
    kind : str
        A part kind, ``rail`` or ``pickup``.
    by_model : mapping of device name to Rate
        Where a device's duty makes another rate.
    published : mapping of class to share
        The published table, whole; empty where there is none.
    omitted : mapping of class to reason
        Published classes that no mode stands for.
    modes : tuple of Mode
        In the order of the file.
    """

    kind: str
    rate: Rate
    by_model: Mapping[str, Rate]
    published: Mapping[str, float]
    published_source: str
    omitted: Mapping[str, str]
    modes: tuple[Mode, ...]

    def rate_of(self, model: str) -> Rate:
        """The rate of a device; the kind's own where no other is given."""
        return self.by_model.get(model, self.rate)


@dataclass(frozen=True)
class CheckMethod:
    """A part check: what a bench sheet may call it, and what it overlooks by default."""

    name: str
    miss: float
    about: str
    words: tuple[str, ...]
