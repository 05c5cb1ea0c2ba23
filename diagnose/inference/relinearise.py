"""A live fit of the good parts' deviations for the last few hypotheses.

Tolerances are carried by straight lines: one standard deviation of a part moves a reading by so
much. Where two signals cancel, or a stage is nearly saturated, lines are wrong: the fit then
simulates the very unit that the readings suggest (fault at its best size, good parts moved to
where the readings want them) and draws its lines there. One such step is the iterated
Gauss-Newton of the extended Kalman filter (Bell and Cathey 1993, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.inference.censored import supposed
from diagnose.inference.evidence import Scored, fault_at, notch, rescored
from diagnose.inference.likelihood import Array, Observed, covariance_around, spread
from faultlib.signature import Signatures, Stepwise, differences
from faultlib.simulate import Bench, Variant

ROUNDS = 3
"""Times that the lines are drawn anew, at most."""
_FEW = 5
"""Hypotheses that are fitted, at most, the leading ones: each costs a simulation of all
sensitivities a round."""
_NATS = 7.0
"""Hypotheses this far behind the best, in natural logarithms, are not fitted: they hold 0.1 % of
its weight."""
_CROOKED = 0.7
"""Lines that miss the simulated unit by this much, in units of what the readings can tell, are
drawn again."""
_LIMIT = 2.5
"""Standard deviations that the fit may move a good part: no part beyond would be a good one."""


@dataclass(frozen=True)
class _Lines:
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


def fitted(
    scored: Sequence[Scored],
    good: Scored,
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None = None,
) -> tuple[list[Scored], Scored]:
    """The leading hypotheses and health, fitted where straight lines will not do.

    Parameters
    ----------
    good : Scored
        Health.

    Returns
    -------
    list of Scored, Scored
        All hypotheses in their order, and health.
    """
    everything = [*scored, good]
    top = max(s.score for s in everything)
    order = sorted(range(len(everything)), key=lambda i: -everything[i].score)
    live = [i for i in order[:_FEW] if everything[i].score > top - _NATS]
    lines = _first(everything, live, signatures, observed, bench, progress)
    for _ in range(ROUNDS):
        live = _crooked(everything, lines, signatures, observed, bench)
        if not live:
            break
        _again(everything, lines, live, signatures, observed, bench, progress)
    return everything[:-1], everything[-1]


def _unit(scored: Scored, deviations: Array, signatures: Signatures) -> Variant:
    faults = tuple(fault_at(h, notch(scored)) for h in scored.hypotheses)
    moved = tuple(
        (s, float(z)) for s, z in zip(signatures.spreads, deviations, strict=True) if z != 0.0
    )
    return Variant(faults, moved)


def _first(
    everything: Sequence[Scored],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> dict[int, _Lines]:
    """The lines that the hypotheses were scored with; those without lines of their own are left."""
    none = np.zeros(len(signatures.spreads))
    units = [_unit(everything[i], none, signatures) for i in live]
    lines = signatures.lines(units, bench, progress, whole=True)
    zero = np.zeros(len(observed.readings))
    return {
        i: _Lines(none, zero, answer[1])
        for i, answer in zip(live, lines, strict=True)
        if answer is not None
    }


def _wanted(scored: Scored, lines: _Lines, observed: Observed) -> Array:
    """Deviations of the good parts that the readings want, (p,).

    Rounded, so that the last digit of a reading does not make another unit for the store.
    """
    matrix = scored.spread.factor @ scored.spread.factor.T
    predicted = scored.predicted[scored.best] + lines.offset
    residual = supposed(replace(observed, phases=scored.phases), predicted, scored.spread)
    moves = lines.sensitivities[: len(lines.deviations)]
    wanted = moves @ np.linalg.solve(matrix, residual)
    return np.asarray(np.round(np.clip(wanted, -_LIMIT, _LIMIT), 2))


def _crooked(
    everything: Sequence[Scored],
    lines: dict[int, _Lines],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
) -> list[int]:
    """Hypotheses whose lines miss the unit that they point to."""
    live = list(lines)
    wanted = [_wanted(everything[i], lines[i], observed) for i in live]
    units = [_unit(everything[i], z, signatures) for i, z in zip(live, wanted, strict=True)]
    answer = bench.values(signatures.stage, units, observed.readings)
    missed: list[int] = []
    for i, z, row in zip(live, wanted, answer.values, strict=True):
        if np.isnan(row).any():
            continue
        here = everything[i].predicted[_at_notch(everything[i])]
        expected = here + lines[i].offset + z @ lines[i].sensitivities[: len(z)]
        apart = differences(row, expected, observed.readings)
        # of a bound only what is beyond it counts
        beyond = observed.departures(expected) - observed.departures(row)
        apart = np.where(observed.signs == 0.0, apart, beyond)
        # one reading at a time: what two channels share must not hide that a line is wrong
        noise = np.diag(covariance_around(observed, row, twins=False))
        if float(np.max(np.abs(apart) / np.sqrt(noise))) > _CROOKED:
            missed.append(i)
    return missed


def _at_notch(scored: Scored) -> int:
    """The grid size nearest to the notch that is simulated."""
    if not scored.hypotheses:
        return 0
    return int(np.argmin(np.abs(scored.places[:, 0] - notch(scored))))


def _again(
    everything: list[Scored],
    lines: dict[int, _Lines],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    """Draw lines at the units that the readings suggest, and score with them; in place."""
    wanted = [_wanted(everything[i], lines[i], observed) for i in live]
    units = [_unit(everything[i], z, signatures) for i, z in zip(live, wanted, strict=True)]
    own_lines = signatures.lines(units, bench, progress, whole=True)
    for i, z, answer in zip(live, wanted, own_lines, strict=True):
        if answer is None:
            continue
        row, sensitivities = answer
        here = everything[i].predicted[_at_notch(everything[i])]
        shift = differences(row, here, observed.readings)
        offset = shift - z @ sensitivities[: len(z)]
        lines[i] = _Lines(z, offset, sensitivities)
        moved = differences(row, signatures.healthy, observed.readings)
        own = replace(observed, phases=everything[i].phases)
        around = spread(own, sensitivities, row, moved)
        everything[i] = rescored(everything[i], around, own, offset)
