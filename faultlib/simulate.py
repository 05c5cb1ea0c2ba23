"""Readings of many variants of a stage: from the store where known, else simulated in parallel.

A `Variant` is a stage with faults injected and some good parts moved within their tolerance.
Everything above sees one function, `Laboratory.values`; tests put a small fake in its place.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from circuits.excess import INDEX
from circuits.quantities import HEARS_NOISE
from circuits.reading import Reading, all_compared, through_wiring
from circuits.stage import Stage
from faultlib.adjust import Deviations, Positions, to_find
from faultlib.catalogue import mode_for
from faultlib.fingerprint import fingerprint
from faultlib.store import Store, digest, mark
from faultlib.variant import Variant as Variant
from faultlib.variant import of_both
from faultlib.variant import unit as unit

if TYPE_CHECKING:
    from circuits.bench.cluster import Cluster
    from circuits.bench.workers import Failure, Pool
    from faultlib.measure import Read

_R = TypeVar("_R")

_STILL, _DRIVEN = 200, 40
"""Units that are solved together at most, at rest and under drive: more gain little, and what is
kept comes in later (measured)."""

_STAGES = 8
"""Stages whose trimmers' settings are remembered (judgement)."""

LATE = "late"
"""The kind of a problem: no time was left to simulate the variant."""

Progress = Callable[[int, int], None]
"""Called with how many variants are done, and of how many."""


@dataclass(frozen=True)
class Problem:
    """A variant that could not be simulated.

    Attributes
    ----------
    kind : {"no solution", "crash", "timeout", "error", "late"}
    """

    variant: str
    kind: str
    text: str


@dataclass(frozen=True)
class Answer:
    """Values of many variants.

    Attributes
    ----------
    values : (n, m) array
        On the compared scale; a row of NaN for a variant that could not be simulated, and NaN
        under drive for one that swings by itself.
    simulated : int
        How many variants were not in the store.
    apart : tuple of Variant
        Those that ngspice simulated one by one, now or when they came into the store, since the
        batch could not.
    """

    values: NDArray[np.float64]
    problems: tuple[Problem, ...]
    simulated: int
    apart: tuple[Variant, ...] = ()


def is_late(answer: Answer) -> bool:
    """Whether time was over before all of it was simulated."""
    return any(problem.kind == LATE for problem in answer.problems)


