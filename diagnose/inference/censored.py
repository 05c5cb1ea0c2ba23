"""Readings of which some are only bounds: a density for the plain ones times a probability.

``< x`` says that the meter saw nothing above x. What it would have read is not known; given the
plain readings it has a Student density of its own, correlated with that of other bounds, and what
counts is the probability that all bounds hold (Tobin 1958 calls such data censored). A bound that
holds for sure therefore says nothing, and one far out of reach speaks as a value does, up to the
chance that it was misread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from diagnose.inference import model_error
from diagnose.inference.likelihood import (
    Array,
    Covariance,
    Observed,
    conditional,
    forgiving,
    kicked,
    log_loose,
    log_student,
    mean_of_logs,
)
from diagnose.inference.orthant import as_normal, log_below, log_orthant

_NEVER = 1e-12
"""A bound that is broken with less than this chance is none that may be misread."""


@dataclass(frozen=True)
class Standing:
    """How n rows of readings, p of them plain and b bounds, stand to what is predicted.

    Attributes
    ----------
    squares : (n,) array
        Squared Mahalanobis length of the plain readings.
    apart : (n, p) array
        How far each plain reading lies from what the other plain ones let expect, in standard
        deviations.
    log_determinants : (n,) array
        Of the covariance of the plain readings, of levels as they are where these are warped.
    room : (n, b) array
        How far every bound lies beyond what the plain readings let expect; negative where it does
        not hold.
    left : (n or 1, b, b) array
        Covariance that the plain readings leave to what the bounds are of.
    pulls : (n or 1, b, p) array
        How far one standard deviation of `apart` moves what is expected of a bound.
    slips : (n or 1, p) array or None
        How far each plain reading strays where it is misread, in standard deviations as `apart`;
        None for the same in all.
    """

    squares: Array
    apart: Array
    log_determinants: Array
    room: Array
    left: Array
    pulls: Array
    slips: Array | None = None

    @property
    def bounded(self) -> bool:
        """Whether there are bounds."""
        return bool(self.room.shape[1])

    @property
    def reach(self) -> Array:
        """`room` in standard deviations of each bound, (n, b)."""
        return np.asarray(self.room / np.sqrt(_variances(self.left)))

    @cached_property
    def held(self) -> Array:
        """`log_held` by the density's own freedom, (n,)."""
        return log_held(self)

    @cached_property
    def deviates(self) -> Array:
        """`reach` as normal deviates of the same chance by that freedom, (n, b)."""
        return _deviates(self)


def standing(observed: Observed, predicted: Array, around: Covariance) -> Standing:
    """How readings stand to predictions that have one spread.

    Parameters
    ----------
    predicted : (n, m) array
    """
    rows = observed.residuals(predicted)
    if not any(observed.bounds):
        return _plain(observed, rows, around)
    return standings(observed, rows, (around.factor @ around.factor.T)[None])


def _plain(observed: Observed, rows: Array, around: Covariance) -> Standing:
    white = around.whiten(rows)
    determinants = np.full(len(white), around.log_determinant)
    if observed.phases is not None:
        determinants -= 2.0 * observed.phases.log_slopes(rows).sum(axis=1)
    own = np.sqrt((around.unfactor**2).sum(axis=0))
    return _without(
        (white**2).sum(axis=1), conditional(white, around), determinants,
        _slips(observed.slips, own[None]),
    )


def _slips(most: Array | None, own: Array) -> Array | None:
    """Slips in standard deviations; `own` is one over what the others leave open, (n or 1, p)."""
    return None if most is None else np.minimum(model_error.tails().slip, most * own)


def _without(
    squares: Array, apart: Array, determinants: Array, slips: Array | None
) -> Standing:
    """Where there are no bounds."""
    none = np.zeros((1, 0, apart.shape[1]))
    return Standing(squares, apart, determinants, np.zeros((len(squares), 0)),
                    np.zeros((1, 0, 0)), none, slips)


