"""What a unit asks of the simulator, one circuit after another, and who answers.

A flow of readings is written as steps: a generator that yields a circuit with what is wanted of it,
is sent the answers, and returns what it was for. It knows nothing of the simulator. `alone` gives
one such flow its answers from the engine; `abreast` walks many at once and hands over what all of
them ask for at a time, so that what answers can solve them together.

An error of the simulator is thrown into the steps where they asked, as if they had run it there.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from typing import TypeAlias, TypeVar

from circuits.bench.analysis import Analysis, Results
from circuits.circuit import Circuit
from circuits.errors import EngineError, EngineMissing

_T = TypeVar("_T")

Ask: TypeAlias = tuple[Circuit, tuple[Analysis, ...]]
"""A circuit and what is wanted of it. Units that ask the same by one plan share the very tuple."""

Steps: TypeAlias = Generator[Ask, Results, _T]
"""A flow that asks, is sent the answers in the order asked, and returns what it was for."""

Run: TypeAlias = Callable[[Circuit, Sequence[Analysis]], Results]
"""The simulator: a circuit and what is wanted of it → answers in the same order."""

RunMany: TypeAlias = Callable[[Sequence[Ask]], Sequence[Results | EngineError]]
"""The simulator of many: asks (n,) → of each, in order, its answers or why there are none."""


Turn: TypeAlias = Callable[[Ask], int]
"""When in flows of readings a thing is asked for: the lower, the earlier."""


def ask(net: Circuit, analyses: Sequence[Analysis]) -> Steps[Results]:
    """One step: the answers to some analyses of a circuit, in the same order.

    Parameters
    ----------
    analyses : sequence of Analysis
        A tuple is handed on as the object that it is.

    Raises
    ------
    EngineError
        What the simulator of the circuit raised.
    """
    return (yield net, tuple(analyses))


def alone(steps: Steps[_T], run: Run) -> _T:
    """What steps come to, with a simulator that answers them one by one.

    Parameters
    ----------
    run : callable
        `Engine.run`.

    Raises
    ------
    EngineError
        That the steps let through.
    """
    answer: Results | EngineError | None = None
    while True:
        try:
            net, analyses = _next(steps, answer)
        except StopIteration as end:
            value: _T = end.value
            return value
        try:
            answer = run(net, analyses)
        except EngineError as error:
            answer = error


def abreast(
    many: Sequence[Steps[_T]], run_many: RunMany, turn: Turn | None = None
) -> list[_T | EngineError]:
    """What many steps come to, all at the same turn.

    At every turn all that are not at their end have asked once, and one that fails stops no other.
    The answers of a turn are held until each is sent, so that units whose answers are long
    waveforms are best walked some at a time.

    Parameters
    ----------
    many : sequence of Steps
        Fresh ones, (n,).
    run_many : callable
        Called once a turn. Every error that it answers with belongs to one ask alone.
    turn : callable, optional
        When in a flow a thing is asked for. Only what comes earliest of all that is asked for
        is answered at a turn: who is ahead waits for those that may yet ask the same, so that more
        are answered together. Without, all are answered at every turn, and a unit with few steps
        waits for none with many.

    Returns
    -------
    list
        (n,): of each what it returned, or the error of the simulator that came out of it.

    Raises
    ------
    EngineMissing
        No unit would fare better.
    Exception
        Whatever else comes out of steps or of `run_many`: a mistake of the input, or a bug.
    """
    outcomes: dict[int, _T | EngineError] = {}
    answers: dict[int, Results | EngineError | None] = dict.fromkeys(range(len(many)))
    asks: dict[int, Ask] = {}
    try:
        while answers:
            for i in tuple(answers):
                try:
                    asks[i] = _next(many[i], answers.pop(i))
                except StopIteration as end:
                    outcomes[i] = end.value
                except EngineMissing:
                    raise
                except EngineError as error:
                    # an outcome is kept, and need not keep what the steps had in hand
                    outcomes[i] = error.with_traceback(None)
            first = _earliest(asks, turn)
            if first:
                told = run_many([asks.pop(i) for i in first])
                answers.update(zip(first, told, strict=True))
    finally:
        for steps in many:
            steps.close()
    return [outcomes[i] for i in range(len(many))]


def _earliest(asks: Mapping[int, Ask], turn: Turn | None) -> list[int]:
    """Whose turn it is: in their order, so that units are solved together in one order always."""
    if turn is None or len(asks) < 2:
        return sorted(asks)
    by = {i: turn(one) for i, one in asks.items()}
    first = min(by.values())
    return sorted(i for i, when in by.items() if when == first)


def _next(steps: Steps[_T], answer: Results | EngineError | None) -> Ask:
    """The next thing that steps ask for, after an answer; None begins them.

    Raises
    ------
    StopIteration
        With what they return.
    """
    if answer is None:
        return next(steps)
    if isinstance(answer, EngineError):
        return steps.throw(answer)
    return steps.send(answer)
