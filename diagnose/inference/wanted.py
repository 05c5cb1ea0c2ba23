"""The unit that readings want: a hypothesis with its good parts moved to where lines point to.

From the wrong side of a null lines point back to it, and find nothing there that they miss.
Readings then contradict each other, and a good unit is looked for where the others point with one
of them left out: several places to begin from, as for any summit that need not be the only one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.inference.censored import contradictions, log_likelihood, standing, supposed
from diagnose.inference.evidence import Scored, fault_at, notch
from diagnose.inference.likelihood import Array, Covariance, Observed, spread
from faultlib.signature import Signatures, Stepwise, differences, named
from faultlib.simulate import Bench, Variant

_AGAINST = 2.0
"""Standard deviations from what all others let expect at which a reading may be left out."""
_TRIED = 4
"""Readings that are left out in turn, at most: each costs a simulation."""
_WORTH = 1.0
"""Natural logarithms by which a unit found so must be the likelier one."""
_LIMIT = 2.5
"""Standard deviations that the fit may move a good part: no part beyond would be a good one."""


_SHORTER = (0.5, 0.25)
"""Parts of a step that are tried where the whole of it leads astray."""
_WORSE = 2.0
"""Natural logarithms by which the unit at the end of a step is less likely than that at its begin,
where it has led astray: a bend that costs less is what lines drawn anew are for (judgement)."""


@dataclass(frozen=True)
class Lines:
    """Straight lines around one unit.

    Attributes
    ----------
    deviations : (p,) array
        Where they are drawn, in standard deviations.
    offset : (m,) array
        Added to what the hypothesis predicts at no deviation, so that the lines meet it.
    sensitivities : (p + q, m) array
        Last, what is carried over from the healthy unit.
    """

    deviations: Array
    offset: Array
    sensitivities: Array


def unit_of(scored: Scored, deviations: Array, signatures: Signatures) -> Variant:
    """The unit of a hypothesis at its best size, with good parts moved by (p,) deviations."""
    faults = tuple(fault_at(h, notch(scored)) for h in scored.hypotheses)
    moved = tuple(
        (s, float(z)) for s, z in zip(signatures.spreads, deviations, strict=True) if z != 0.0
    )
    return Variant(faults, moved)


def wanted_by(
    scored: Scored, lines: Lines, observed: Observed, without: int | None = None
) -> Array:
    """Deviations of the good parts that the readings want, (p,); one reading may be left out.

    Rounded, so that the last digit of a reading does not make another unit for the store.
    """
    matrix = scored.spread.factor @ scored.spread.factor.T
    if without is not None:
        matrix[without, without] *= 1e6
    predicted = scored.predicted[scored.best] + lines.offset
    residual = supposed(replace(observed, phases=scored.phases), predicted, scored.spread)
    moves = lines.sensitivities[: len(lines.deviations)]
    wanted = moves @ np.linalg.solve(matrix, residual)
    return np.asarray(np.round(np.clip(wanted, -_LIMIT, _LIMIT), 2))


def elsewhere(
    scored: Scored, lines: Lines, signatures: Signatures, observed: Observed, bench: Bench
) -> Array | None:
    """Deviations (p,) of a good unit that the readings suit better than where lines point to.

    None where there is none: with straight lines no other unit is likelier than that.
    """
    own = replace(observed, phases=scored.phases)
    predicted = scored.predicted[scored.best] + lines.offset
    apart = np.abs(contradictions(own, predicted, scored.spread))
    against = [int(k) for k in np.argsort(-apart)[:_TRIED] if apart[k] > _AGAINST]
    if not against:
        return None
    wanted = [wanted_by(scored, lines, observed, k) for k in (None, *against)]
    units = [unit_of(scored, z, signatures) for z in wanted]
    rows = bench.values(signatures.stage, units, observed.readings).values
    moves = lines.sensitivities[: len(signatures.spreads)]
    noise = Covariance.of(scored.spread.factor @ scored.spread.factor.T - moves.T @ moves)
    far = [np.inf if np.isnan(row).any()
           else z @ z + noise.squares(supposed(own, row, scored.spread)[None])[0]
           for z, row in zip(wanted, rows, strict=True)]
    best = int(np.argmin(far))
    return wanted[best] if far[best] < far[0] - 2.0 * _WORTH else None


def pointed_at(
    everything: Sequence[Scored],
    lines: Mapping[int, Lines],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> dict[int, tuple[Array, Array]]:
    """Units that lines point to.

    Returns
    -------
    dict of int to ((p,) array, (m,) array)
        By the places of hypotheses: deviations, and readings (NaN without a solution).

    Notes
    -----
    Far from health a whole step may end where readings fit worse than where it began, over an edge
    or past a bend. Then a part of it is taken, whichever fits best (a damped step of Gauss and
    Newton's; Nocedal and Wright 2006, chapter 10, from memory).
    """
    found: dict[int, tuple[Array, Array]] = {}
    fits: dict[int, float] = {}
    begun = {i: wanted_by(everything[i], lines[i], observed) for i in live}
    for share in (1.0, *_SHORTER):
        astray = [i for i in begun if i not in fits or fits[i] < _fit(
            everything[i], lines[i], signatures, observed, lines[i].deviations) - _WORSE]
        steps = {i: np.round(lines[i].deviations + share * (begun[i] - lines[i].deviations), 2)
                 for i in astray}
        units = [unit_of(everything[i], z, signatures) for i, z in steps.items()]
        step = named(progress, "suspects with their good parts moved")
        rows = bench.values(signatures.stage, units, observed.readings, step).values
        for (i, z), row in zip(steps.items(), rows, strict=True):
            fit = _fit(everything[i], lines[i], signatures, observed, z, row)
            if i not in fits or fit > fits[i]:
                found[i], fits[i] = (z, row), fit
    return found


def by_lines(scored: Scored, lines: Lines, z: Array) -> Array:
    """What lines let expect of a unit of deviations z, (m,)."""
    here = scored.predicted[at_notch(scored)]
    found: Array = here + lines.offset + z @ lines.sensitivities[: len(z)]
    return found


def _fit(
    scored: Scored, lines: Lines, signatures: Signatures, observed: Observed, z: Array,
    row: Array | None = None,
) -> float:
    """Log density of the readings and of deviations z, but for a constant of the lines.

    Parameters
    ----------
    row : (m,) array, optional
        What the unit of those deviations reads; without it lines tell.
    """
    shown = by_lines(scored, lines, z) if row is None else row
    if np.isnan(shown).any():
        return -math.inf
    own = replace(observed, phases=scored.phases)
    # what no good part accounts for: the unit at these deviations is known
    around = spread(own, lines.sensitivities[len(z) :], shown,
                    differences(shown, signatures.healthy, observed.readings))
    (density,) = log_likelihood(standing(own, shown[None], around))
    return float(density) - 0.5 * float(z @ z)


def at_notch(scored: Scored) -> int:
    """The grid size nearest to the notch that is simulated."""
    if not scored.hypotheses:
        return 0
    return int(np.argmin(np.abs(scored.places[:, 0] - notch(scored))))