def standings(observed: Observed, rows: Array, matrices: Array) -> Standing:
    """How residuals stand in covariances of their own.

    Parameters
    ----------
    rows : (n, m) array
        `Observed.residuals`.
    matrices : (n or 1, m, m) array
    """
    signs = observed.signs
    plain, bound = np.flatnonzero(signs == 0.0), np.flatnonzero(signs)
    factors = np.linalg.cholesky(matrices[:, plain[:, None], plain])
    undone = np.linalg.inv(factors)
    white = (undone @ rows[:, plain, None])[..., 0]
    determinants = 2.0 * np.log(np.diagonal(factors, axis1=1, axis2=2)).sum(axis=1)
    own = np.sqrt((undone**2).sum(axis=1))
    apart = (undone.swapaxes(1, 2) @ white[..., None])[..., 0] / own
    squares = (white**2).sum(axis=1)
    determinants = np.broadcast_to(determinants, squares.shape)
    if observed.phases is not None:
        determinants = determinants - 2.0 * observed.phases.log_slopes(rows)[:, plain].sum(axis=1)
    slips = _slips(None if observed.slips is None else observed.slips[plain], own)
    if not len(bound):
        return _without(squares, apart, determinants, slips)
    side = signs[bound]
    ways = side[:, None] * (matrices[:, bound[:, None], plain] @ undone.swapaxes(1, 2))
    left = np.outer(side, side) * matrices[:, bound[:, None], bound] - ways @ ways.swapaxes(1, 2)
    room = side * rows[:, bound] - (ways @ white[..., None])[..., 0]
    pulls = (ways @ undone) / own[:, None, :]
    return Standing(squares, apart, determinants, room, left, pulls, slips)


def log_held(at: Standing, freedom: float = 0.0, wide: float = 1.0) -> Array:
    """Logarithm of the probability that all bounds hold, given the plain readings.

    What readings of a Student density leave open of others is a Student density again, of more
    freedom, and wider where they lie far out (Kotz and Nadarajah 2004, 1.11; from memory).

    Parameters
    ----------
    freedom : float
        Degrees of freedom; 0 takes those of ``model_error.yaml``.
    wide : float
        How much wider than `at` says all readings stray.

    Returns
    -------
    (n,) array
    """
    if not at.bounded:
        return np.zeros(len(at.squares))
    return log_orthant(_deviates(at, freedom, wide), _correlation(at.left))


def _deviates(at: Standing, freedom: float = 0.0, wide: float = 1.0) -> Array:
    """`Standing.reach` as normal deviates of the same chance."""
    freedom = freedom or model_error.model_errors()[0]
    size = at.apart.shape[1]
    scale = wide**2 * (freedom + at.squares / wide**2) / (freedom + size)
    return as_normal(at.reach / np.sqrt(scale)[:, None], freedom + size)


def log_likelihood(at: Standing) -> Array:
    """Logarithm of the density of readings of which one, plain or a bound, may be misread, (n,)."""
    if not at.bounded:
        return forgiving(at.squares, at.apart, at.log_determinants, at.slips)
    about = model_error.tails()
    plain = log_kept(at) + math.log1p(-about.misread)
    one = log_astray(at, about.slip, at.slips) + math.log(about.misread)
    return np.asarray(np.logaddexp(plain, one))


def log_kept(at: Standing) -> Array:
    """Logarithm of the density where no reading is misread, (n,)."""
    density = log_student(at.squares, at.log_determinants, at.apart.shape[1])
    return np.asarray(density + at.held)


def log_roughly(at: Standing) -> Array:
    """Logarithm of the density of readings of a fault that does roughly what is predicted, (n,)."""
    if not at.bounded:
        return log_loose(at.squares, at.apart, at.log_determinants)
    about, size = model_error.tails(), at.apart.shape[1]
    wide = about.loose_scale
    wider = at.log_determinants + 2.0 * size * math.log(wide)
    roughly = log_student(at.squares / wide**2, wider, size, about.loose_freedom)
    roughly = roughly + log_held(at, about.loose_freedom, wide)
    but_one = log_astray(at, about.loose_kick)
    return np.asarray(np.logaddexp(
        roughly + math.log1p(-about.loose_one), but_one + math.log(about.loose_one)
    ))


