"""What the stage model does not know, as ``model_error.yaml`` states it.

The errors of a quantity's readings are alike where they lie near each other in frequency, and
between two channels of one unit, which were built to one drawing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from numpy.typing import NDArray

from circuits.quantities import CROSSTALK
from circuits.reading import Reading
from circuits.state import AS_DRAWN
from diagnose.inference.leak import leak

Array = NDArray[np.float64]

_OWN = math.sqrt(0.05)
"""Part of the model's error that each of two channels of one unit has by itself (judgement): both
are built to the same drawing, but no two layouts and device batches are quite alike."""


_OTHER_ORDER = 0.5
"""Correlation of the model's error of two harmonics, or of one at two levels (judgement): even and
odd ones, and crossover and clipping, come from different things."""


_STATES = 0.7
"""Correlation of the model's error of one reading in two states of the same unit (judgement): its
devices and layout are the same, where they work is not quite."""


BETWEEN = "between two nodes"
"""What ends the name of the entry of a quantity that is read from one node to another."""


@dataclass(frozen=True)
class ModelError:
    """Error of the stage model for one quantity; see ``model_error.yaml``."""

    sigma: float
    relative: float = 0.0
    decades: float = 0.0
    shifted: float | None = None
    picofarads: float = 0.0

    def of(self, reading: Reading, level: float) -> float:
        """Standard deviation where a good unit reads `level`, compared scale."""
        sigma = math.hypot(self.sigma, self.relative * level)
        if not self.picofarads:
            return sigma
        # |Z| of R beside C is less than R by half the square of ωRC
        beside = 2e-12 * math.pi * reading.frequency * self.picofarads * math.exp(level)
        return math.hypot(sigma, 0.5 * beside**2)


@dataclass(frozen=True)
class Designed(Reading):
    """A reading of the unit's design and not of the unit; see `diagnose.inference.design`."""

    def key(self) -> str:
        """Another one than of the same reading of the unit."""
        return f"design; {super().key()}"

    def label(self) -> str:
        """``dc voltage at c1, expected``."""
        return f"{super().label()}, expected"

    def plain(self) -> Reading:
        """The same reading of any unit."""
        return Reading(**{f.name: getattr(self, f.name) for f in fields(Reading)})


@dataclass(frozen=True)
class Tails:
    """How far readings may stray beyond their spread; see ``model_error.yaml``.

    Attributes
    ----------
    misread : float
        Chance that one of the readings is misread.
    slip : float
        How far off it then is, in standard deviations of what the others leave open about it, or of
        bench and stage model where these are less: a pen slips no farther where less is known.
    shifted : float
        Model error for a fault, as a part of how far it moves a reading.
    loose_freedom, loose_scale : float
        Degrees of freedom and width, in standard deviations, of what is said of a fault that does
        only roughly what a known one does.
    loose_one, loose_kick : float
        Chance that it does the same in all readings but one, and how far off that one then is, in
        standard deviations of what the others leave open.
    """

    misread: float
    slip: float
    shifted: float
    loose_freedom: float
    loose_scale: float
    loose_one: float
    loose_kick: float


@cache
def tails() -> Tails:
    """The tails of the likelihood."""
    return Tails(**{name.replace(" ", "_"): float(x) for name, x in _file()["tails"].items()})


@cache
def _file() -> dict[str, Any]:
    path = Path(__file__).with_name("model_error.yaml")
    raw: dict[str, Any] = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return raw


@cache
def model_errors() -> tuple[float, dict[str, ModelError]]:
    """Degrees of freedom of the Student density, and the model error of every quantity."""
    raw = _file()
    return float(raw["degrees of freedom"]), {
        name: ModelError(**entry) for name, entry in raw["quantities"].items()
    }


def error_of(reading: Reading) -> ModelError:
    """The model error of a reading.

    Between two nodes what both have in common cancels, and a quantity may have an entry of its own.
    """
    _, errors = model_errors()
    apart = f"{reading.quantity} {BETWEEN}"
    return errors[apart if reading.origin and apart in errors else reading.quantity]


