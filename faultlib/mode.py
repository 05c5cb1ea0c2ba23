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
FORTY = 40.0
"""Years: the age that the factors of the mode files are judged for, and that of a unit whose sheet
does not say."""
LOAD_JOINT = "load joint"
"""Property of a return: ohms that the load's current shares."""
FIRST_SIZES = 7
"""Sizes of every fault in the first round, from end to end of its scale, where its mode does not
say."""
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
        On which a place from mild to worst is told.
    first : int
        Sizes that are simulated first, ends among them; more where readings bend between them.
    fades : float
        How much oftener the mildest size is met than the worst; between them the density falls on
        a straight line along that scale.
    """

    quantity: str
    unit: str
    mild: float
    worst: float
    times: str = ""
    plus: str = ""
    default: float | None = None
    scale: str = "log"
    fades: float = 1.0
    first: int = FIRST_SIZES

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

    def share_below(self, places: Array) -> Array:
        """The share of these faults that are milder than a place, 0 to 1."""
        places = np.asarray(places, dtype=float)
        fall = (self.fades - 1.0) / (self.fades + 1.0)
        return np.asarray(places * (1.0 + fall * (1.0 - places)))

    def density(self, places: Array) -> Array:
        """How often a place is met, over the mean of all."""
        fall = (self.fades - 1.0) / (self.fades + 1.0)
        return np.asarray(1.0 + fall * (1.0 - 2.0 * np.asarray(places, dtype=float)))

    def drawn(self, shares: Array) -> Array:
        """The inverse of `share_below`: of even draws from 0 to 1 the places of such faults."""
        shares = np.asarray(shares, dtype=float)
        fall = (self.fades - 1.0) / (self.fades + 1.0)
        # the root of fall·p² - (1 + fall)·p + share = 0 that holds for fall = 0 as well
        half = 1.0 + fall
        return np.asarray(2.0 * shares / (half + np.sqrt(half**2 - 4.0 * fall * shares)))

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
class Stress:
    """What makes a mode of a capacitor likelier in one place than in another; zero is no effect.

    Attributes
    ----------
    value, of : float
        Power of the capacitance over `of`, F.
    volts : float
        Power n of (S/0.6)ⁿ + 1, where S is the voltage over the rated one.
    heat : float
        K that double it (the rule of the trade: life halves every 10 K).
    source : str
        A source word of ``words.yaml``.
    """

    value: float = 0.0
    of: float = 1.0
    volts: float = 0.0
    heat: float = 0.0
    source: str = ""


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
    stress : Stress or None
        What its value, voltage and heat nearby do to how often it is met.
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
    stress: Stress | None = None

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

    @property
    def all_or_nothing(self) -> bool:
        """Whether the degree matters little where it has one, as with what a short leaves."""
        return self.range is None or self.range.first < FIRST_SIZES

    @property
    def first(self) -> int:
        """How many sizes are simulated first; see `Size.first`."""
        return 1 if self.range is None else self.range.first

    def share_below(self, places: Array) -> Array:
        """The share of these faults that are milder than a place; see `Size.share_below`."""
        return np.asarray(places) if self.range is None else self.range.share_below(places)

    def density(self, places: Array) -> Array:
        """How often a place is met, over the mean of all; see `Size.density`."""
        return np.ones(np.shape(places)) if self.range is None else self.range.density(places)

    def drawn(self, shares: Array) -> Array:
        """Places of the sizes of faults as they are met, of even draws from 0 to 1."""
        return np.zeros(np.shape(shares)) if self.range is None else self.range.drawn(shares)

    def weight(self, age: float) -> float:
        """Its share with the factor for equipment of that age, years."""
        return self.share * worn(self.age, age)


def worn(factor: float, age: float) -> float:
    """A factor for forty-year-old equipment at another age, years.

    Wear comes on top of what fails at random and grows with the square of time (a Weibull hazard
    of shape 3, judgement); what fails young is gone by the same rule the other way round.
    """
    if factor < 1.0:
        return 1.0 / worn(1.0 / factor, age)
    return 1.0 + (factor - 1.0) * (age / FORTY) ** 2


@dataclass(frozen=True)
class Rate:
    """Failures per 10⁶ h with their source, and the factor for age (judgement) with its reason."""

    failures: float
    source: str
    age: float = 1.0
    why: str = ""

    def aged(self, age: float) -> float:
        """Failures per 10⁶ h in equipment of that age, years."""
        return self.failures * worn(self.age, age)


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
