"""Integrals over the size of a fault, on a grid that is fine where the likelihood is sharp.

A first-order corner moves 6 dB for an octave of capacitance and is read to a tenth of a dB: the
sizes that explain such readings fill a hundredth of what a grid over the whole range has between
two neighbours. Readings are straight lines between the sizes of a signature, so the closest
approach inside every gap is known, and only the gaps that matter are divided.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from diagnose.inference.censored import log_likelihood, standing
from diagnose.inference.likelihood import Array, Covariance, Observed
from faultlib.mode import Mode

_Number = TypeVar("_Number", np.float64, np.intp)

_STRIDE = 0.5
"""Standard deviations of the readings between two sizes where it matters."""
_NATS = 15.0
"""Natural logarithms below the best density from which on nothing adds to the integral (3e-7 of
it)."""
_MOST = 1024
"""Points put between two sizes, at most: so many are enough for readings that move by 512 standard
deviations from one to the next."""


def refined(
    places: Array, predicted: Array, around: Covariance, observed: Observed
) -> tuple[Array, Array]:
    """A grid of sizes divided where the readings move much between neighbours and may fit.

    Parameters
    ----------
    places : (n, 1) array
        Rising, from 0 to 1.
    predicted : (n, m) array
        Readings at these sizes.

    Returns
    -------
    places : (k, 1) array
        Those given and others between them.
    predicted : (k, m) array
    """
    if len(places) < 2:
        return places, predicted
    white = around.whiten(observed.departures(predicted))
    step = np.diff(white, axis=0)
    stride = (step**2).sum(axis=1)
    nearest = -(white[:-1] * step).sum(axis=1) / np.maximum(stride, 1e-300)
    closest = predicted[:-1] + np.clip(nearest, 0.0, 1.0)[:, None] * np.diff(predicted, axis=0)
    logs = log_likelihood(standing(observed, closest, around))
    if any(observed.bounds):  # where bounds hold is not where the readings come closest
        ends = log_likelihood(standing(observed, predicted, around))
        logs = np.maximum(logs, np.maximum(ends[:-1], ends[1:]))
    parts = np.clip(np.ceil(np.sqrt(stride) / _STRIDE), 1, _MOST).astype(int)
    parts[logs < logs.max() - _NATS] = 1
    known = places[:, 0]
    pieces = [np.linspace(a, b, count, endpoint=False)
              for a, b, count in zip(known[:-1], known[1:], parts, strict=True)]
    nodes = np.append(np.concatenate(pieces), known[-1])
    columns = [np.interp(nodes, known, column) for column in predicted.T]
    return nodes[:, None], np.array(columns).T


def cells(places: Array, modes: Sequence[Mode] = ()) -> Array:
    """The share of all faults that each point of a grid stands for.

    Parameters
    ----------
    places : (n, k) array
        Rising along one fault's size; of two faults an even grid.
    modes : sequence of k Mode
        How often their sizes are met; without them all places are equally likely.

    Returns
    -------
    (n,) array
        Adds up to 1.
    """
    count = len(places)
    if count < 2:
        return np.full(count, 1.0 / count)
    if places.shape[1] > 1:
        density = np.ones(count)
        for mode, column in zip(modes, places.T, strict=False):
            density *= mode.density(column)
        return np.asarray(density / density.sum())
    edges = _edges(places[:, 0])
    below = modes[0].share_below(edges) if modes else edges
    return np.asarray(np.diff(below) / (below[-1] - below[0]))


def quantiles(places: Array, weights: Array, shares: tuple[float, ...]) -> Array:
    """Places below which given shares of the posterior lie.

    Parameters
    ----------
    places, weights : (n,) array
        In any order; equal places count together.
    shares : tuple of float
        Parts of the posterior's mass, 0 to 1.
    """
    known = distinct(places)
    which = np.searchsorted(known, places)
    if len(known) < 2:
        return np.full(len(shares), float(known[0]))
    held = np.append(0.0, np.cumsum(np.bincount(which, weights)))
    return np.interp(shares, held / held[-1], _edges(known))


def distinct(values: NDArray[_Number]) -> NDArray[_Number]:
    """Different values, rising; numpy's own imports its masked arrays, which takes 15 ms."""
    ordered = np.sort(values)
    return ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered


def _edges(places: Array) -> Array:
    """Limits of the cells around rising places: halfway between them, and the ends."""
    middle = (places[:-1] + places[1:]) / 2.0
    return np.concatenate([places[:1], middle, places[-1:]])
