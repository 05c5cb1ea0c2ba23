"""A live fit of the good parts' deviations for the last few hypotheses.

Tolerances are carried by straight lines: one standard deviation of a part moves a reading by so
much. Where two signals cancel, or a stage is nearly saturated, lines are wrong: the fit then
simulates the very unit that the readings suggest (fault at its best size, good parts moved to
where the readings want them) and draws its lines there. One such step is the iterated
Gauss-Newton of the extended Kalman filter (Bell and Cathey 1993, from memory).

Lines that miss that unit by half of what a reading can tell, in twenty readings at once, still
cost one to two nats of evidence. So the lines of all hypotheses that could matter are first moved
to meet it without being drawn anew, for one simulation each: evidence is the height of the
integrand at its summit times its width (Laplace; MacKay 1992, from memory), the height is
simulated, and the width bends less. All of them, since what a few gain by a better look the others
may gain as well.

Health is fitted however many suspects lead it. Where two rails' hum cancels the drawn unit stands
in a null that no real one is in, and lines about it miss good units by 8 to 9 nats; suspects that
fill the null by themselves have lines of their own and do not. What reads as a good unit does
misses as much, and takes over how health's lines have changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.inference.evidence import Scored, rescored
from diagnose.inference.likelihood import Array, Observed, covariance_around, spread
from diagnose.inference.screen import reach
from diagnose.inference.wanted import (
    Lines,
    at_notch,
    by_lines,
    elsewhere,
    pointed_at,
    unit_of,
)
from faultlib.signature import Signatures, Stepwise, differences, named
from faultlib.simulate import Bench

ROUNDS = 3
"""Times that the lines are drawn anew, at most; more for those that lost by it."""
_CLIMB = 5
"""The same in all."""
_LESS = 1.0
"""Natural logarithms that lines drawn anew may lose and still be the better ones: they are those of
the unit that readings want (judgement)."""
_FEW = 5
"""Hypotheses that are fitted, at most, the leading ones: each costs a simulation of all
sensitivities a round."""
_NATS = 7.0
"""Hypotheses this far behind the best, in natural logarithms, are not fitted: they hold 0.1 % of
its weight. Where symptoms are gross, farther: lines about a dead stage that miss the unit which
they point to say little of how probable it is (`diagnose.inference.screen.reach`)."""
_MANY = 40
"""Hypotheses whose lines are moved, at most."""
_REACH = 20.0
"""Those this far behind are not even moved, in natural logarithms: lines miss health by 9 to 17 at
the notch of a trap within tolerance, so that what is behind by lines need not be behind. Where
symptoms are gross, farther (`diagnose.inference.screen.reach`)."""
_GOOD = 12.0
"""Health this far behind the best is not fitted: beyond the 9 nats that a null costs it."""
_CROOKED = 0.7
"""Lines that miss the simulated unit by this much, in units of what the readings can tell, are
drawn again."""
_OVER = 5.0
"""A step of the fit that loses so much, in natural logarithms, has gone over an edge: it is taken
back."""


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
    everything, health = [*scored, good], len(scored)
    lines, missed = _met(everything, signatures, observed, bench, progress)
    best, far = max(s.score for s in everything), everything[health].score
    near = reach(_NATS, best, far, observed)
    live = [i for i in _leading(everything, _FEW, near) if i in missed]
    close = everything[health].score > max(s.score for s in everything) - _GOOD
    if health in missed and health not in live and close:
        live.append(health)
    met, before = dict(lines), everything[health]
    if close and health in lines:
        start = elsewhere(before, lines[health], signatures, observed, bench)
        if start is not None:
            _drawn(everything, lines, {health: start}, signatures, observed, bench, progress)
            live = [i for i in live if i != health]
            live += _crooked(everything, lines, [health], signatures, observed, bench, progress)
    drawn = {*live, health}
    _climbed(everything, lines, live, signatures, observed, bench, progress)
    if lines.get(health) is not met.get(health):
        gained = everything[health].log_evidence - before.log_evidence
        top = max(s.score for s in everything)
        rest = [i for i in met if i not in drawn and everything[i].score + gained > top - _NATS]
        _followed(everything, lines, met[health], rest, signatures, observed, bench, progress)
    return everything[:-1], everything[-1]


def _climbed(
    everything: list[Scored],
    lines: dict[int, Lines],
    live: list[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    """Draw lines anew until they meet the units that they point to.

    Where steps go to and fro between places, the lines that make readings likeliest stay.
    """
    best: dict[int, tuple[Scored, Lines]] = {}
    for turn in range(_CLIMB):
        if turn >= ROUNDS:
            live = [i for i in live if _lost(everything[i], best[i][0])]
        if not live:
            break
        _again(everything, lines, live, signatures, observed, bench, progress)
        for i in live:
            if i not in best or everything[i].log_evidence > best[i][0].log_evidence:
                best[i] = everything[i], lines[i]
        live = _crooked(everything, lines, live, signatures, observed, bench, progress)
    for i, (scored, own) in best.items():
        if _lost(everything[i], scored):
            everything[i], lines[i] = scored, own


def _lost(scored: Scored, best: Scored) -> bool:
    return scored.log_evidence < best.log_evidence - _LESS


def fitted_from(
    scored: Sequence[Scored],
    starts: Mapping[int, Array],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[Scored]:
    """Hypotheses fitted from units other than the one drawn.

    Parameters
    ----------
    starts : mapping of int to (p,) array
        Of some of the hypotheses, by their places: deviations of good parts where lines are drawn
        first.

    Returns
    -------
    list of Scored
        All hypotheses in their order; those whose unit cannot be simulated as they were.
    """
    everything, lines = list(scored), dict[int, Lines]()
    _drawn(everything, lines, starts, signatures, observed, bench, progress, gentler=True)
    top = max((everything[i].score for i in lines), default=0.0)
    live = [i for i in lines if everything[i].score > top - _NATS]
    live = _crooked(everything, lines, live, signatures, observed, bench, progress)
    for _ in range(ROUNDS):
        if not live:
            break
        before = {i: everything[i] for i in live}
        _again(everything, lines, live, signatures, observed, bench, progress, gentler=True)
        lost = [i for i in live if everything[i].log_evidence < before[i].log_evidence - _OVER]
        for i in lost:
            everything[i] = before[i]
        live = _crooked(everything, lines, [i for i in live if i not in lost], signatures,
                        observed, bench, progress)
    return everything


def _leading(everything: Sequence[Scored], count: int, nats: float) -> list[int]:
    """The likeliest hypotheses that are not too far behind, at most so many."""
    top = max(s.score for s in everything)
    order = sorted(range(len(everything)), key=lambda i: -everything[i].score)
    return [i for i in order[:count] if everything[i].score > top - nats]


def _met(
    everything: list[Scored],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> tuple[dict[int, Lines], set[int]]:
    """Move lines to the units that they point to, and score with them; in place.

    Returns
    -------
    dict, set of int
        The lines of every hypothesis that has lines of its own, and which of them missed.
    """
    none, zero = np.zeros(len(signatures.spreads)), np.zeros(len(observed.readings))
    best, good = max(s.score for s in everything), everything[-1].score
    near = reach(_REACH, best, good, observed)
    live = [i for i in _leading(everything, _MANY, near) if everything[i].exact]
    units = [unit_of(everything[i], none, signatures) for i in live]
    answers = signatures.lines(units, bench, progress)  # as they were scored with
    lines = {
        i: Lines(none, zero, answer[1])
        for i, answer in zip(live, answers, strict=True)
        if answer is not None
    }
    missed: set[int] = set()
    missing = _misses(everything, lines, list(lines), signatures, observed, bench, progress)
    for i, row, apart in missing:
        lines[i] = replace(lines[i], offset=apart)
        own = replace(observed, phases=everything[i].phases)
        if _far(observed, apart, row):
            missed.add(i)
        everything[i] = rescored(everything[i], everything[i].spread, own, apart)
    return lines, missed


def _crooked(
    everything: Sequence[Scored],
    lines: dict[int, Lines],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> list[int]:
    """Hypotheses whose lines miss the unit that they point to."""
    missing = _misses(everything, lines, live, signatures, observed, bench, progress)
    return [i for i, row, apart in missing if _far(observed, apart, row)]


def _misses(
    everything: Sequence[Scored],
    lines: dict[int, Lines],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> Iterator[tuple[int, Array, Array]]:
    """Units that lines point to: their readings (m,), and how far these lie off the lines (m,).

    Those that cannot be simulated are left out.
    """
    pointed = pointed_at(everything, lines, live, signatures, observed, bench, progress)
    for i, (z, row) in pointed.items():
        if not np.isnan(row).any():
            expected = by_lines(everything[i], lines[i], z)
            yield i, row, differences(row, expected, observed.readings)


def _far(observed: Observed, apart: Array, row: Array) -> bool:
    """Whether lines that lie so far off readings `row` miss them."""
    # of a bound only what is beyond it counts
    beyond = observed.departures(row - apart) - observed.departures(row)
    apart = np.where(observed.signs == 0.0, apart, beyond)
    # one reading at a time: what two channels share must not hide that a line is wrong
    noise = np.diag(covariance_around(observed, row, twins=False))
    return float(np.max(np.abs(apart) / np.sqrt(noise))) > _CROOKED


def _again(
    everything: list[Scored],
    lines: dict[int, Lines],
    live: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
    gentler: bool = False,
) -> None:
    """Draw lines at the units that the readings suggest, and score with them; in place."""
    pointed = pointed_at(everything, lines, live, signatures, observed, bench, progress)
    wanted = {i: z for i, (z, _) in pointed.items()}
    _drawn(everything, lines, wanted, signatures, observed, bench, progress, gentler)


def _drawn(
    everything: list[Scored],
    lines: dict[int, Lines],
    wanted: Mapping[int, Array],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
    gentler: bool = False,
) -> None:
    """Draw lines at units of given deviations, and score with them; in place."""
    units = [unit_of(everything[i], z, signatures) for i, z in wanted.items()]
    own_lines = signatures.lines(units, bench, progress, whole=True, gentler=gentler)
    for (i, z), answer in zip(wanted.items(), own_lines, strict=True):
        if answer is None:
            continue
        _through(everything, lines, i, z, *answer, signatures, observed)


def _through(
    everything: list[Scored], lines: dict[int, Lines], i: int, z: Array, row: Array,
    sensitivities: Array, signatures: Signatures, observed: Observed,
) -> None:
    """Score with lines through the readings `row` of the unit of deviations z; in place."""
    here = everything[i].predicted[at_notch(everything[i])]
    shift = differences(row, here, observed.readings)
    offset = shift - z @ sensitivities[: len(z)]
    lines[i] = Lines(z, offset, sensitivities)
    moved = differences(row, signatures.healthy, observed.readings)
    own = replace(observed, phases=everything[i].phases)
    around = spread(own, sensitivities, row, moved)
    everything[i] = rescored(everything[i], around, own, offset)


def _followed(
    everything: list[Scored],
    lines: dict[int, Lines],
    met: Lines,
    which: Sequence[int],
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None,
) -> None:
    """Suspects whose lines bend as health's do take over what became of these; in place.

    A fault that leaves a reading as it is leaves it to good parts as well. One simulation each, of
    the suspect's unit where health's lines were drawn.

    Parameters
    ----------
    met : Lines
        Of health, before they were drawn anew.
    which : sequence of int
        Suspects that may follow; one that moves a reading whose lines bent stays as it is.
    """
    good = lines[len(everything) - 1]
    z = good.deviations
    level = everything[-1].predicted[0] + good.offset + z @ good.sensitivities[: len(z)]
    sigma = np.sqrt(np.diag(covariance_around(observed, level, twins=False)))
    change = good.sensitivities - met.sensitivities
    bent = np.sqrt((change**2).sum(axis=0)) > _CROOKED * sigma
    units = [unit_of(everything[i], z, signatures) for i in which]
    step = named(progress, "suspects with their good parts moved")
    answer = bench.values(signatures.stage, units, observed.readings, step)
    for i, row in zip(which, answer.values, strict=True):
        alike = np.abs(differences(row, level, observed.readings)) <= _CROOKED * sigma
        if not np.isnan(row).any() and bool(alike[bent].all()):
            own = lines[i].sensitivities + np.where(alike, change, 0.0)
            _through(everything, lines, i, z, row, own, signatures, observed)
