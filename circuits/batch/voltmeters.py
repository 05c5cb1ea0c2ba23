"""What voltmeters show in many units, each meter with its own resistance in the circuit.

A meter is one conductance more. The equations at rest tell what it changes to first order; a few
steps with the same equations, which the unit's real currents correct, tell the rest. Where a meter
turns a unit over these do not settle, and the unit is solved anew with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from circuits.batch import bias
from circuits.batch.elimination import Elimination
from circuits.batch.equations import Group
from circuits.batch.lu import Array
from circuits.batch.units import Units
from circuits.bench.analysis import Voltmeter

_STEPS = 6
"""Steps with the equations as they are without the meter (judgement)."""
_SETTLED = 2e-6
"""V, and relative: less than the last digit of a meter."""
_STRAIGHT = 3e-4
"""V across whatever bends, up to which no step is needed: an exponential then leaves its tangent by
V²/2nVt, 2 µV (of a receiver and an output stage, no step from there was more than 0.9 µV)."""


@dataclass(frozen=True, eq=False)
class Shown:
    """What meters show (m, u), V, and what each moves at each, (m, m, u), ohm."""

    volts: Array
    impedances: Array


def shown(
    units: Units, order: Elimination, at: bias.Rest, kernel: bias.Kernel,
    meters: Sequence[Voltmeter],
) -> Shown:
    """What every meter shows while it is the only one."""
    made = units.equations
    ends = [(made.row[m.at.lower()], made.row[m.origin.lower()]) for m in meters]
    plus, minus = np.array(ends, np.intp).T
    siemens = np.array([1.0 / m.ohms for m in meters])[:, None]
    count, size = units.count, made.size
    right = np.zeros((size + 1, len(meters), count))
    for m, (a, b) in enumerate(ends):
        right[a, m] += 1.0
        right[b, m] -= 1.0
    right[size] = 0.0
    columns = np.zeros_like(right)
    columns[:-1] = kernel.factors.solve(right[:-1].copy())
    impedances = columns[plus] - columns[minus]
    own = np.einsum("mmu->mu", impedances)
    less = siemens / (1.0 + siemens * own)
    start = np.broadcast_to(at.volts[:, None], columns.shape)
    meter = np.arange(len(ends))
    volts = start - columns * (less * (start[plus, meter] - start[minus, meter]))
    settled = _bent(made.groups, volts - start) <= _STRAIGHT
    still = (made.conductances @ units.numbers)[:, None]
    sources = (made.sources @ units.numbers)[:, None]
    for _ in range(_STEPS):
        live = np.flatnonzero(~settled.all(axis=1))
        if not live.size:
            break
        here, a, b, place = volts[:, live], plus[live], minus[live], np.arange(len(live))
        left = sources - made.times(still, here[:-1])
        for group, p in zip(made.groups, units.parameters, strict=True):
            x = here[group.plus] - here[group.minus]
            flows, _slopes = group.family.evaluate(p, x.swapaxes(1, 2))
            drawn = flows.swapaxes(1, 2).reshape(-1, len(live) * count)
            left = left - (group.injected @ drawn).reshape(left.shape)
        across = here[a, place] - here[b, place]
        full = np.concatenate([left, np.zeros((1, *left.shape[1:]))])
        full[a, place] -= siemens[live] * across
        full[b, place] += siemens[live] * across
        step = np.zeros_like(here)
        step[:-1] = kernel.factors.solve(full[:-1])
        step -= columns[:, live] * (less[live] * (step[a, place] - step[b, place]))
        volts[:, live] = here + step
        small = (np.abs(step) <= _SETTLED * (1.0 + np.abs(volts[:, live]))).all(axis=0)
        settled[live] |= small
    found = volts[plus, meter] - volts[minus, meter]
    which, places = np.nonzero(~settled)
    if places.size:
        odd = bias.Meters(plus[which], minus[which], siemens[which, 0])
        anew = bias.rest(units.some(places), order, odd, [x[..., places] for x in at.branches])
        each = np.arange(len(places))
        across = anew.volts[odd.plus, each] - anew.volts[odd.minus, each]
        found[which, places] = np.where(anew.settled, across, np.nan)
    return Shown(found, impedances)


def _bent(groups: Sequence[Group], moved: Array) -> Array:
    """How far meters move what the branches of devices have across them, (m, u), V at most."""
    found: Array = np.zeros(moved.shape[1:])
    for group in groups:
        across = np.abs(moved[group.plus] - moved[group.minus])
        found = np.maximum(found, across.max(axis=(0, 1)))
    return found
