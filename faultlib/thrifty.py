"""A bench that takes costly readings of faulty units, and of their good parts by straight lines.

A reading under drive costs a hundred times a reading at rest. What a good part's deviation does to
it is simulated on the healthy unit once, and carried over to faulty units; only the faults
themselves are simulated, at every size that counts. Readings at rest are passed on as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.signature import differences
from faultlib.simulate import Answer, Bench, Progress, Variant, is_late
from faultlib.tolerance import LeftOpen, Spread

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Thrifty:
    """A bench around another one.

    Attributes
    ----------
    within : mapping of (part, mode) to (float, float)
        Of some faults the least and the largest size that counts: beyond, a unit with that fault
        alone is read under drive as at that size.
    """

    bench: Bench
    within: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale."""
        costly = [k for k, r in enumerate(readings) if r.driven]
        if not costly:
            return self.bench.values(stage, variants, readings, progress)
        cheap = [k for k in range(len(readings)) if k not in costly]
        rows = np.empty((len(variants), len(readings)))
        answers = [self._costly(stage, variants, [readings[k] for k in costly], progress)]
        rows[:, costly] = answers[0].values
        if cheap:
            wanted = [readings[k] for k in cheap]
            answers.append(self.bench.values(stage, variants, wanted, progress))
            rows[:, cheap] = answers[1].values
        problems = tuple(dict.fromkeys(p for answer in answers for p in answer.problems))
        apart = tuple(dict.fromkeys(v for answer in answers for v in answer.apart))
        return Answer(rows, problems, max(answer.simulated for answer in answers), apart)

    def _costly(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None,
    ) -> Answer:
        bare = list(dict.fromkeys(Variant(self._counting(v.faults)) for v in variants))
        moved = list(dict.fromkeys(
            s for v in variants for s, _ in v.deviations if not isinstance(s, LeftOpen)
        ))
        healthy = [Variant(), *(Variant((), ((s, 1.0),)) for s in moved)] if moved else []
        asked = list(dict.fromkeys([*bare, *healthy]))
        answer = self.bench.values(stage, asked, readings, progress)
        row = dict(zip(asked, answer.values, strict=True))
        slopes: dict[Spread, Floats] = {
            s: differences(row[Variant((), ((s, 1.0),))], row[Variant()], readings) for s in moved
        }
        if is_late(answer):
            # NaN, where a part that came too late would count as one that moves nothing
            slopes = {s: apart + 0.0 * row[Variant((), ((s, 1.0),))] for s, apart in slopes.items()}
        rows = np.empty((len(variants), len(readings)))  # of this shape with no variants too
        for k, v in enumerate(variants):
            known = ((z * slopes[s]) for s, z in v.deviations if s in slopes)
            moves = sum(known, np.zeros(len(readings)))
            rows[k] = row[Variant(self._counting(v.faults))] + moves
        return Answer(rows, answer.problems, answer.simulated, answer.apart)

    def _counting(self, faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
        """A fault alone at a size that counts."""
        if len(faults) != 1:
            return faults
        (one,) = faults
        low, high = self.within.get((one.part, one.mode), (-math.inf, math.inf))
        return (replace(one, size=min(max(one.size, low), high)),)
