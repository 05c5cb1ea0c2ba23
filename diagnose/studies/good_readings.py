"""What a good unit reads where a sheet asks, with the range of nine in ten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from circuits.errors import NoSolution
from circuits.quantities import BALANCE, CROSSTALK
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from faultlib.good_unit import NINE_OF_TEN, Figure
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench, Variant


def good_readings(
    stage: Stage, readings: Sequence[Reading], bench: Bench, progress: Stepwise | None = None
) -> list[Figure | None]:
    """The readings of good units.

    Parameters
    ----------
    stage : Stage
        With this unit's values.

    Returns
    -------
    list of Figure or None
        SI, one a reading; without a range in a unit of several stages, whose spread takes minutes,
        and where time was over before it was known. None for what is not simulated or has no
        solution.
    """
    asked = [r for r in readings
             if r.about.simulated and r.quantity not in (CROSSTALK, BALANCE)]
    figures: dict[Reading, Figure] = {}
    # what takes a run under drive takes long, and shall not cost the others theirs
    for driven in (False, True):
        some = [r for r in asked if (r.about.kind == "drive") == driven]
        if some:
            figures |= _together(stage, some, bench, progress)
    return [figures.get(r) for r in readings]


def _together(
    stage: Stage, asked: Sequence[Reading], bench: Bench, progress: Stepwise | None
) -> Mapping[Reading, Figure]:
    if stage.chain is not None:
        return _nominal(stage, asked, bench)
    try:
        table = signatures(stage, asked, [], bench, progress)
    except NoSolution:
        return _nominal(stage, asked, bench)
    open_ = NINE_OF_TEN * np.sqrt((table.sensitivities**2).sum(axis=0))
    return {
        r: Figure(*(from_compared(r, float(v)) for v in (h, h - s, h + s)))
        for r, h, s in zip(asked, table.healthy, open_, strict=True)
    }


def _nominal(stage: Stage, asked: Sequence[Reading], bench: Bench) -> Mapping[Reading, Figure]:
    row = bench.values(stage, [Variant()], asked).values[0]
    return {r: Figure(*(from_compared(r, float(x)),) * 3)
            for r, x in zip(asked, row, strict=True) if np.isfinite(x)}
