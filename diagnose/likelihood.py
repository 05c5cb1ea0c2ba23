"""How probable a set of readings is, given what a hypothesis predicts.

p(y | h, s) is a multivariate Student density around the simulated readings μ(h, s): its scale is
the sum of the spread of good parts, the uncertainty of the bench and the error of the stage model
(correlated along frequency, after Kennedy and O'Hagan 2001). Its tails let one misread value not
decide a case.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import yaml
from numpy.typing import NDArray

from circuits.reading import Reading
from faultlib.signature import differences
from faultlib.tolerance import covariance

Array = NDArray[np.float64]


_SHARED = 0.95
"""Correlation of the model's error between two channels of one unit (judgement): both are built
to the same drawing, but no two layouts and device batches are quite alike."""


@dataclass(frozen=True)
class ModelError:
    """Error of the stage model for one quantity; see ``model_error.yaml``."""

    sigma: float
    relative: float = 0.0
    decades: float = 0.0


@dataclass(frozen=True)
class Observed:
    """What was measured, ready to be compared.

    Attributes
    ----------
    readings : tuple of Reading
    values : (m,) array
        On the compared scale.
    bench : (m,) array
        Standard uncertainty of the bench, compared scale.
    bounds : tuple of str
        ``<`` or ``>`` where only a bound is known, else empty.
    channels : tuple of int
        Which channel each reading was taken of; empty where there is one.
    """

    readings: tuple[Reading, ...]
    values: Array
    bench: Array
    bounds: tuple[str, ...]
    channels: tuple[int, ...] = ()

    def residuals(self, predicted: Array) -> Array:
        """Measured less predicted; nothing where a bound holds.

        Parameters
        ----------
        predicted : (..., m) array
        """
        apart = -differences(predicted, self.values, self.readings)
        for k, bound in enumerate(self.bounds):
            if bound == "<":
                apart[..., k] = np.minimum(apart[..., k], 0.0)
            elif bound == ">":
                apart[..., k] = np.maximum(apart[..., k], 0.0)
        return apart


@cache
def model_errors() -> tuple[float, dict[str, ModelError]]:
    """Degrees of freedom of the Student density, and the model error of every quantity."""
    path = Path(__file__).with_name("model_error.yaml")
    raw = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    return float(raw["degrees of freedom"]), {
        name: ModelError(**entry) for name, entry in raw["quantities"].items()
    }


def model_covariance(
    readings: Sequence[Reading], level: Array, channels: Sequence[int] = ()
) -> Array:
    """Covariance of the error of the stage model.

    Parameters
    ----------
    readings : sequence of m Reading
    level : (m,) array
        The values themselves, for the errors that grow with them.
    channels : sequence of m int, optional
        Of which channel each reading is; two channels of one unit share the model's error.

    Returns
    -------
    (m, m) array
    """
    _, errors = model_errors()
    entries = [errors[r.quantity] for r in readings]
    sigma = np.array(
        [math.hypot(e.sigma, e.relative * x) for e, x in zip(entries, level, strict=True)]
    )
    alike = np.eye(len(readings))
    for i, a in enumerate(readings):
        for j in range(i):
            b = readings[j]
            length = entries[i].decades
            if a == b:
                shared = 1.0
            elif _follow(a, b) and length and a.frequency and b.frequency:
                shared = math.exp(-abs(math.log10(a.frequency / b.frequency)) / length)
            else:
                continue
            other = bool(channels) and channels[i] != channels[j]
            alike[i, j] = alike[j, i] = shared * (_SHARED if other else 1.0)
    return np.asarray(alike * np.outer(sigma, sigma))


def _follow(a: Reading, b: Reading) -> bool:
    """Whether two readings are of one curve: a quantity between the same two points."""
    return (a.quantity, a.at, a.origin) == (b.quantity, b.at, b.origin)


@dataclass(frozen=True)
class Spread:
    """A covariance with its factor.

    Attributes
    ----------
    factor : (m, m) array
        Lower Cholesky factor.
    log_determinant : float
    """

    factor: Array
    log_determinant: float

    @staticmethod
    def of(matrix: Array) -> Spread:
        """Factor a covariance."""
        factor = np.asarray(np.linalg.cholesky(matrix), dtype=np.float64)
        return Spread(factor, float(2.0 * np.log(np.diag(factor)).sum()))

    def whiten(self, rows: Array) -> Array:
        """Rows (n, m) in units of this covariance."""
        return np.asarray(np.linalg.solve(self.factor, rows.T).T)

    def squares(self, rows: Array) -> Array:
        """Squared Mahalanobis length of every row (n, m) → (n,)."""
        return np.asarray((self.whiten(rows) ** 2).sum(axis=1))


def spread(observed: Observed, sensitivities: Array, level: Array) -> Spread:
    """The spread of readings around what a hypothesis predicts.

    Parameters
    ----------
    observed : Observed
    sensitivities : (p, m) array
        Of good parts, at the hypothesis' own operating point.
    level : (m,) array
        Predicted values.
    """
    matrix = (
        covariance(sensitivities)
        + np.diag(observed.bench**2)
        + model_covariance(observed.readings, level, observed.channels)
    )
    return Spread.of(matrix)


def log_student(squares: Array, log_determinant: float, size: int) -> Array:
    """Logarithm of the multivariate Student density.

    Parameters
    ----------
    squares : (n,) array
        Squared Mahalanobis lengths.
    log_determinant : float
        Of the scale matrix.
    size : int
        Number of readings, m.
    """
    freedom, _ = model_errors()
    constant = (
        math.lgamma((freedom + size) / 2.0)
        - math.lgamma(freedom / 2.0)
        - 0.5 * size * math.log(freedom * math.pi)
        - 0.5 * log_determinant
    )
    return np.asarray(constant - 0.5 * (freedom + size) * np.log1p(squares / freedom))


def tail(square: float, size: int) -> float:
    """Chance that readings of a unit that the hypothesis describes lie farther away.

    The squared distance of normally spread readings follows χ² with m degrees of freedom. The
    heavier tails of the likelihood are kept out on purpose: they forgive a misread value when
    hypotheses are weighed, and would forgive a second fault here.

    Parameters
    ----------
    square : float
        Squared Mahalanobis length, d².
    size : int
        Number of readings, m.
    """
    half = square / 2.0
    whole = size % 2 == 0
    shape = 1.0 if whole else 0.5
    chance = math.exp(-half) if whole else math.erfc(math.sqrt(half))
    # Q(a + 1, x) = Q(a, x) + xᵃ e⁻ˣ / Γ(a + 1), up to a = m/2 (Abramowitz and Stegun 6.5.23);
    # scipy's gammaincc does the same and takes longer to import than a warm ranking takes
    while shape < size / 2.0 - 0.25:
        if half > 0.0:
            chance += math.exp(shape * math.log(half) - half - math.lgamma(shape + 1.0))
        shape += 1.0
    return min(chance, 1.0)
