"""What else may hang on a rail: a nuisance of its supply current that can only add to it.

A stage file knows what the stage takes. A meter in the rail also sees a bleeder, a pilot lamp or
another stage, unless the sheet says ``other loads: none``. How much more that is nobody knows, so
the logarithm of a reading over its prediction has two widths: downwards the usual one, upwards that
of other loads as well (a split normal density). Since every hypothesis is eased alike, the constant
between the two kinds of density does not matter. The numbers stand in ``circuits/feed.yaml``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from circuits.feed import feeding
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.likelihood import Array

QUANTITY = "supply current"
_HALF = math.sqrt(1.0 - 2.0 / math.pi)
"""Standard deviation of a half-normal number over that of the whole one."""


def eased(readings: Sequence[Reading], stage: Stage) -> Array | None:
    """What counts of the distance by which readings lie above what is predicted.

    Parameters
    ----------
    readings : sequence of m Reading
    stage : Stage

    Returns
    -------
    (m,) array or None
        1 for a reading that other loads do not add to; None where all are.
    """
    about = feeding()
    share = about.reading_alone / math.hypot(about.reading_alone, about.reading_sigma)
    shares = np.array([share if adds(r, stage) else 1.0 for r in readings])
    return shares if np.any(shares < 1.0) else None


def doubt(reading: Reading, stage: Stage) -> float:
    """Standard deviation that other loads add to a reading not taken yet, compared scale."""
    return _HALF * feeding().reading_sigma if adds(reading, stage) else 0.0


def adds(reading: Reading, stage: Stage) -> bool:
    """Whether other loads may add to a reading."""
    if reading.quantity != QUANTITY:
        return False
    return any(rail.others for rail in stage.rails if rail.name == reading.rail)
