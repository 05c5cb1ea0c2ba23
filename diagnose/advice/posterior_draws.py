"""Units that the readings so far allow, drawn from the posterior: what a further reading may meet.

The draw is systematic: equally spaced steps through all hypotheses and, inside each, through its
sizes, so that every hypothesis has its share of units and no luck is in it. Small ones count: the
tail together may outweigh the leading suspects.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.inference.evidence import Scored, fault_at
from diagnose.inference.groups import Member
from diagnose.inference.likelihood import Array, Observed
from diagnose.inference.posterior import Posterior
from faultlib.simulate import Variant

HEALTHY = "healthy"
UNMODELLED = "a fault that is not in the library"

COUNTS = (150, 300, 600, 1200)
"""Steps through the posterior, tried one after the other until `ENOUGH` different units are
drawn."""
ENOUGH = 96
"""Steps are halved until so many different units are drawn."""
_NOTCHES = 32.0
"""Sizes over the whole scale of a mode that a drawn fault may have: draws between them share one
simulation."""
_NOTCHES_PAIR = 16.0
"""The same for each of two faults, whose places are more."""


@dataclass(frozen=True)
class Answer:
    """What would be repaired: a group split by its parts, health, or `UNMODELLED`.

    Attributes
    ----------
    group : int
        From 1; 0 for suspects that stand in no group, and for the last two.
    name : str
        Parts and, where it is not several modes of one part, the mode.
    """

    group: int
    name: str


@dataclass(frozen=True)
class Units:
    """Drawn units.

    Attributes
    ----------
    variants : tuple of n Variant
    weights : (n,) array
        Add up to 1 less the weight of `UNMODELLED`.
    answers : (n,) array of int
        Place of each in `named`.
    residuals : (n, m) array
        How far the readings taken, or the limits of bounds, lie from what each unit gives.
    named : tuple of Answer
        Health is the last but one and `UNMODELLED` the last.
    unmodelled : float
        Probability of a fault outside the library.
    """

    variants: tuple[Variant, ...]
    weights: Array
    answers: np.ndarray[tuple[int], np.dtype[np.intp]]
    residuals: Array
    named: tuple[Answer, ...]
    unmodelled: float

    def shares(self) -> Array:
        """Probability of every answer."""
        weights = np.bincount(self.answers, self.weights, len(self.named))
        weights[-1] += self.unmodelled
        return np.asarray(weights / weights.sum())


def drawn(
    posterior: Posterior,
    members: Sequence[Member],
    observed: Observed,
    healthy: Array,
    enough: int = ENOUGH,
) -> Units:
    """Units drawn from a posterior.

    Parameters
    ----------
    members : sequence of Member
        The suspects with their groups, by falling probability; the rest are answers of their own.
    healthy : (m,) array
        Readings of a good unit.
    enough : int
        Different units wanted.
    """
    named, which = _answers(posterior, members)
    for count in COUNTS:
        picked = _picked(posterior, count)
        if len(picked) >= enough:
            break
    variants: dict[Variant, list[tuple[float, int, Array]]] = {}
    for (index, _), rows in picked.items():
        if index < 0:
            entry = (float(len(rows)), len(named) - 2, observed.residuals(healthy[None, :])[0])
            variants.setdefault(Variant(), []).append(entry)
            continue
        scored = posterior.suspects[index][0]
        unit = _unit(scored, rows[0])
        off = observed.residuals(scored.predicted[rows]).mean(axis=0)
        variants.setdefault(unit, []).append((float(len(rows)), which[index], off))
    flat = [(unit, *entry) for unit, entries in variants.items() for entry in entries]
    weights = np.array([entry[1] for entry in flat])
    modelled = 1.0 - posterior.unmodelled
    return Units(
        tuple(entry[0] for entry in flat),
        weights / weights.sum() * modelled,
        np.array([entry[2] for entry in flat], dtype=np.intp),
        np.array([entry[3] for entry in flat]),
        named,
        posterior.unmodelled,
    )


def _picked(posterior: Posterior, count: int) -> dict[tuple[int, tuple[float, ...]], list[int]]:
    """Steps through everything: (hypothesis, notched size) and the grid sizes that fell there."""
    mass = np.array([posterior.healthy, *(p for _, p in posterior.suspects)])
    ends = np.cumsum(mass / mass.sum())
    steps = (np.arange(count) + 0.5) / count
    owner = np.minimum(np.searchsorted(ends, steps, side="right"), len(mass) - 1)
    picked: dict[tuple[int, tuple[float, ...]], list[int]] = {}
    for k in dict.fromkeys(owner.tolist()):  # they rise, as the steps do
        here = steps[owner == k]
        if k == 0:
            picked[-1, ()] = [0] * len(here)
            continue
        scored = posterior.suspects[k - 1][0]
        low = ends[k - 1]
        inside = (here - low) / max(ends[k] - low, 1e-300)
        rows = np.searchsorted(np.cumsum(scored.weights), inside * scored.weights.sum())
        for row in np.minimum(rows, len(scored.weights) - 1):
            place = _notched(scored, int(row))
            picked.setdefault((int(k) - 1, place), []).append(int(row))
    return picked


def _notched(scored: Scored, row: int) -> tuple[float, ...]:
    notches = _NOTCHES if len(scored.hypotheses) == 1 else _NOTCHES_PAIR
    return tuple(round(float(x) * notches) / notches for x in scored.places[row])


def _unit(scored: Scored, row: int) -> Variant:
    places = _notched(scored, row)
    return Variant(tuple(fault_at(h, x) for h, x in zip(scored.hypotheses, places, strict=True)))


def _answers(
    posterior: Posterior, members: Sequence[Member]
) -> tuple[tuple[Answer, ...], list[int]]:
    """Every answer, and the place of each suspect's."""
    group = {id(m.scored): m.group for m in members}
    places: dict[tuple[int, tuple[str, ...]], int] = {}
    modes: list[list[str]] = []
    which: list[int] = []
    for scored, _ in posterior.suspects:
        parts = tuple(h.part for h in scored.hypotheses)
        number = group.get(id(scored), 0)
        place = places.setdefault((number, parts), len(places))
        if place == len(modes):
            modes.append([])
        modes[place].append(" with ".join(h.mode.name for h in scored.hypotheses))
        which.append(place)
    named = [
        Answer(number, _name(parts, inside))
        for (number, parts), inside in zip(places, modes, strict=True)
    ]
    return (*named, Answer(0, HEALTHY), Answer(0, UNMODELLED)), which


def _name(parts: tuple[str, ...], modes: Sequence[str]) -> str:
    if len(parts) > 1:
        return " with ".join(parts)
    return f"{parts[0]} {modes[0]}" if len(modes) == 1 else parts[0]
