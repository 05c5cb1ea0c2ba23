"""What a good unit reads where a sheet asks, with the range of nine in ten."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from circuits.errors import NoSolution
from circuits.quantities import BALANCE, CROSSTALK
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from faultlib.good_unit import NINE_OF_TEN, Figure
from faultlib.signature import Stepwise, signatures
from faultlib.simulate import Bench


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
        SI, one a reading; None for what is not simulated, and for all where the stage has no
        solution or time was over.
    """
    asked = [r for r in readings
             if r.about.simulated and r.quantity not in (CROSSTALK, BALANCE)]
    if not asked:
        return [None] * len(readings)
    try:
        table = signatures(stage, asked, [], bench, progress)
    except NoSolution:
        return [None] * len(readings)
    open_ = NINE_OF_TEN * np.sqrt((table.sensitivities**2).sum(axis=0))
    figures = {
        r: Figure(*(from_compared(r, float(v)) for v in (h, h - s, h + s)))
        for r, h, s in zip(asked, table.healthy, open_, strict=True)
    }
    return [figures.get(r) for r in readings]
