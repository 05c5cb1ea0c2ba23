"""The probability that several correlated normal variables stay below their limits at once.

Variables are taken one by one, the one with the tightest limit first; those that are left get the
mean and the variance that they have where the taken one is below its limit, and are thought normal
again (Mendell and Elston 1974, from memory). One variable is exact, several as near as the tests
of this file state: far nearer than anybody knows the covariance. Written out for numpy, since
scipy takes longer to import than a warm ranking takes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SURE = 8.0
"""Standard deviations above which a limit holds: what is missing to 1 is lost in a double."""
_FAR = -30.0
"""Below, the asymptotic series is as good as a double; above, erfc does not underflow."""
_LOG_ROOT = 0.5 * math.log(2.0 * math.pi)
"""Logarithm of √(2π), of the normal density."""
_erfc = np.frompyfunc(math.erfc, 1, 1)


def log_below(z: Array) -> Array:
    """Logarithm of the standard normal distribution function, any shape."""
    logs = np.zeros(z.shape)
    far = z < _FAR
    square = z[far] ** 2
    series = 1.0 - (1.0 - (3.0 - 15.0 / square) / square) / square
    logs[far] = -0.5 * square - np.log(-z[far]) - _LOG_ROOT + np.log(series)
    near = ~far & (z < SURE)
    beyond = 0.5 * np.asarray(_erfc(np.abs(z[near]) / math.sqrt(2.0)), dtype=np.float64)
    logs[near] = np.where(z[near] < 0.0, np.log(beyond), np.log1p(-beyond))
    return logs


def as_normal(t: Array, freedom: float) -> Array:
    """Normal deviates as probable as those of a Student distribution (Hill 1970, from memory).

    Parameters
    ----------
    t : array
        Any shape.
    freedom : float
        Degrees of freedom.
    """
    a = freedom - 0.5
    b = 48.0 * a**2
    w = np.sqrt(a * np.log1p(t**2 / freedom))
    square = w**2
    bent = w * (1.0 + (square + 3.0) / b)
    bent -= w * (((4.0 * square + 33.0) * square + 240.0) * square + 855.0) / (
        10.0 * b * (b + 0.8 * square**2 + 100.0)
    )
    return np.asarray(np.copysign(bent, t))


def log_orthant(limits: Array, alike: Array) -> Array:
    """Logarithm of the probability that all variables are below their limits.

    Parameters
    ----------
    limits : (n, b) array
        In standard deviations of each variable from its mean.
    alike : (n, b, b) array
        Correlations; one matrix for all rows may be broadcast.

    Returns
    -------
    (n,) array
    """
    count = len(limits)
    if float(limits.min(initial=np.inf)) > SURE + 1.0:
        return np.zeros(count)
    order = np.argsort(limits, axis=1, kind="stable")
    z = np.take_along_axis(limits, order, axis=1)
    # what holds in every row is left out, however far a limit that does not hold pulls it: it
    # neither costs probability nor moves the others
    pulled = np.maximum(-z[:, :1], 0.0) + 1.0
    size = int((z < SURE + pulled).any(axis=0).sum())
    logs = np.zeros(count)
    if not size:
        return logs
    order, z = order[:, :size], z[:, :size].copy()
    rows = np.arange(count)[:, None, None]
    left = np.broadcast_to(alike, (count, *alike.shape[1:]))[
        rows, order[:, :, None], order[:, None, :]
    ]
    for i in range(size):
        sigma = np.sqrt(np.maximum(left[:, i, i], 1e-12))
        here = z[:, i] / sigma
        chance = log_below(here)
        logs += chance
        if i + 1 == size:
            break
        rate = np.exp(-0.5 * here**2 - _LOG_ROOT - chance)
        pull = left[:, i, i + 1 :] / sigma[:, None]
        z[:, i + 1 :] += pull * rate[:, None]
        lost = np.clip(rate * (rate + here), 0.0, 1.0)
        left[:, i + 1 :, i + 1 :] -= lost[:, None, None] * pull[:, :, None] * pull[:, None, :]
    return logs
