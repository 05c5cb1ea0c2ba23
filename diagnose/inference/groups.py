"""Which suspects the readings taken cannot tell apart.

Two suspects belong together where what they predict, at the sizes that match best, lies near beside
how widely either strays. Groups are the connected components of that graph; where a chain would
join unlike ends, its cliques. Readings of which only a bound is known tell no
two suspects apart that both keep it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.inference.evidence import Scored
from diagnose.inference.likelihood import Array, Covariance

Which = NDArray[np.intp]

NEAR = 0.5
"""Distance below which two suspects are one answer: two standard deviations."""


@dataclass(frozen=True)
class Member:
    """A suspect with its probability and the number of its group, counted from 1."""

    scored: Scored
    probability: float
    group: int


MOST_ALIKE = 12
"""So many look-alikes of the leading suspect are listed that are hardly probable themselves."""
_AS_GOOD = 3.0
"""One that explains the readings worse than the leading suspect by a factor of e³ is none."""


def distance(a: Scored, b: Scored, plain: Which | None = None) -> float:
    """Distance of two suspects at the sizes that match best.

    Each suspect's most probable size is held against every size of the other; the worse of the
    two matches counts, so that an open capacitor and one with a trace of capacitance left are
    alike, and an open one and a half dry one are not.

    It is what Bhattacharyya's distance makes of the means, by the spread of whichever suspect sets
    them further apart. What his distance makes of unlike spreads is left out: one unit cannot show
    how widely others stray. (Of a trimmer that drifted and a resistor in series with it, whose
    readings were the same to a hundredth of a standard deviation, the trimmer's wider tolerance
    alone made two answers.)

    Parameters
    ----------
    plain : array of int, optional
        Which readings count; by default all.

    Returns
    -------
    float
        (Δ/σ)²/8, in nats; Bhattacharyya's distance where both have the same spread.
    """
    if plain is None:
        plain = np.arange(len(a.spread.factor))
    spreads = (Covariance.of(_matrix(s)[np.ix_(plain, plain)]) for s in (a, b))
    return max(_apart(a, b, around, plain) for around in spreads) / 8.0


def _apart(a: Scored, b: Scored, around: Covariance, plain: Which) -> float:
    """The worse of the two squared distances from a best size to the other's nearest size."""
    return max(_match(a, b, around, plain), _match(b, a, around, plain))


def _match(a: Scored, b: Scored, around: Covariance, plain: Which) -> float:
    """Squared distance from the best size of one suspect to the nearest size of the other."""
    return float(around.squares((a.predicted[a.best] - b.predicted)[:, plain]).min())


def _matrix(scored: Scored) -> Array:
    return np.asarray(scored.spread.factor @ scored.spread.factor.T)


def grouped(
    suspects: Sequence[tuple[Scored, float]],
    others: Sequence[tuple[Scored, float]] = (),
    plain: Which | None = None,
    healthy: Array | None = None,
) -> list[Member]:
    """Number the groups of suspects.

    Parameters
    ----------
    suspects : sequence of (Scored, float)
        The live ones, by falling probability.
    others : sequence of (Scored, float), optional
        Those that are hardly probable, by falling probability: look-alikes of the leading suspect
        among them join its group.
    plain : array of int, optional
        Which readings count: those that are no bounds; by default all.
    healthy : (m,) array, optional
        Readings of a good unit: a leading suspect that does not show looks like every fault that
        does not, and has no look-alikes worth a line.

    Returns
    -------
    list of Member
        In the same order, look-alikes last; group 1 holds the most probable group.
    """
    edges = [
        (i, j)
        for i in range(len(suspects))
        for j in range(i)
        if distance(suspects[i][0], suspects[j][0], plain) < NEAR
    ]
    sets = _sets(len(suspects), edges)
    weight = [sum(suspects[i][1] for i in members) for members in sets]
    order = sorted(range(len(sets)), key=lambda k: -weight[k])
    number = {i: place + 1 for place, k in enumerate(order) for i in sets[k]}
    in_groups = [Member(s, p, number[i]) for i, (s, p) in enumerate(suspects)]
    if in_groups:
        alike = _look_alikes(in_groups[0].scored, others, plain, healthy)
        in_groups += [Member(s, p, in_groups[0].group) for s, p in alike]
    return in_groups


def _look_alikes(
    lead: Scored,
    others: Sequence[tuple[Scored, float]],
    plain: Which | None,
    healthy: Array | None,
) -> list[tuple[Scored, float]]:
    """Suspects that do what the leading one does, only with small priors.

    They were scored with a spread that is not their own, so that the leading suspect's counts.
    """
    if plain is None:
        plain = np.arange(len(lead.spread.factor))
    around = Covariance.of(_matrix(lead)[np.ix_(plain, plain)])
    alike: list[tuple[Scored, float]] = []
    if healthy is not None:
        shift = (lead.predicted[lead.best] - healthy)[None, plain]
        if float(around.squares(shift)[0]) / 8.0 < NEAR:
            return alike
    for scored, probability in others:
        if len(alike) == MOST_ALIKE:
            break
        if len(scored.hypotheses) != len(lead.hypotheses):
            continue
        if scored.log_evidence < lead.log_evidence - _AS_GOOD:
            continue
        if _apart(lead, scored, around, plain) / 8.0 < NEAR:
            alike.append((scored, probability))
    return alike


def _sets(count: int, edges: Sequence[tuple[int, int]]) -> list[set[int]]:
    """The cliques of the graph of near suspects, the largest first, each suspect once."""
    near: list[set[int]] = [set() for _ in range(count)]
    for i, j in edges:
        near[i].add(j)
        near[j].add(i)
    split = [{i} for i in range(count) if not near[i]]
    left = set(range(count)).difference(*split)
    while left:
        # the largest; of several the one with the more probable suspects
        best = max(_cliques(set(), left, set(), near),
                   key=lambda clique: (len(clique), *(-i for i in sorted(clique))))
        split.append(best)
        left = left - best
    return sorted(split, key=min)


def _cliques(
    held: set[int], open_: set[int], done: set[int], near: Sequence[set[int]]
) -> Iterator[set[int]]:
    """All largest sets of vertices that are near each other, each once.

    Bron and Kerbosch 1973, algorithm 457, with the pivot of Tomita, Tanaka and Takahashi 2006 (both
    from memory); networkx has it too, and takes a fifth of a warm ranking to import.
    """
    if not open_ and not done:
        yield held
        return
    pivot = max(open_ | done, key=lambda i: len(near[i] & open_))
    for i in sorted(open_ - near[pivot]):
        yield from _cliques(held | {i}, open_ & near[i], done & near[i], near)
        open_, done = open_ - {i}, done | {i}
