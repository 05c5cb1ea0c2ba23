"""How much one more reading would tell: mutual information of an answer and a number.

What the reading may be is a mixture: every unit that the readings so far allow gives one Student
density around what it would read. Expectations over it are taken at a few points of every
component, where the whole mixture is known in closed form (one-dimensional quadrature).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from diagnose.inference.likelihood import Array

NODES = 11
"""Points of every component: information is then right within 0.015 bit."""


@dataclass(frozen=True)
class Mixture:
    """What one reading may be.

    Attributes
    ----------
    weights, centres, scales : (n,) array
        Of every component; weights add up to 1. Compared scale.
    answers : (n,) array of int
        Which answer each component belongs to.
    freedom : float
        Degrees of freedom of the Student densities.
    most : float
        What the meter shows at most, compared scale: all that lies above is one outcome.
    """

    weights: Array
    centres: Array
    scales: Array
    answers: NDArray[np.intp]
    freedom: float
    most: float = math.inf


@dataclass(frozen=True)
class Outlook:
    """What a reading may tell.

    Attributes
    ----------
    bits : float
        Mutual information of the answer and the reading.
    values : (k,) array
        Values that the reading may have, rising.
    weights : (k,) array
        Their probabilities, add up to 1.
    posterior : (k, a) array
        Probability of every answer once that value was read.
    over : bool
        Whether the last value stands for all that the meter does not show any more.
    """

    bits: float
    values: Array
    weights: Array
    posterior: Array
    over: bool = False


def entropy(shares: Array) -> Array:
    """Entropy of distributions along the last axis, bits."""
    safe = np.where(shares > 0.0, shares, 1.0)
    return np.asarray(-(shares * np.log2(safe)).sum(axis=-1))


def outlook(mixture: Mixture, count: int) -> Outlook:
    """What a reading may tell about the answer.

    Parameters
    ----------
    count : int
        How many answers there are.

    Returns
    -------
    Outlook
        Its information is H(A) − E[H(A | y)], never below zero.
    """
    nodes = student_nodes(mixture.freedom, NODES)
    y = (mixture.centres[:, None] + mixture.scales[:, None] * nodes).ravel()
    weight = np.repeat(mixture.weights, NODES) / NODES
    order = np.argsort(y, kind="stable")
    y, weight = y[order], weight[order]
    z = (y[:, None] - mixture.centres) / mixture.scales
    power = -(mixture.freedom + 1.0) / 2.0
    density = mixture.weights / mixture.scales * (1.0 + z * z / mixture.freedom) ** power
    member = np.zeros((len(mixture.answers), count))
    member[np.arange(len(mixture.answers)), mixture.answers] = 1.0
    shares = density @ member
    shares /= shares.sum(axis=1, keepdims=True)
    prior = mixture.weights @ member
    over = y > mixture.most
    if over.any():
        # a value that is not shown tells no more than that it is above
        beyond = float(weight[over].sum())
        among = np.bincount(np.repeat(mixture.answers, NODES)[order][over], weight[over], count)
        y = np.append(y[~over], mixture.most)
        weight = np.append(weight[~over], beyond)
        shares = np.vstack([shares[~over], among / beyond])
    bits = float(entropy(prior) - weight @ entropy(shares))
    return Outlook(max(bits, 0.0), y, weight, shares, bool(over.any()))


def student_nodes(freedom: float, count: int) -> Array:
    """Values of a Student variable at the middles of equally probable cells.

    The expansion of its quantiles in those of the normal law, Abramowitz and Stegun 26.7.5.
    """
    nodes = []
    for k in range(count):
        x = NormalDist().inv_cdf((k + 0.5) / count)
        g1 = (x**3 + x) / 4.0
        g2 = (5.0 * x**5 + 16.0 * x**3 + 3.0 * x) / 96.0
        g3 = (3.0 * x**7 + 19.0 * x**5 + 17.0 * x**3 - 15.0 * x) / 384.0
        nodes.append(x + g1 / freedom + g2 / freedom**2 + g3 / freedom**3)
    return np.array(nodes)


@dataclass(frozen=True)
class Stretch:
    """A range of values that speaks for the same answers.

    Attributes
    ----------
    low, high : float
        Compared scale; infinite where it is open.
    answers : tuple of int
        The leading one first, then those not much less probable.
    probability : float
        Of all of these together, given a value in the range.
    chance : float
        That the reading falls there.
    """

    low: float
    high: float
    answers: tuple[int, ...]
    probability: float
    chance: float


_SLIGHT = 0.03
"""A range of values less probable than this is joined with a neighbour (judgement)."""
_ALIKE = 0.4
"""Answers at least this probable, relative to the leading one, are named beside it (judgement)."""


def stretches(seen: Outlook, most: int = 4, named: int = 3) -> tuple[Stretch, ...]:
    """Where the leading answer changes along the values of a reading.

    Parameters
    ----------
    most : int
        Ranges; the least probable ones are joined with a neighbour.
    named : int
        Answers named for a range.

    Returns
    -------
    tuple of Stretch
        By rising value; they cover everything.
    """
    leaders = np.argmax(seen.posterior, axis=1)
    cuts = [0, *(np.flatnonzero(np.diff(leaders)) + 1).tolist(), len(leaders)]
    while len(cuts) > 2:
        chance = [float(seen.weights[a:b].sum()) for a, b in pairwise(cuts)]
        least = int(np.argmin(chance))
        if chance[least] >= _SLIGHT and len(chance) <= most:
            break
        cuts = _joined(cuts, seen, least)
    parts: list[Stretch] = []
    for a, b in pairwise(cuts):
        low, high = _edge(seen, a), _edge(seen, b)
        mean, chance_here = _mean(seen, a, b)
        names = _leading(mean, named)
        parts.append(Stretch(low, high, names, float(mean[list(names)].sum()), chance_here))
    return tuple(parts)


def _edge(seen: Outlook, k: int) -> float:
    """Where the values before a place end, halfway to it; open at both ends of all."""
    if k == 0:
        return -math.inf
    if k == len(seen.values):
        return math.inf
    if seen.over and k == len(seen.values) - 1:
        return float(seen.values[k])
    return float(seen.values[k - 1] + seen.values[k]) / 2.0


def _joined(cuts: Sequence[int], seen: Outlook, least: int) -> list[int]:
    """Cuts without the least probable range: halved between its neighbours, or to the only one.

    What hardly ever falls there speaks for neither, and the border that a person is told should
    not hug one of them.
    """
    own, _ = _mean(seen, cuts[least], cuts[least + 1])
    sides = [k for k in (least - 1, least + 1) if 0 <= k < len(cuts) - 1]
    around = [int(np.argmax(_mean(seen, cuts[k], cuts[k + 1])[0])) for k in sides]
    if len(set(around)) == 2:
        first, last = seen.values[cuts[least]], seen.values[cuts[least + 1] - 1]
        middle = int(np.searchsorted(seen.values, (first + last) / 2.0))
        return [*cuts[:least], max(middle, cuts[least - 1] + 1), *cuts[least + 2 :]]
    alike = [float(own[np.argmax(_mean(seen, cuts[k], cuts[k + 1])[0])]) for k in sides]
    other = sides[int(np.argmax(alike))]
    gone = cuts[max(least, other)]
    left = [c for c in cuts if c != gone]
    # neighbours that now have the same leader are one range
    kept = [left[0]]
    for a, b, c in zip(left[:-2], left[1:-1], left[2:], strict=True):
        if np.argmax(_mean(seen, a, b)[0]) != np.argmax(_mean(seen, b, c)[0]):
            kept.append(b)
    return [*kept, left[-1]]


def _mean(seen: Outlook, a: int, b: int) -> tuple[Array, float]:
    weight = seen.weights[a:b]
    chance = float(weight.sum())
    return np.asarray(weight @ seen.posterior[a:b] / chance), chance


def _leading(shares: Array, most: int) -> tuple[int, ...]:
    order = np.argsort(-shares, kind="stable")[:most]
    return tuple(int(k) for k in order if shares[k] >= _ALIKE * shares[order[0]])
