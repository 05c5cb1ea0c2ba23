"""Crosstalk: what of one channel arrives in the other, through whatever the two share.

One channel is driven; the other, its input terminated, is listened to. Its output over that of the
driven channel is the crosstalk (IEC 60268-3, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from circuits import pair
from circuits.bench.analysis import Answer, Circuit, Response, SmallSignal
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.stiffness import sounded
from circuits.bench.supply import resolved
from circuits.errors import InputError
from circuits.reading import CROSSTALK, DB_FLOOR, Reading
from circuits.stage import Stage


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity == CROSSTALK


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """A setup for every frequency, since a supply is as stiff as it is at that.

    Raises
    ------
    InputError
        For a stage whose channels share nothing.
    """
    if not stage.shared:
        raise InputError(
            f"two channels of {stage.name} share nothing, so there is no crosstalk to simulate",
            expected="shared: [the rails and parts that both channels have]",
        )
    return [_request(stage, frequency, [i for i, r in readings if r.frequency == frequency])
            for frequency in dict.fromkeys(r.frequency for _, r in readings)]  # fmt: skip


def _request(stage: Stage, frequency: float, places: Sequence[int]) -> Request:
    analysis = SmallSignal(pair.DRIVEN, (frequency,), pair.outputs(stage))

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Response)
        heard, driven = (abs(volts) for volts in result.nodes[0])
        ratio = heard / math.hypot(driven, SILENCE)
        return [20.0 * math.log10(max(ratio, 10.0 ** (DB_FLOOR / 20.0)))] * len(places)

    return Request(Setup(pair=frequency), (analysis,), tuple(places), read)


def both(listening: Stage, driven: Stage, frequency: float) -> Circuit:
    """The circuit of two channels whose shared supplies are as they are at one frequency.

    Parameters
    ----------
    listening, driven : Stage
        Variants of one stage, alike in what they share.
    frequency : float
        Hz.

    Raises
    ------
    InputError, NoSolution
        As `resolved`.
    """
    at = {
        rail.name: sounded(rail, listening.mains, frequency)
        for rail in listening.rails
        if rail.name in listening.shared and rail.supply is not None
    }
    return pair.circuit(resolved(listening), resolved(driven), at)
