"""Rails behind a lamp in the mains lead: what of its resistance every supply sees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from circuits.bench.demand import given, peak
from circuits.feed import equivalent, loading
from circuits.lamp import Behind, seen
from circuits.stage import Rail, Stage
from circuits.supply import current


def behind_lamp(
    stage: Stage, amps: Sequence[float], more: Mapping[str, float]
) -> Mapping[str, float]:
    """Ohm that the lamp of a stage adds to each winding, by rail, or by drawn supply.

    Parameters
    ----------
    stage : Stage
        With a lamp; rails that do not follow their load take no part.
    amps : sequence of float
        What it takes of each rail, A.
    more : mapping
        Demand of every drawn supply over its own.
    """
    found: dict[str, Behind] = {}
    for rail, taken in zip(stage.rails, amps, strict=True):
        old = rail.unloaded
        if old is None:
            continue
        if old.supply is None:
            made, total = equivalent(old), loading(old, taken)
            found[old.name] = Behind(made.emf, total, partial(_of_feed, old, total))
        else:
            owner = old.supply.name or old.name
            found[owner] = _drawn(old, stage.mains, more[owner])
    return dict(zip(found, seen(stage.lamp, list(found.values())), strict=True))


def _of_feed(rail: Rail, amps: float, ohms: float) -> float:
    made = equivalent(rail)
    return replace(made, ohms=made.ohms + ohms).rms(amps)


def _drawn(rail: Rail, mains: float, demand: float) -> Behind:
    def rms(ohms: float) -> float:
        return given(rail, mains, demand, ohms).winding

    assert rail.supply is not None
    return Behind(peak(rail, mains), demand * current(rail.supply), rms)
