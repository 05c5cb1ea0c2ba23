"""What is told of the simulating: a bench that notes for which units time did not suffice.

And which of them ngspice simulated one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from circuits.prompt import counted
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.simulate import LATE, Answer, Bench, Problem, Progress, Variant

_NAMED = 12
"""So many are named, the others counted."""


@dataclass
class Watched:
    """A bench around another one.

    Attributes
    ----------
    bench : Bench
    late : dict
        Labels of the units that were not simulated because time was over, in their order.
    asked, apart : set of Variant
        All units, and those that ngspice simulated one by one, since the batch could not.
    simulated : int
        Units that were simulated at all.
    """

    bench: Bench
    late: dict[str, None] = field(default_factory=dict)
    asked: set[Variant] = field(default_factory=set)
    apart: set[Variant] = field(default_factory=set)
    simulated: int = 0

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """Readings of every variant, on the compared scale."""
        answer = self.bench.values(stage, variants, readings, progress)
        self.late.update(dict.fromkeys(p.variant for p in answer.problems if p.kind == LATE))
        self.simulated += answer.simulated
        self.asked.update(variants)
        self.apart.update(answer.apart)
        return answer

    def missing(self) -> tuple[str, ...]:
        """A sentence on what is missing; none where nothing is."""
        return missing(self.late)

    def one_by_one(self) -> tuple[str, ...]:
        """A sentence on what ngspice simulated one by one; none where nothing was."""
        if not self.apart:
            return ()
        return (f"{len(self.apart)} of the {counted(len(self.asked), 'unit')} behind this answer "
                "had no solution when many were simulated at once; ngspice simulated them one by "
                "one",)


def watched(bench: Bench) -> Watched:
    """The bench itself where it is watched already, else around it."""
    return bench if isinstance(bench, Watched) else Watched(bench)


def missing(labels: Iterable[str]) -> tuple[str, ...]:
    """A sentence on units that were left out because time was over; none for none.

    Parameters
    ----------
    labels : iterable of str
        Of `Variant.label`, each once.
    """
    names = list(labels)
    if not names:
        return ()
    told = ", ".join(names[:_NAMED])
    if len(names) > _NAMED:
        told += f" and {len(names) - _NAMED} more"
    return (f"time was over before everything was simulated; missing: {told}. With more time the "
            "answer may be another",)


def told(problems: Iterable[Problem]) -> tuple[str, ...]:
    """Problems in words: each by itself, those of time in one sentence at the end."""
    each = list(dict.fromkeys(problems))
    alone = [f"{p.variant} ({p.kind}: {p.text})" for p in each if p.kind != LATE]
    return (*alone, *missing(dict.fromkeys(p.variant for p in each if p.kind == LATE)))