class Bench(Protocol):
    """Anything that takes readings of variants."""

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale."""
        ...


_Outcome: TypeAlias = "Read | Failure"
_Keep: TypeAlias = Callable[[Sequence[int], Mapping[int, Problem], "set[int]"], None]


class Laboratory(AbstractContextManager["Laboratory"]):
    """The real bench: a pool of simulators and a store.

    Parameters
    ----------
    store : Store
        None remembers nothing.
    workers : int or None
        None is one a core; 0 simulates in this process.
    timeout : float
        Seconds that one variant may take.
    limit : float
        Seconds after which nothing more is simulated; what the store holds is still answered.
    cluster : Cluster
        Machines that simulate in place of this one; `workers` counts for nothing then.
    anew : bool
        Whether this process forgets what it did before each time, as workers do: what it simulates
        is then the same to the last digit whatever that was.
    """

    def __init__(
        self,
        store: Store | None = None,
        workers: int | None = None,
        timeout: float = 20.0,
        limit: float = math.inf,
        cluster: Cluster | None = None,
        anew: bool = False,
    ) -> None:
        self._store = store or Store(None)
        self._workers = workers
        self._cluster = cluster
        self._timeout = timeout
        self._limit = limit
        self._until = time.monotonic() + limit
        self._anew = anew or workers != 0 or cluster is not None
        self._pool: Pool | None = None
        self._set: dict[Stage, dict[Deviations, Positions]] = {}

    @property
    def deadline(self) -> float:
        """Seconds that one variant may take; infinite where this process simulates, which stays."""
        here = self._workers == 0 and self._cluster is None
        return math.inf if here else self._timeout

    def restart(self) -> None:
        """Let the limit count from now."""
        self._until = time.monotonic() + self._limit

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            self._pool.__exit__(kind, error, trace)
            self._pool = None

    def each(
        self,
        function: Callable[..., _R],
        items: Sequence[Any],
        shared: object,
        progress: Progress | None = None,
        arrived: Callable[[Sequence[tuple[int, _R | Failure]]], None] | None = None,
        together: int = 0,
        patience: float = 0.0,
    ) -> list[_R | Failure]:
        """Call a function of `shared` and an item for every item, in the workers; nothing is kept.

        Parameters
        ----------
        function : callable
            Of a module, so that a worker finds it.
        arrived : callable, optional
            Called with places and outcomes as they come in.
        together : int
            How many items the function takes at a time, as a list; 0 for one by one.
        patience : float
            Of long items, which go to workers singly: times as long as a variant that each may
            take. 0 for others.
        """
        if self._pool is None:
            # imported here: an answer from the store needs no simulator
            from circuits.bench.workers import Pool

            self._pool = Pool(self._workers, self._timeout, self._cluster)
        return self._pool.map(function, items, progress, shared, self._until, arrived,
                              together, patience * self._timeout)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale.

        Returns
        -------
        Answer
        """
        if not any(r.quantity in HEARS_NOISE for r in readings):
            alike = _unheard(stage, variants)
            told = list(dict.fromkeys(alike))
            if len(told) < len(variants):
                answer = self.values(stage, told, readings, progress)
                place = {variant: k for k, variant in enumerate(told)}
                return replace(answer, values=answer.values[[place[v] for v in alike]])
        # readings of one channel depend on what two share by rails alone, which the other loads
        rails = tuple(r.name for r in stage.rails if r.name in stage.shared)
        alone = not any(map(of_both, readings)) and stage.shared != rails
        shown = replace(stage, shared=rails) if alone else stage
        shelf = self._store.shelf(digest(f"{fingerprint()} {shown.key()}"))
        names = [r.key() for r in readings]
        units = [_mark(v) for v in variants]
        found = shelf.known(units, names)
        values = found.values
        missing = [int(i) for i in np.flatnonzero(~found.known)]
        gone = [Problem(variants[i].label(), "no solution", reason)
                for i in sorted(found.reasons) if found.known[i] for reason in found.reasons[i]]

        def keep(
            rows: Sequence[int], problems: Mapping[int, Problem], apart: set[int]
        ) -> None:
            # a crash or a time-out may not happen again
            sure = [i for i in rows if i not in problems or problems[i].kind == "no solution"]
            reasons = {k: problems[i].text for k, i in enumerate(sure) if i in problems}
            shelf.keep([units[i] for i in sure], names, values[sure], reasons,
                       [k for k, i in enumerate(sure) if i in apart])

        values[missing] = np.nan
        problems, apart = self._simulate(
            stage, variants, readings, missing, values, progress, keep
        )
        lost = np.isnan(values)
        lost[:, [k for k, reading in enumerate(readings) if reading.driven]] = False
        # without a reading at rest there is no row; a unit that swings has its readings at rest
        values[lost.any(axis=1)] = np.nan
        for k, reading in enumerate(readings):
            values[:, k] = through_wiring(reading, all_compared(reading, values[:, k]))
        named = (*gone, *(problem for _, problem in sorted(problems.items())))
        apart.update(np.flatnonzero(found.apart).tolist())
        return Answer(values, tuple(dict.fromkeys(named)), len(missing),
                      tuple(variants[i] for i in sorted(apart)))

    def _simulate(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        missing: Sequence[int],
        values: NDArray[np.float64],
        progress: Progress | None,
        keep: _Keep,
    ) -> tuple[dict[int, Problem], set[int]]:
        """Fill the missing rows in place, and keep each as it comes in.

        Returns
        -------
        dict, set of int
            What could not be simulated, by its row; and the rows that were simulated apart.
        """
        problems: dict[int, Problem] = {}
        apart: set[int] = set()

        def arrived(outcomes: Sequence[tuple[int, _Outcome]]) -> None:
            for k, outcome in outcomes:
                _enter(variants[missing[k]], readings, missing[k], outcome, values, problems)
                if getattr(outcome, "apart", False):
                    apart.add(missing[k])
            keep([missing[k] for k, _ in outcomes], problems, apart)

        if missing:
            # imported here: an answer from the store needs no simulator
            from faultlib.measure import measured, measured_anew

            driven = any(reading.driven for reading in readings)
            missing = sorted(missing, key=lambda i: _kind(variants[i]))
            units = [variants[i] for i in missing]
            work: Callable[..., Any] = measured
            if self._anew:
                settings = self._settings(stage, units)
                work = partial(measured_anew, settings=settings) if settings else measured_anew
            self.each(work, units, (stage, tuple(readings)), progress, arrived,
                      _DRIVEN if driven else _STILL)
        return problems, apart

    def _settings(
        self, stage: Stage, variants: Sequence[Variant]
    ) -> dict[Deviations, Positions]:
        """Where the trimmers of units stand, as far as several have it in common."""
        if not stage.adjust:
            return {}
        from faultlib.measure import set_anew

        met = Counter(to_find(stage, variant.deviations) for variant in variants)
        del met[()]
        if stage not in self._set and len(self._set) >= _STAGES:
            self._set.clear()
        known = self._set.setdefault(stage, {})
        wanted = [one for one, times in met.items() if times > 1 and one not in known]
        if wanted:
            found = self.each(set_anew, wanted, stage, together=_STILL)
            known.update((one, where) for one, where in zip(wanted, found, strict=True)
                         if isinstance(where, tuple))
        # what a search for others begins from is told as well
        told = dict.fromkeys(part for one in met for part in (one, one[:-1], one[-1:]))
        return {one: known[one] for one in told if one in known}


