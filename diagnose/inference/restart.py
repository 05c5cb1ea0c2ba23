"""Faults whose unit as drawn stands at an edge: looked at in good units of other makes.

An open bias diode leaves one output transistor driven by its feed alone. Whether the amplifier can
still hold its output in the middle, or lies at its rail, is decided by which of two transistors
has the more current gain. Drawn alike, they do neither: no straight line about that unit leads to
the one on the bench, and every fault of the library is thought impossible. So where nothing
explains the readings, what is all or nothing is tried in some good units drawn at random, and
fitted from the one that comes nearest. The integral over good units then has one more place where
it is large (several modes, each by Laplace's way; MacKay 1992, from memory): the larger counts.

The same where symptoms are gross and something else explains them by chance. Of an open source of
one output transistor the drawn unit lies at its rail; on the bench it idled without current, which
a trimmer turned far down explains as well, 11 nats worse than the fault from a unit that holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diagnose.inference.evidence import Scored
from diagnose.inference.likelihood import Array, Observed, tail
from diagnose.inference.phasors import phases
from diagnose.inference.relinearise import fitted_from
from diagnose.inference.screen import good_units, screen
from diagnose.inference.wanted import unit_of
from faultlib.signature import Signature, Signatures, Stepwise
from faultlib.simulate import Bench

UNITS = 8
"""Good units that are drawn, in pairs of opposite ones: an edge to either side that one unit in
five has crossed is missed once in eight times."""
HOPELESS = 1e-6
"""Chance of readings farther off below which a hypothesis has nothing to do with these."""
_SEED = 20
"""Of the units drawn, so that an answer is the same whenever it is asked for."""
_MANY = 60
"""Hypotheses that are tried, at most: each costs `UNITS` simulations."""
_FEW = 3
"""Hypotheses that are fitted, at most: each costs a simulation of all sensitivities a round."""
_GROSS = 30.0
"""Health this far behind the best, in natural logarithms, makes symptoms gross (judgement): an open
or a short is then tried even where something explains the readings."""
_NATS = 30.0
"""Hypotheses this far behind the best of them, in natural logarithms, are not fitted: a unit drawn
at random lies some standard deviations from the one on the bench in each of a dozen directions."""
_MORE = 1.0
"""Natural logarithms that a fit must gain to count: less is the same place come upon from another
side, and look-alikes of which only some are fitted would part (judgement)."""
_FAR = 40.0
"""The same behind one that explains the readings, and was fitted to them (judgement: open resistors
of output stages that explain them as well stood 30 and 34 behind at the first look)."""


def restarted(
    scored: Sequence[Scored],
    good: Scored,
    signatures: Signatures,
    observed: Observed,
    bench: Bench,
    progress: Stepwise | None = None,
) -> list[Scored]:
    """Hypotheses in their order, some fitted from other units.

    Where none explains the readings, and where these are gross.

    Parameters
    ----------
    scored : sequence of Scored
        Single faults, fitted from the unit as drawn.
    good : Scored
        Health.
    """
    made = list(scored)
    # under drive, in other states and of a unit of several stages, so many would take minutes
    costly = any(r.driven or r.state for r in observed.readings)
    if costly or signatures.stage.chain is not None:
        return made
    leading = max((*(s for s in made if s.exact), good), key=lambda s: s.score)
    explained = tail(leading.square, leading.size) > HOPELESS
    if explained and good.score > leading.score - _GROSS:
        return made
    alone = [i for i, s in enumerate(made) if s.hypotheses[0].mode.all_or_nothing]
    if not alone:
        return made
    alone = sorted(alone, key=lambda i: -made[i].log_prior - made[i].loose)[:_MANY]
    least = leading.score - _FAR if explained else -math.inf
    starts = _nearest(made, alone, signatures, observed, bench, least)
    if not starts:
        return made
    units = [unit_of(made[i], z, signatures) for i, z in starts.items()]
    turns = phases(signatures.stage, units, observed.readings, bench, observed.channels)
    begun = list(made)
    for i, turn in zip(starts, turns, strict=True):
        begun[i] = replace(made[i], phases=turn)
    again = fitted_from(begun, starts, signatures, observed, bench, progress)
    for i in starts:
        if again[i].log_evidence > made[i].log_evidence + _MORE or not made[i].exact:
            made[i] = again[i]
    return made


def _nearest(
    scored: Sequence[Scored], alone: Sequence[int], signatures: Signatures, observed: Observed,
    bench: Bench, least: float,
) -> dict[int, Array]:
    """The likeliest faults by a first look at drawn units, each with the deviations of its unit.

    None whose score there is below `least`.
    """
    random = np.random.default_rng(_SEED)
    half = np.round(random.normal(size=(UNITS // 2, len(signatures.spreads))), 2)
    drawn = np.vstack([half, -half])
    units = [unit_of(scored[i], z, signatures) for i in alone for z in drawn]
    rows = bench.values(signatures.stage, units, observed.readings).values
    among = good_units(signatures, observed)
    found: dict[int, tuple[float, Array]] = {}
    for k, i in enumerate(alone):
        for row, z in zip(rows[k * UNITS : (k + 1) * UNITS], drawn, strict=True):
            if np.isnan(row).any():
                continue
            seen = Signature(scored[i].hypotheses[0], np.ones(1), row[None])
            score = screen(seen, signatures, observed, scored[i].log_prior, among).score
            if score > found.get(i, (-math.inf,))[0]:
                found[i] = score, z
    if not found:
        return {}
    order = sorted(found, key=lambda i: -found[i][0])[:_FEW]
    least = max(least, found[order[0]][0] - _NATS)
    return {i: found[i][1] for i in order if found[i][0] > least}