def log_astray(at: Standing, kick: float, plain: Array | None = None) -> Array:
    """Logarithm of the density where one reading, nobody knows which, strays by itself.

    Of the bounds the one that is farthest from holding may be the one. It counts beside the plain
    readings as far as it does not hold: of one that holds anyway nobody knows whether it strayed.

    Parameters
    ----------
    kick : float
        How far it may stray, in standard deviations of what the others leave open about it.
    plain : (n or 1, p) array, optional
        The same of each plain reading.

    Returns
    -------
    (n,) array
    """
    size = at.apart.shape[1]
    kicks = np.broadcast_to(kick if plain is None else plain, at.apart.shape)
    logs = kicked(at.squares, at.apart, at.log_determinants, kicks)
    if not at.bounded:
        return mean_of_logs(logs)
    if size:
        logs = logs + at.held[:, None]
        # a stray reading no longer tells of the bounds; the farthest off is the one that matters
        every = np.arange(len(logs))
        far = np.abs(at.apart).argmax(axis=1)
        freed = _freed(at, far, kicks[every, far])
        logs[every, far] += freed.held - at.held
    broken = -np.expm1(log_below(at.deviates.min(axis=1)))
    if size and float(broken.max()) < _NEVER:
        return mean_of_logs(logs)
    bare = log_student(at.squares, at.log_determinants, size)
    loosened = bare + _loosened(at, at.deviates.argmin(axis=1), kick).held
    weight = np.maximum(broken, 1e-300) if size else np.ones(len(broken))
    both = np.column_stack([logs, loosened + np.log(weight)])
    top = both.max(axis=1)
    total = top + np.log(np.exp(both - top[:, None]).sum(axis=1))
    return np.asarray(total - np.log(size + weight))


def _freed(at: Standing, far: Array, kick: Array) -> Standing:
    """Of every row one plain reading is as good as left out, by Sherman-Morrison."""
    every = np.arange(len(far))
    part = kick**2 / (1.0 + kick**2)
    pull = np.broadcast_to(at.pulls, (len(far), *at.pulls.shape[1:]))[every, :, far]
    off = at.apart[every, far]
    return replace(
        at, squares=np.maximum(at.squares - part * off**2, 0.0),
        room=at.room + (part * off)[:, None] * pull,
        left=at.left + part[:, None, None] * pull[:, :, None] * pull[:, None, :],
    )


def _loosened(at: Standing, which: Array, kick: float) -> Standing:
    """Of every row one bound is of a reading that strays."""
    every = np.arange(len(which))
    left = np.broadcast_to(at.left, (len(which), *at.left.shape[1:])).copy()
    left[every, which, which] *= 1.0 + kick**2
    return replace(at, left=left)


def distances(at: Standing) -> tuple[Array, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Squared distance of every row, and how many readings it is of.

    Bounds that more likely hold than not count nothing. Others count as one more reading, whose
    chance of lying farther out is no more than twice that of the bounds.

    Returns
    -------
    squares : (n,) array
        To be held against χ² with as many degrees of freedom (`likelihood.tail`).
    sizes : (n,) array of int
    """
    size = np.full(len(at.squares), at.apart.shape[1], dtype=np.intp)
    if not at.bounded:
        return at.squares, size
    beyond = np.maximum(-2.0 * (at.held + math.log(2.0)), 0.0)
    return at.squares + beyond, size + (beyond > 0.0)


def contradictions(observed: Observed, predicted: Array, around: Covariance) -> Array:
    """How far every reading speaks against what is predicted, in standard deviations, (m,).

    Parameters
    ----------
    predicted : (m,) array
    """
    at = standing(observed, predicted[None, :], around)
    signs = observed.signs
    apart = np.zeros(len(signs))
    apart[signs == 0.0] = at.apart[0]
    apart[signs != 0.0] = np.minimum(at.reach[0], 0.0) if at.bounded else 0.0
    return apart


def supposed(observed: Observed, predicted: Array, around: Covariance) -> Array:
    """Residuals (m,), of a bound what the plain readings suppose, as near as the bound allows.

    Parameters
    ----------
    predicted : (m,) array
    """
    rows = observed.residuals(predicted[None, :])
    row: Array = rows[0].copy()
    if any(observed.bounds):
        at = standings(observed, rows, (around.factor @ around.factor.T)[None])
        bound = np.flatnonzero(observed.signs)
        row[bound] -= observed.signs[bound] * np.maximum(at.room[0], 0.0)
    return row


def _variances(left: Array) -> Array:
    return np.maximum(np.diagonal(left, axis1=1, axis2=2), 1e-300)


def _correlation(left: Array) -> Array:
    sigma = np.sqrt(_variances(left))
    return np.asarray(left / (sigma[:, :, None] * sigma[:, None, :]))
