"""What a set of readings can find: the faults it shows, from what size on, and tells apart.

A fault is shown at a size where the readings that it is expected to give leave the region of
99 % of good units; good means within tolerance, read with usual instruments, by a stage model that
is not exact. A look-alike is a fault of another part that at some size gives nearly the same
readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from circuits.earths import all_roles
from circuits.prompt import few_lines, view
from circuits.quantities import BALANCE, CROSSTALK
from circuits.reading import Reading, instrument
from circuits.stage import Stage
from diagnose.answer.result import Severity
from diagnose.inference.channels import doubted
from diagnose.inference.evidence import places
from diagnose.inference.groups import NEAR
from diagnose.inference.likelihood import Array, Covariance, Observed, spread, tail
from diagnose.schema.documents import FORMAT
from faultlib.catalogue import Hypothesis, hypotheses, size_value
from faultlib.signature import Signatures, Stepwise, differences, signatures
from faultlib.simulate import Bench
from faultlib.thrifty import Thrifty
from faultlib.watched import told

OUTSIDE = 0.01
"""Of good units so many lie outside the healthy region."""
HALF = 0.5
"""A fault counts as detected where at least this share of its range of sizes is shown."""


@dataclass(frozen=True)
class Covered:
    """What the readings do for one fault.

    Attributes
    ----------
    share : float
        Of the range of its sizes, on the mode's own scale, that is shown; 0 or 1 without sizes.
    smallest : Severity or None
        The slightest size from which on it is shown; None where it never is, or has no size.
    alike : tuple of str
        Faults of other parts that look like it at the middle of the range that is shown.
    weight : float
        Share of all faults of the stage that are this one, before anything is read.
    """

    part: str
    mode: str
    role: str
    share: float
    smallest: Severity | None
    alike: tuple[str, ...]
    weight: float

    @property
    def name(self) -> str:
        """Part and mode."""
        return f"{self.part} {self.mode}"

    @property
    def detected(self) -> bool:
        """Whether at least half of its range is shown."""
        return self.share >= HALF

    @property
    def isolated(self) -> bool:
        """Whether it is detected and no other part looks like it."""
        return self.detected and not self.alike


@dataclass(frozen=True)
class Coverage:
    """What a set of readings can find in a stage.

    Attributes
    ----------
    faults : tuple of Covered
        In the order of the catalogue.
    """

    stage: str
    readings: tuple[Reading, ...]
    faults: tuple[Covered, ...]
    problems: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return few_lines(
            f"Coverage of {len(self.faults)} faults of stage {self.stage} by "
            f"{len(self.readings)} readings",
            f"of the faults that are met, {100.0 * self.detected:.0f} % show, and "
            f"{100.0 * self.isolated:.0f} % are told apart to the part",
        )

    def to_frame(self) -> Any:
        """The faults as a pandas table, a row each."""
        return view(self, "frame")

    @property
    def detected(self) -> float:
        """Share of the faults that are met, by how often they are met, that is detected."""
        return math.fsum(f.weight for f in self.faults if f.detected)

    @property
    def isolated(self) -> float:
        """Share of them that is told apart to the part."""
        return math.fsum(f.weight for f in self.faults if f.isolated)


def coverage(
    stage: Stage,
    readings: Sequence[Reading],
    bench: Bench,
    progress: Stepwise | None = None,
    stated: Sequence[str] = (),
) -> Coverage:
    """Work out what readings can find in a unit of which as much is known as a ranking knows.

    Parameters
    ----------
    readings : sequence of Reading
        Those that are not simulated are left out.
    stated : sequence of str
        Parts whose values are this unit's own.
    """
    used = [r for r in readings if _simulated(stage, r)]
    known = hypotheses(stage)
    if any(r.driven for r in used):
        bench = Thrifty(bench)
    table = signatures(stage, used, known, bench, progress, doubted(stage, stated))
    return covered(table, math.fsum(h.prior for h in known))


def _simulated(stage: Stage, reading: Reading) -> bool:
    """Whether a unit of which one channel is read tells this reading."""
    if reading.quantity == CROSSTALK:
        return bool(stage.shared)
    return reading.about.simulated and reading.quantity != BALANCE


def covered(found: Signatures, whole: float) -> Coverage:
    """What the readings of some signatures can find.

    Parameters
    ----------
    whole : float
        Prior weight of all faults of the stage, those that could not be simulated included.
    """
    around = healthy_spread(found)
    limit = threshold(len(found.readings))
    shifts = [_whitened(found, k, around) for k in range(len(found.faults))]
    roles = all_roles(found.stage)
    faults = []
    for k, signature in enumerate(found.faults):
        hypothesis = signature.hypothesis
        shown = (shifts[k] ** 2).sum(axis=1) > limit
        share = _share(shown)
        rows = np.flatnonzero(shown)
        alike: tuple[str, ...] = ()
        if len(rows):
            middle = shifts[k][rows[len(rows) // 2]]
            alike = _alike(found, shifts, hypothesis.part, middle)
        faults.append(Covered(
            hypothesis.part, hypothesis.mode.name, roles.get(hypothesis.part, ""), share,
            _smallest(found.stage, hypothesis, shown), alike, hypothesis.prior / whole,
        ))
    return Coverage(found.stage.name, found.readings, tuple(faults), told(found.problems))


def healthy_spread(found: Signatures) -> Covariance:
    """Of the readings of good units, read with usual instruments."""
    sigma = np.array([float(instrument(r, found.healthy[k : k + 1])[0])
                      for k, r in enumerate(found.readings)])
    observed = Observed(found.readings, found.healthy, sigma, ("",) * len(sigma))
    return spread(observed, found.strays, found.healthy)


def threshold(size: int) -> float:
    """Squared distance that good units exceed with a chance of `OUTSIDE`; χ² of that freedom."""
    low, high = 0.0, 1000.0 + 4.0 * size
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if tail(middle, size) > OUTSIDE else (low, middle)
    return (low + high) / 2.0


def _whitened(found: Signatures, which: int, around: Covariance) -> Array:
    """How far one fault moves the readings at every size of its grid, in units of the spread."""
    signature = found.faults[which]
    grid = places(signature.hypothesis)
    values = signature.at(signature.hypothesis.mode.size(grid))
    return around.whiten(differences(values, found.healthy, found.readings))


def _share(shown: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    """Of an even grid that is shown, its ends counted as half a cell."""
    if len(shown) < 2:
        return float(shown[0])
    weights = np.ones(len(shown))
    weights[[0, -1]] = 0.5
    return float(weights @ shown / weights.sum())


def _smallest(
    stage: Stage, hypothesis: Hypothesis, shown: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> Severity | None:
    """The first size of those that are shown up to the worst."""
    if not hypothesis.mode.sized or not shown[-1]:
        return None
    hidden = np.flatnonzero(~shown)
    first = int(hidden[-1]) + 1 if len(hidden) else 0
    size = float(hypothesis.mode.size(places(hypothesis)[first : first + 1])[0])
    value = size_value(stage, hypothesis.fault(size))
    if value is None:
        return None
    return Severity(value.quantity, value.value, value.value, value.value, value.unit)


def _alike(
    found: Signatures, shifts: Sequence[Array], part: str, true: Array
) -> tuple[str, ...]:
    """Faults of other parts that come near some readings, the nearest first.

    The measure is that of the groups of an answer, the Bhattacharyya distance of densities of
    the same spread, Δ²/8.
    """
    near = [
        (float(((rows - true) ** 2).sum(axis=1).min()) / 8.0, signature.hypothesis.label())
        for rows, signature in zip(shifts, found.faults, strict=True)
        if signature.hypothesis.part != part
    ]
    return tuple(name for distance, name in sorted(near) if distance < NEAR)


def coverage_json(made: Coverage) -> dict[str, Any]:
    """The document of ``diagnose coverage --json``."""
    return {
        "format": FORMAT,
        "stage": made.stage,
        "readings": [r.label() for r in made.readings],
        "detected": made.detected,
        "isolated": made.isolated,
        "faults": [
            {"part": f.part, "role": f.role, "mode": f.mode, "weight": f.weight, "share": f.share,
             "detected": f.detected, "isolated": f.isolated,
             "from": None if f.smallest is None else
             {"quantity": f.smallest.quantity, "value": f.smallest.value,
              "unit": f.smallest.unit},
             "group": 1 + len(f.alike), "alike": list(f.alike)}
            for f in made.faults
        ],
        "problems": list(made.problems),
    }
