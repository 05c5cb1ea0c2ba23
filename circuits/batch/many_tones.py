"""Steady states under many tones, which are all multiples of one frequency.

A thousand lines and more are too many for derivatives of each by each (`circuits.batch.strong`).
What bends weakly needs none: what the linear networks make of the remainders is nearly what these
were worked out for (Picard's iteration), and the last steps mend the rest
(`circuits.batch.anderson`). What bends strongly, as class B does, is left to a transient run. A
sine of the same crest shows which units do, for a millisecond each (measured: of 494 units of
twelve stages it kept all that settle under many tones, and one that does not).

How many lines and samples there must be was measured on the shipped stages: up to the highest tone
alone, the floor of a regulated supply is 0.08 dB off and all others 0.02 dB; with twice as many
lines none differs by 0.01 dB from six times as many with four times the samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.fft import next_fast_len

from circuits.batch import grid as grids
from circuits.batch import under_drive
from circuits.batch.grid import Grid
from circuits.batch.harmonic import Steady, steady, unbent
from circuits.batch.lu import Array, Places
from circuits.batch.multiples import Multiples, multiples
from circuits.batch.under_drive import Balance, System
from circuits.batch.work import State, Work, cycle, orders
from circuits.bench.analysis import Answer

_BEYOND = 2
"""Lines over those up to the highest tone: products of second order have one of their own."""
_APART = 4
"""Samples over the same, and more: products of third order fall on no line below the highest tone
but their own."""
_STEPS = 20
"""After which a transient run takes less (judgement)."""
_ASTRAY = (2, 0.5)
"""From which of those on a unit is left to a transient run that still moves by so much: those that
were kept at it for longer did not settle, but one of 325 (measured)."""
_SINE = 20
"""The highest tone over the sine that shows whether a unit bends weakly: 1 kHz of the audio band.
At 5 and 15 kHz some units were lost that settle (measured)."""
_HARMONICS = (12, 2)
"""Lines of that sine, and samples over what they need."""
_BYTES = 12 << 20
"""Of reduced networks that are in work at a time (measured)."""


class Unaided:
    """Steps by no derivatives: what is off is taken off."""

    alone = False
    """As for `circuits.batch.harmonic.Way`."""

    def some(self, places: Any) -> None:
        """All units take their steps alike."""

    def step(self, system: System, at: Balance, moved: Array) -> Array:
        """What is taken off the unknowns."""
        return at.off


def found(work: Work, begun: Sequence[State | None]) -> list[Answer | None]:
    """The steady state of each unit; None of one that bends strongly.

    Parameters
    ----------
    begun : sequence of State or None
        Of each unit under nearly the same drive.
    """
    answers: list[Answer | None] = [None] * len(work.wanted)
    highest = max(orders(work.wanted[0]))
    grid = multiples(_BEYOND * highest, next_fast_len(_APART * highest + 1, real=True))
    width = max(1, _BYTES // (16 * work.reach * (grid.lines + 1)))
    places = _weak(work, grid)
    for some in np.array_split(places, -(-len(places) // width)) if places.size else ():
        part = work.some(some)
        done = _steady(part, grid, [begun[k] for k in some])
        for j, k in enumerate(some.tolist()):
            if done.settled[j]:
                answers[k] = cycle(part, grid, done, j)[0]
    return answers


def _weak(work: Work, grid: Multiples) -> Places:
    """Units that come to a steady state under a sine of the same crest."""
    places = np.arange(len(work.wanted))
    if not work.names:
        return places
    waves = grid.waves(grid.parts(work.drive(grid).astype(complex)))
    sine = work.wanted[0].frequencies[-1] / _SINE
    alike = replace(work, wanted=[
        replace(one, frequencies=(sine,), crests=(float(crest),), base=0.0)
        for one, crest in zip(work.wanted, np.abs(waves).max(axis=0), strict=True)
    ])
    done = _steady(alike, grids.harmonics(*_HARMONICS), [None] * len(places))
    return np.flatnonzero(done.settled)


def _steady(part: Work, grid: Grid, begun: Sequence[State | None]) -> Steady:
    """Steady states that are come to by no derivatives."""
    system = part.system(grid)
    if not part.names:
        return unbent(system)
    start = under_drive.linear(system)
    for j, state in enumerate(begun):
        if state is not None and state.grid is grid:
            sizes = (np.abs(crests).sum() for crests in (part.wanted[j].crests, state.crests))
            start[..., j] = state.unknown * (next(sizes) / max(next(sizes), 1e-12))
    return steady(system, start, Unaided(), _STEPS, _ASTRAY)
