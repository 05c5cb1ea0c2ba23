"""Work that simulates as it goes, shared out: each piece by a worker with a bench of its own.

Ranking a random unit asks for readings some twenty times, and what is asked hangs on what was
answered. So a worker takes the whole of it, and simulates in its own process. Pieces ask for much
the same (of 1,500 variants of a random unit all but 60 are met again): what the first ones had to
simulate is handed on to those after them, in turns whose sizes hang on how many pieces there are
and on nothing else. So the answers are the same to the last digit whoever works, and how many do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.simulate import LATE, Answer, Bench, Laboratory, Progress
from faultlib.store import Shelf, Store
from faultlib.variant import Variant
from faultlib.watched import Watched, watched

if TYPE_CHECKING:
    from circuits.bench.workers import Failure

_R = TypeVar("_R")

TURNS = (4, 4, 8, 16, 32)
"""Pieces of the first turns; all others are one more. Small ones first: there is most to learn from
them, and what they learn is all that is sent to the machines of a cluster (judgement)."""
_PATIENCE = 100.0
"""Times as long as one variant may take, that a piece may (judgement). What hangs is found sooner:
each time that a piece asks for readings, it may wait for them as long as a worker's chunk may take;
a piece of which that is too little is done here, where each variant has its own time."""

Work = Callable[[Any, Bench, Any], _R]
"""What all pieces share, a bench and a piece → what comes of it. Of a module, so that a worker
finds it."""


@dataclass(frozen=True)
class Rows:
    """Units as they are put into a store.

    Attributes
    ----------
    key : str
        Of the shelf.
    units : sequence of n bytes
        A mark each.
    names : sequence of m str
        Keys of readings.
    values : (n, m) array
    reasons : mapping
        By the place of a unit, why it has no value.
    apart : sequence of int
        Places of units that were simulated by themselves.
    """

    key: str
    units: Sequence[bytes]
    names: Sequence[str]
    values: NDArray[np.float64]
    reasons: Mapping[int, str]
    apart: Sequence[int]


class Handed(Store):
    """A store in memory that begins with what others simulated, and notes what is added.

    Attributes
    ----------
    added : list of Rows
    """

    def __init__(self, known: Sequence[Rows] = ()) -> None:
        super().__init__(None)
        self.added: list[Rows] = []
        for rows in known:
            self.shelf(rows.key).keep(rows.units, rows.names, rows.values, rows.reasons, rows.apart)
        self.added.clear()

    def shelf(self, key: str) -> Shelf:
        """What is known of a stage and version."""
        return self._shelves.setdefault(key, _Noting(key, self.added))


class _Noting(Shelf):
    def __init__(self, key: str, added: list[Rows]) -> None:
        super().__init__()
        self._key, self._added = key, added

    def keep(
        self, units: Sequence[bytes], names: Sequence[str], values: NDArray[np.float64],
        reasons: Mapping[int, str], apart: Sequence[int] = (),
    ) -> None:
        """Add units, and note them."""
        super().keep(units, names, values, reasons, apart)
        if units:
            self._added.append(Rows(self._key, units, tuple(names), values, reasons, apart))


@dataclass(frozen=True)
class _Turn:
    """What all pieces of a turn share.

    Attributes
    ----------
    seconds : float
        That one variant may take, or the worker dies of it; infinite where no worker does.
    """

    work: Work[Any]
    shared: object
    known: tuple[Rows, ...]
    last: bool
    seconds: float


@dataclass(frozen=True)
class _Timed:
    """A bench whose process dies where readings take too long."""

    bench: Bench
    seconds: float

    def values(
        self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale."""
        from circuits.bench.chunk import deadline, share

        with deadline(self.seconds * share(len(variants))):
            return self.bench.values(stage, variants, readings, progress)


def piece(turn: _Turn, item: object) -> tuple[Any, tuple[Rows, ...]]:
    """Runs in a worker: do one piece; what came of it, and what it simulated for it."""
    store = Handed(turn.known)
    with Laboratory(store, 0, anew=True) as laboratory:
        bench = laboratory if math.isinf(turn.seconds) else _Timed(laboratory, turn.seconds)
        made = turn.work(turn.shared, bench, item)
    return made, () if turn.last else tuple(store.added)


def each_aside(
    bench: Bench,
    work: Work[_R],
    shared: object,
    items: Sequence[Any],
    progress: Progress | None = None,
) -> list[_R]:
    """What comes of every piece, by the workers of a laboratory; by any other bench, one by one.

    A piece whose worker died of it, or hung, is done here once more, with the bench at hand.

    Returns
    -------
    list
        In the order of the pieces, up to the first that time did not suffice for.
    """
    watch = watched(bench)
    made: list[_R] = []
    for outcome in _outcomes(watch, work, shared, items, progress):
        if outcome is None or watch.late:
            break
        made.append(outcome[0])
    return made


def _outcomes(
    watch: Watched, work: Work[_R], shared: object, items: Sequence[Any],
    progress: Progress | None,
) -> Iterator[tuple[_R] | None]:
    """What comes of every piece; None where time was over."""
    laboratory = watch.bench
    if not isinstance(laboratory, Laboratory):
        for k, item in enumerate(items):
            yield (work(shared, watch, item),)
            if progress is not None:
                progress(k + 1, len(items))
        return
    known: tuple[Rows, ...] = ()
    for start, stop in _turns(len(items)):
        turn = _Turn(work, shared, known, stop == len(items), laboratory.deadline)
        told = laboratory.each(piece, items[start:stop], turn, _further(progress, start, items),
                               patience=_PATIENCE)
        for item, outcome in zip(items[start:stop], told, strict=True):
            if isinstance(outcome, tuple):
                made, added = outcome
                known = (*known, *added)
                yield (made,)
            elif _late(outcome):
                watch.late.setdefault("a unit")
                yield None
            else:
                yield (work(shared, watch, item),)
        known = _together(known)


def _late(failure: Failure) -> bool:
    return failure.kind == LATE


def _further(
    progress: Progress | None, before: int, items: Sequence[Any]
) -> Progress | None:
    if progress is None:
        return None
    shown = progress
    return lambda done, _: shown(before + done, len(items))


def _turns(count: int) -> Iterator[tuple[int, int]]:
    """From where to where each turn goes."""
    start = 0
    for size in (*TURNS, count):
        stop = min(start + size, count)
        if start < stop:
            yield start, stop
        start = stop


def _together(known: Sequence[Rows]) -> tuple[Rows, ...]:
    """The same rows with all of a shelf and of the same readings in one, each unit once."""
    groups: dict[tuple[str, tuple[str, ...]], list[Rows]] = {}
    for rows in known:
        groups.setdefault((rows.key, tuple(rows.names)), []).append(rows)
    return tuple(_joined(some) for some in groups.values())


def _joined(some: Sequence[Rows]) -> Rows:
    """Of units that several simulated the first."""
    at: dict[bytes, int] = {}
    kept: list[NDArray[np.float64]] = []
    reasons: dict[int, str] = {}
    apart: list[int] = []
    for rows in some:
        for k, unit in enumerate(rows.units):
            if unit in at:
                continue
            place = at[unit] = len(kept)
            kept.append(rows.values[k])
            if k in rows.reasons:
                reasons[place] = rows.reasons[k]
            if k in rows.apart:
                apart.append(place)
    return replace(some[0], units=tuple(at), values=np.array(kept), reasons=reasons,
                   apart=tuple(apart))
