"""Crosstalk: what of one channel arrives in the other, through whatever the two share.

One channel is driven; the other, its input terminated, is listened to. Its output over that of the
driven channel is the crosstalk (IEC 60268-3, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from circuits import pair
from circuits.bench.analysis import Answer, Response, SmallSignal
from circuits.bench.loaded import loaded
from circuits.bench.plan import Indexed, Request, Setup, Values
from circuits.bench.small_signal import SILENCE
from circuits.bench.steps import Steps
from circuits.bench.stiffness import sounded
from circuits.circuit import Circuit
from circuits.errors import InputError
from circuits.quantities import CROSSTALK
from circuits.reading import DB_FLOOR, Reading
from circuits.stage import Stage

_FLOOR = 10.0 ** (DB_FLOOR / 20.0)
"""`DB_FLOOR` as a ratio of voltages: nothing at all has no logarithm."""


def takes(reading: Reading) -> bool:
    """Whether a reading is of this family."""
    return reading.quantity == CROSSTALK


def requests(stage: Stage, readings: Indexed) -> list[Request]:
    """A setup for every frequency, where a supply is as stiff as it is at that; else one for all.

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
    frequencies = tuple(dict.fromkeys(r.frequency for _, r in readings))
    moving = any(r.supply is not None for r in stage.rails if r.name in stage.shared)
    groups = [(f,) for f in frequencies] if moving else [frequencies]
    return [_request(stage, group, [(i, r) for i, r in readings if r.frequency in group])
            for group in groups]


def _request(stage: Stage, frequencies: tuple[float, ...], readings: Indexed) -> Request:
    rising = tuple(sorted(frequencies))
    analysis = SmallSignal(pair.DRIVEN, rising, pair.outputs(stage))

    def read(stage: Stage, results: Sequence[Answer]) -> Values:
        (result,) = results
        assert isinstance(result, Response)

        def one(r: Reading) -> float:
            heard, driven = (abs(volts) for volts in result.nodes[rising.index(r.frequency)])
            return 20.0 * math.log10(max(heard / math.hypot(driven, SILENCE), _FLOOR))

        return [one(r) for _, r in readings]

    return Request(Setup(pair=rising[0]), (analysis,), tuple(i for i, _ in readings), read)


def both(listening: Stage, driven: Stage, frequency: float) -> Steps[Circuit]:
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
        As `supply.resolved`.
    """
    at = {
        rail.name: sounded(rail, listening.mains, frequency)
        for rail in listening.rails
        if rail.name in listening.shared and rail.supply is not None
    }
    one = yield from loaded(listening)
    other = yield from loaded(driven)
    return pair.circuit(one, other, at)
