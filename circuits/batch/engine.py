"""The simulator of many circuits: the batch where it can, ngspice for the rest.

What goes to ngspice, and why, is counted. A stage for which the batch and ngspice do not agree in
its healthy unit is not trusted to the batch at all (`faultlib.measure` looks for that).
"""

from __future__ import annotations

from collections.abc import Sequence

from circuits.batch.answers import Count, answered
from circuits.bench.analysis import Answer, Results
from circuits.bench.steps import Ask, Run
from circuits.errors import EngineError


class Apart(tuple[Answer, ...]):
    """Answers of ngspice, where the batch had none."""


class Many:
    """A simulator that `circuits.bench.steps.abreast` can be walked by.

    Parameters
    ----------
    run : callable
        ngspice: `circuits.bench.engine.Engine.run`.

    Attributes
    ----------
    count : Count
        How many circuits the batch answered, and how many ngspice, by reason.
    """

    def __init__(self, run: Run) -> None:
        self._run = run
        self.count = Count()

    def run(self, asks: Sequence[Ask]) -> list[Results | EngineError]:
        """The answers to each ask, or why there are none."""
        return [found if found is not None else self._alone(ask)
                for ask, found in zip(asks, answered(asks, self.count), strict=True)]

    def _alone(self, ask: Ask) -> Results | EngineError:
        try:
            return Apart(self._run(*ask))
        except EngineError as error:
            return error
