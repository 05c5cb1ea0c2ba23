"""The density of readings written out term by term with scipy, to hold the ranking's against.

A sheet is either read well, or one of its readings, each as likely as the next, is misread: then
the scale matrix is wider for that one by (slip · σ)², σ its deviation given all others.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from diagnose.inference import leak, model_error
from diagnose.inference.model_error import model_errors
from tests.diagnose.fake_bench import Array


def terms(matrix: Array) -> list[tuple[float, Array]]:
    """Weights and scale matrices of the mixture."""
    size, about = len(matrix), model_error.tails()
    left = 1.0 / np.diag(np.linalg.inv(matrix))
    found = [(1.0 - about.misread, matrix)]
    for k in range(size):
        wider = matrix.copy()
        wider[k, k] += about.slip**2 * left[k]
        found.append((about.misread / size, wider))
    return found


def log_density(rows: Array, matrix: Array) -> Array:
    """Logarithm of the density of rows (n, m) around zero, (n,)."""
    freedom, _ = model_errors()
    zero = np.zeros(len(matrix))
    logs = [
        np.log(weight) + np.atleast_1d(stats.multivariate_t.logpdf(rows, zero, wide, df=freedom))
        for weight, wide in terms(matrix)
    ]
    return np.asarray(logsumexp(logs, axis=0))


def draws(matrix: Array, count: int, random: np.random.Generator) -> Array:
    """Readings drawn from that density, (n, m)."""
    freedom, _ = model_errors()
    mixture = terms(matrix)
    which = random.choice(len(mixture), size=count, p=[weight for weight, _ in mixture])
    zero = np.zeros(len(matrix))
    return np.array([
        stats.multivariate_t.rvs(zero, mixture[k][1], df=freedom, random_state=random)
        for k in which
    ])


def known_surely(monkeypatch: pytest.MonkeyPatch, misread: bool = True) -> None:
    """Take away that what a fault does is modelled less surely, and, unless kept, slips.

    What is left is one scale matrix for all sizes of a fault, which answers on paper hold for.
    """
    about = replace(model_error.tails(), shifted=0.0)
    if not misread:
        about = replace(about, misread=1e-300)
    monkeypatch.setattr(model_error, "tails", lambda: about)
    monkeypatch.setattr(leak, "_DEAD", math.inf)