def _kind(variant: Variant) -> tuple[str, ...]:
    """What changes the topology of a unit: those of a kind are best taken together."""
    return tuple(fault.mode for fault in variant.faults)


def _enter(
    variant: Variant,
    readings: Sequence[Reading],
    i: int,
    outcome: _Outcome,
    values: NDArray[np.float64],
    problems: dict[int, Problem],
) -> None:
    """Put what came of a variant into its row, and what went wrong beside it."""
    from circuits.bench.workers import Failure

    if isinstance(outcome, Failure):
        kind = "no solution" if outcome.kind == "error" else outcome.kind
        problems[i] = Problem(variant.label(), kind, outcome.text)
    elif outcome.swings:
        values[i] = outcome.values
        problems[i] = Problem(variant.label(), "no solution", outcome.swings)
    else:
        values[i] = [x if math.isfinite(x) else math.nan for x in outcome.values]
        if np.isnan(values[i]).any():
            text = f"no finite value of {_odd(readings, outcome.values)}"
            problems[i] = Problem(variant.label(), "no solution", text)


def _unheard(stage: Stage, variants: Sequence[Variant]) -> list[Variant]:
    """The variants without faults and deviations that are heard and show in nothing else."""
    silent: dict[tuple[str, str], bool] = {}

    def one(variant: Variant) -> Variant:
        for f in variant.faults:
            if (f.part, f.mode) not in silent:
                silent[f.part, f.mode] = mode_for(stage, f.part, f.mode).noise_alone
        kept = tuple(f for f in variant.faults if not silent[f.part, f.mode])
        beside = None if variant.beside is None else one(variant.beside)
        moved = tuple((s, z) for s, z in variant.deviations if s.what != INDEX)
        return Variant(kept, moved, beside)

    return [one(variant) for variant in variants]


def _odd(readings: Sequence[Reading], values: Sequence[float]) -> str:
    pairs = zip(readings, values, strict=True)
    return ", ".join(r.label() for r, x in pairs if not math.isfinite(x))


@lru_cache(maxsize=1 << 16)
def _mark(variant: Variant) -> bytes:
    return mark(variant.key())
