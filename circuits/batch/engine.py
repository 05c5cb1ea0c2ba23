"""The simulator of many circuits: the batch where it can, ngspice for the rest.

What goes to ngspice, and why, is counted. A stage for which the batch and ngspice do not agree in
its healthy unit is not trusted to the batch at all (`faultlib.measure` looks for that).
"""

from __future__ import annotations

from collections.abc import Sequence

from circuits.batch.answers import Count, answered
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Inputs,
    Metered,
    NoiseSpectrum,
    Periodic,
    Poles,
    Results,
    SmallSignal,
    Transient,
)
from circuits.bench.steps import Ask, Run
from circuits.errors import EngineError


class Apart(tuple[Answer, ...]):
    """Answers of ngspice, where the batch had none."""


_ORDER: dict[type[Analysis], int] = {
    Metered: 1, Inputs: 1, NoiseSpectrum: 2, Poles: 3, SmallSignal: 4, Periodic: 5, Transient: 6,
}
"""When flows of readings ask for what: currents that rails follow first, squares last."""


def turn(ask: Ask) -> int:
    """When in a flow a unit asks this: who is ahead is better answered with the others."""
    return min((_ORDER[type(one)] for one in ask[1] if type(one) in _ORDER), default=0)


def _under_drive(ask: Ask) -> bool:
    return any(isinstance(one, Periodic) for one in ask[1])


class Many:
    """A simulator that `circuits.bench.steps.abreast` can be walked by.

    Parameters
    ----------
    run : callable
        ngspice: `circuits.bench.engine.Engine.run`.
    drive : bool
        Whether steady states under drive are for the batch; else ngspice runs them in time.

    Attributes
    ----------
    count : Count
        How many circuits the batch answered, and how many ngspice, by reason.
    """

    def __init__(self, run: Run, drive: bool = True) -> None:
        self._run = run
        self._drive = drive
        self.count = Count()

    def run(self, asks: Sequence[Ask]) -> list[Results | EngineError]:
        """The answers to each ask, or why there are none."""
        mine = [ask for ask in asks if self._drive or not _under_drive(ask)]
        known = iter(answered(mine, self.count))
        found = [next(known) if self._drive or not _under_drive(ask) else None for ask in asks]
        return [self._alone(ask) if one is None else one
                for ask, one in zip(asks, found, strict=True)]

    def _alone(self, ask: Ask) -> Results | EngineError:
        try:
            return Apart(self._run(*ask))
        except EngineError as error:
            return error
