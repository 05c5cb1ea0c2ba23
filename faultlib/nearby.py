"""Good parts far from a fault move the readings of a faulty unit as they move a healthy one.

In a unit of several stages most good parts sit in other stages than the fault. What one of them
does to a reading hardly depends on what is wrong elsewhere, once it is told on the compared scale:
a gain changes by so many dB, a direct voltage of its own stage by so many volts. So it is taken
from the healthy unit, where it was simulated already, and only the parts of the faulty stage and
of the supplies are simulated again with the fault.

Hum, ripple and noise are sums of powers. What comes in ahead of the fault adds its power, which a
louder fault drowns; what lies behind it changes all that passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from circuits.chain import PICKUP, Chain
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.signature import differences
from faultlib.simulate import Answer, Bench, Progress, Variant, is_late
from faultlib.tolerance import Spread

Floats = NDArray[np.float64]

_POWERS = ("hum", "ripple", "noise")

Deviation = tuple[Spread, float]


@dataclass(frozen=True)
class _Split:
    """A variant as another one and one good part more, which lies ahead of the fault or not."""

    base: Variant
    far: Deviation
    ahead: bool


@dataclass
class Nearby:
    """A bench that simulates the good parts of a unit near its faults only.

    Of a single stage everything is near.
    """

    bench: Bench
    _known: dict[tuple[Stage, tuple[Reading, ...]], dict[Variant, Floats]] = field(
        default_factory=dict
    )

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale."""
        chain = stage.chain
        splits = [None if chain is None else _split(chain, v) for v in variants]
        if not any(splits):
            return self.bench.values(stage, variants, readings, progress)
        known = self._known.setdefault((stage, tuple(readings)), {})
        healthy = dict.fromkeys(
            v for s in splits if s is not None for v in (Variant(), Variant((), (s.far,)))
        )
        wanted = list(
            dict.fromkeys(
                [v if s is None else s.base for v, s in zip(variants, splits, strict=True)]
                + [v for v in healthy if v not in known]
            )
        )
        answer = self.bench.values(stage, wanted, readings, progress)
        row = dict(zip(wanted, answer.values, strict=True))
        known.update((v, row[v]) for v in healthy if v in row)
        powers = np.array([r.quantity in _POWERS for r in readings])
        nearest = []
        for variant, split in zip(variants, splits, strict=True):
            if split is None:
                nearest.append(row[variant])
                continue
            moved = known[Variant((), (split.far,))]
            apart = differences(moved, known[Variant()], readings)
            if is_late(answer):
                apart = apart + 0.0 * moved  # NaN, where nothing would count as no change
            shifted = row[split.base] + apart
            if split.ahead and powers.any():
                shifted[powers] = _summed(
                    row[split.base][powers], apart[powers], known[Variant()][powers]
                )
            nearest.append(shifted)
        return Answer(np.array(nearest), answer.problems, answer.simulated, answer.apart)


def _split(chain: Chain, variant: Variant) -> _Split | None:
    """Whether the last deviation of a faulty unit is far from every fault."""
    if not variant.faults or not variant.deviations:
        return None
    order = {name: k for k, name in enumerate(chain.names)}
    ill = [chain.owner(fault.part) for fault in variant.faults]
    *rest, far = variant.deviations
    owner = chain.owner(far[0].target)
    # stray mains is little to simulate, and what becomes of it depends on all that it passes
    near = owner not in order or owner in ill or far[0].what in (PICKUP, "tilt")
    if near or not all(name in order for name in ill):
        return None
    ahead = order[owner] < min(order[name] for name in ill)
    return _Split(Variant(variant.faults, tuple(rest)), far, ahead)


def _summed(base: Floats, apart: Floats, healthy: Floats) -> Floats:
    """Levels with the power added that a part adds in the healthy unit, dB.

    A unit that is quieter than a healthy one is so because less passes: then levels add in dB.
    """
    power, before = 10.0 ** (base / 10.0), 10.0 ** (healthy / 10.0)
    more = np.minimum(before / power, 1.0) * (10.0 ** (apart / 10.0) - 1.0)
    return np.asarray(base + 10.0 * np.log10(1.0 + more))
