"""How probable a set of readings is, given what a hypothesis predicts.

p(y | h, s) is a multivariate Student density around the simulated readings μ(h, s): its scale is
the sum of the spread of good parts, the uncertainty of the bench and the error of the stage model
(correlated along frequency, after Kennedy and O'Hagan 2001). Any one reading may be misread, so
that a slip of the pen does not decide a case; tails that forgave all readings at once would forgive
a fault that stands in no library as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from circuits.reading import Reading
from diagnose.inference import model_error
from diagnose.inference.phasors import Phases
from faultlib.signature import differences
from faultlib.tolerance import covariance

Array = NDArray[np.float64]

_SIGNS = {"<": 1.0, ">": -1.0, "": 0.0}
"""On which side of its value a bound leaves the reading: 1 below, -1 above, 0 for a plain one."""


@dataclass(frozen=True)
class Observed:
    """What was measured, ready to be compared.

    Attributes
    ----------
    values : (m,) array
        On the compared scale.
    bench : (m,) array
        Standard uncertainty of the bench, compared scale.
    bounds : tuple of str
        ``<`` or ``>`` where only a bound is known, else empty; see `diagnose.inference.censored`.
    channels : tuple of int
        Which channel each reading was taken of; empty where there is one.
    common : float
        How much wider the model's error is thought that both channels share, for readings taken
        of both: where the good channel tells it, a stage file may be farther off than one dares
        to assume without.
    slips : (m,) array or None
        How far each reading may slip at most where it is misread, compared scale; None for as far
        as what a hypothesis leaves open about it suggests.
    phases : Phases or None
        What unknown phases do to levels that are sums; None where they are known.
    eased : (m,) array or None
        Of its distance, what counts where a reading lies above what is predicted
        (`diagnose.inference.other_loads`); None where nothing eases any.
    wide : float
        How many times farther off than usual the model is thought to be (`diagnose.inference.
        design`).
    """

    readings: tuple[Reading, ...]
    values: Array
    bench: Array
    bounds: tuple[str, ...]
    channels: tuple[int, ...] = ()
    common: float = 1.0
    eased: Array | None = None
    slips: Array | None = None
    phases: Phases | None = None
    wide: float = 1.0

    @cached_property
    def signs(self) -> Array:
        """For every reading 1 where it is below its value, -1 where above, 0 where plain, (m,)."""
        return np.array([_SIGNS[bound] for bound in self.bounds])

    def residuals(self, predicted: Array) -> Array:
        """Measured, or the limit of a bound, less predicted; eased where more may be drawn.

        Of a sum of phasors as `Phases.warped` has it.

        Parameters
        ----------
        predicted : (..., m) array
            Readings on the compared scale.
        """
        apart = np.asarray(-differences(predicted, self.values, self.readings))
        if self.eased is not None:
            apart = np.where(apart > 0.0, apart * self.eased, apart)
        return apart if self.phases is None else self.phases.warped(apart)

    def departures(self, predicted: Array) -> Array:
        """`residuals`, but nothing where what is predicted keeps a bound: to be shown to people.

        Parameters
        ----------
        predicted : (..., m) array
        """
        apart, signs = self.residuals(predicted), self.signs
        return np.where(signs * apart > 0.0, 0.0, apart)

    def some(self, which: Sequence[int]) -> Observed:
        """Some of the readings."""
        index = np.array(which, dtype=np.intp)
        return replace(
            self,
            readings=tuple(self.readings[k] for k in which),
            values=self.values[index],
            bench=self.bench[index],
            bounds=tuple(self.bounds[k] for k in which),
            eased=None if self.eased is None else self.eased[index],
            slips=None if self.slips is None else self.slips[index],
            phases=None if self.phases is None else self.phases.some(index),
            channels=tuple(self.channels[k] for k in which) if self.channels else (),
        )


@dataclass(frozen=True)
class Covariance:
    """A covariance with its factor.

    Attributes
    ----------
    factor : (m, m) array
        Lower Cholesky factor.
    log_determinant : float
        Natural logarithm of the covariance's determinant.
    """

    factor: Array
    log_determinant: float

    @staticmethod
    def of(matrix: Array) -> Covariance:
        """Factor a covariance."""
        factor = np.asarray(np.linalg.cholesky(matrix), dtype=np.float64)
        return Covariance(factor, float(2.0 * np.log(np.diag(factor)).sum()))

    @cached_property
    def unfactor(self) -> Array:
        """The inverse of the factor, (m, m)."""
        return np.asarray(np.linalg.inv(self.factor))

    def whiten(self, rows: Array) -> Array:
        """Rows (n, m) in units of this covariance."""
        return np.asarray(rows @ self.unfactor.T)

    def squares(self, rows: Array) -> Array:
        """Squared Mahalanobis length of every row (n, m) → (n,)."""
        return np.asarray((self.whiten(rows) ** 2).sum(axis=1))


def covariance_around(
    observed: Observed,
    level: Array,
    sensitivities: Array | None = None,
    shift: Array | float = 0.0,
    twins: bool = True,
) -> Array:
    """Covariance of readings around what a hypothesis predicts, (m, m).

    The sum of how good parts move them, of the bench and of the stage model's error; nothing else
    in the project adds these up.

    Parameters
    ----------
    observed : Observed
    level : (m,) array
        Predicted values, compared scale.
    sensitivities : (p, m) array, optional
        Of good parts, at the hypothesis' own operating point; without them only the bench and the
        model are counted: what readings can tell of a unit whose parts are known.
    shift : (m,) array, optional
        How far a fault moves them.
    twins : bool
        Whether two channels are taken together: what they share of the model's error, and how much
        wider it is thought to be (`Observed.common`). Without, each reading stands by itself.
    """
    channels, common = (observed.channels, observed.common) if twins else ((), 1.0)
    matrix = np.diag(observed.bench**2)
    if sensitivities is not None:
        matrix = covariance(sensitivities) + matrix
    if observed.phases is not None:
        sigma = observed.phases.sigma
        # both channels have their parts by the same ways
        matrix = matrix + np.outer(sigma, sigma) * model_error.same(observed.readings)
    return np.asarray(matrix + model_error.model_covariance(
        observed.readings, level, channels, shift, common, observed.wide
    ))


def slipping(readings: Sequence[Reading], values: Array, bench: Array) -> Array:
    """`Observed.slips` of readings: by what their instruments and the stage model err, (m,)."""
    about = model_error.tails()
    return np.asarray(about.slip * np.hypot(bench, model_error.own_sigma(readings, values)))


def spread(
    observed: Observed, sensitivities: Array, level: Array, shift: Array | float = 0.0
) -> Covariance:
    """`covariance_around` a hypothesis, with its factor.

    Parameters
    ----------
    sensitivities : (p, m) array
    level : (m,) array
    shift : (m,) array, optional
    """
    return Covariance.of(covariance_around(observed, level, sensitivities, shift))


def log_student(
    squares: Array, log_determinant: float | Array, size: int, freedom: float = 0.0
) -> Array:
    """Logarithm of the multivariate Student density.

    Parameters
    ----------
    squares : (n,) array
        Squared Mahalanobis lengths.
    log_determinant : float or (n,) array
        Of the scale matrix.
    size : int
        Number of readings, m.
    freedom : float
        Degrees of freedom; 0 takes those of ``model_error.yaml``.
    """
    freedom = freedom or model_error.model_errors()[0]
    constant = (
        math.lgamma((freedom + size) / 2.0)
        - math.lgamma(freedom / 2.0)
        - 0.5 * size * math.log(freedom * math.pi)
        - 0.5 * log_determinant
    )
    return np.asarray(constant - 0.5 * (freedom + size) * np.log1p(squares / freedom))


def log_density(white: Array, around: Covariance) -> Array:
    """Logarithm of the density of readings of which one may be misread.

    Parameters
    ----------
    white : (n, m) array
        Residuals in units of `around`.

    Returns
    -------
    (n,) array
    """
    determinants = np.full(len(white), around.log_determinant)
    return forgiving((white**2).sum(axis=1), conditional(white, around), determinants)


def conditional(white: Array, around: Covariance) -> Array:
    """How far each reading lies from what all others let expect, in standard deviations, (n, m)."""
    return np.asarray(white @ around.unfactor / np.sqrt((around.unfactor**2).sum(axis=0)))


def forgiving(
    squares: Array, apart: Array, log_determinants: Array, kick: Array | None = None
) -> Array:
    """`log_density` from what it needs to know.

    Either all readings are as good as their uncertainty says, or any one of them is misread.

    Parameters
    ----------
    squares, log_determinants : (n,) array
        Squared Mahalanobis lengths, and of the scale matrices.
    apart : (n, m) array
        `conditional` distances.
    kick : (n or 1, m) array, optional
        As `one_kicked` takes it; by default that of ``model_error.yaml``.

    Returns
    -------
    (n,) array
    """
    about, size = model_error.tails(), apart.shape[1]
    plain = log_student(squares, log_determinants, size) + math.log1p(-about.misread)
    one = one_kicked(squares, apart, log_determinants, about.slip if kick is None else kick)
    return np.asarray(np.logaddexp(plain, one + math.log(about.misread)))


def one_kicked(
    squares: Array, apart: Array, log_determinants: Array, kick: float | Array
) -> Array:
    """Logarithm of the density where one reading, nobody knows which, strays by itself.

    A Student density whose scale matrix is wider for that reading: a rank-one update, whose
    distance and determinant are known in closed form (matrix determinant lemma and
    Sherman-Morrison).

    Parameters
    ----------
    squares, apart, log_determinants : array
        As `forgiving` takes them.
    kick : float or (n or 1, m) array
        How far it may stray, in standard deviations of what the others leave open about it.
    """
    return mean_of_logs(kicked(squares, apart, log_determinants, kick))


def kicked(squares: Array, apart: Array, log_determinants: Array, kick: float | Array) -> Array:
    """The terms of `one_kicked`, one a reading, (n, m)."""
    power = np.square(kick)
    eased = squares[:, None] - apart**2 * (power / (1.0 + power))
    wider = log_determinants[:, None] + np.log1p(power)
    return log_student(np.maximum(eased, 0.0), wider, apart.shape[1])


def mean_of_logs(logs: Array) -> Array:
    """Logarithm of the mean of exponentials of every row, (n, k) → (n,)."""
    top = logs.max(axis=1)
    return np.asarray(top + np.log(np.exp(logs - top[:, None]).mean(axis=1)))


def log_loose(squares: Array, apart: Array, log_determinants: Array) -> Array:
    """Logarithm of the density of readings of a fault that does roughly what is predicted.

    It does so in all readings, how roughly nobody knows; or as predicted in all but one.

    Parameters
    ----------
    squares, apart, log_determinants : array
        As `forgiving` takes them.

    Returns
    -------
    (n,) array
    """
    about, size = model_error.tails(), apart.shape[1]
    wide = about.loose_scale**2
    wider = log_determinants + size * math.log(wide)
    roughly = log_student(squares / wide, wider, size, about.loose_freedom)
    but_one = one_kicked(squares, apart, log_determinants, about.loose_kick)
    return np.asarray(np.logaddexp(
        roughly + math.log1p(-about.loose_one), but_one + math.log(about.loose_one)
    ))


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