def model_covariance(
    readings: Sequence[Reading],
    level: Array,
    channels: Sequence[int] = (),
    shift: Array | float = 0.0,
    common: float = 1.0,
    wide: float = 1.0,
) -> Array:
    """Covariance of the error of the stage model.

    Parameters
    ----------
    readings : sequence of m Reading
    level : (m,) array
        The values themselves, for the errors that grow with them.
    channels : sequence of m int, optional
        Of which channel each reading is; two channels of one unit share the model's error.
    shift : (m,) array, optional
        How far a fault moves the readings: what it does is modelled less surely than health.
    common, wide : float
        As in `Observed`.

    Returns
    -------
    (m, m) array
    """
    sigma = wide * own_sigma(readings, level)
    moved = np.asarray(shift)
    leaks = leak(tuple(readings), moved)
    if leaks is not None:
        moved, sigma = np.hypot(moved, leaks.lost), np.hypot(sigma, leaks.sizes)
    sigma = np.hypot(sigma, shifted(readings) * moved)
    matrix = _alike(tuple(readings), tuple(channels), common) * np.outer(sigma, sigma)
    if leaks is not None:
        matrix = matrix + np.outer(leaks.slopes, leaks.slopes)
    return np.asarray(matrix)


def own_sigma(readings: Sequence[Reading], level: Array) -> Array:
    """Standard deviation of the model's error of every reading of a good unit, (m,)."""
    return np.array([error_of(r).of(r, x) for r, x in zip(readings, level, strict=True)])


def leaking(readings: Sequence[Reading], shift: Array) -> Array:
    """Variance by what leaks through a dead stage, of readings that faults move by (…, m)."""
    leaks = leak(tuple(readings), shift)
    if leaks is None:
        return np.zeros(shift.shape)
    return np.asarray((shifted(readings) * leaks.lost) ** 2 + leaks.sizes**2 + leaks.slopes**2)


def shifted(readings: Sequence[Reading]) -> Array:
    """Model error for a fault over how far it moves each reading, (m,)."""
    usual = tails().shifted
    own = [error_of(r).shifted for r in readings]
    return np.array([usual if share is None else share for share in own])


@lru_cache(maxsize=64)
def same(readings: tuple[Reading, ...]) -> Array:
    """How alike the same reading of two channels of one drawing strays, (m, m)."""
    asked = [_of_any(r) for r in readings]
    equal = np.array([[a == b for b in asked] for a in asked], dtype=float)
    made = (1.0 - _OWN**2) * equal + _OWN**2 * np.eye(len(readings))
    made.setflags(write=False)
    return np.asarray(made)


@lru_cache(maxsize=64)
def _alike(readings: tuple[Reading, ...], channels: tuple[int, ...], common: float) -> Array:
    """Correlation of the model's errors, (m, m); of two channels also how much wider they are.

    Kept, since every suspect asks for that of the same readings.
    """
    _, errors = model_errors()
    alike = np.eye(len(readings))
    asked = [_of_any(r) for r in readings]
    plain = [replace(r, state=AS_DRAWN) for r in asked]
    for i, a in enumerate(readings):
        length = errors[a.quantity].decades
        for j in range(i):
            b = readings[j]
            if plain[i] == plain[j] or _twins(plain[i], plain[j]):
                shared = 1.0
            elif _follow(a, b) and length and a.frequency and b.frequency:
                shared = math.exp(-abs(math.log10(a.frequency / b.frequency)) / length)
                shared *= 1.0 if (a.order, a.level) == (b.order, b.level) else _OTHER_ORDER
            else:
                continue
            alike[i, j] = alike[j, i] = shared * (1.0 if a.state == b.state else _STATES)
    if channels:
        same = np.equal.outer(channels, channels)
        # crosstalk takes both channels each time: neither tells what the other should read
        told = [asked.count(r) > 1 and r.quantity != CROSSTALK for r in asked]
        twin = np.where(told, common, 1.0)
        alike = alike * ((1.0 - _OWN**2) * np.outer(twin, twin) + _OWN**2 * same)
    drawn = [isinstance(r, Designed) for r in readings]
    if any(drawn):
        alike = alike * ((1.0 - _OWN**2) + _OWN**2 * np.equal.outer(drawn, drawn))
    alike.setflags(write=False)
    return np.asarray(alike)


def _of_any(reading: Reading) -> Reading:
    """The reading whichever channel it is of, and whatever good units of that have beside it."""
    return replace(reading, channel=0, beside=0.0)


def _twins(a: Reading, b: Reading) -> bool:
    """Whether one is of the design what the other is of the unit, by whatever meters."""
    if isinstance(a, Designed) == isinstance(b, Designed):
        return False
    plain = (r.plain() if isinstance(r, Designed) else r for r in (a, b))
    first, second = (replace(r, meter=0.0, probe=(), beside=0.0) for r in plain)
    return first == second


def _follow(a: Reading, b: Reading) -> bool:
    """Whether two readings are of one curve: a quantity between the same two points."""
    return (a.quantity, a.at, a.origin) == (b.quantity, b.at, b.origin)
