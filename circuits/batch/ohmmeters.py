"""What an ohmmeter meets between many pairs of nodes of many units, the power off.

A meter is one conductance more in the equations and one source, so that units with the meter at
one pair and another have the same equations: all pairs of all units are solved together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from circuits.batch import bias
from circuits.batch.elimination import Elimination
from circuits.batch.equations import Equations
from circuits.batch.lu import Array, Places
from circuits.batch.units import Units
from circuits.bench.analysis import Answer, Ohmmeter, Through
from circuits.netlist import BLACK_LEAD

_SHUNT = 1e-12
"""S: a thousandth of what the meter still tells from an open circuit."""
_SAMPLES = 6
"""Units with the meter somewhere that an order of elimination is found by (judgement)."""
_BYTES = 6 << 20
"""Of entries that are solved at a time (measured)."""


def answers(wanted: Ohmmeter, units: Units, order: Elimination) -> list[Answer | None]:
    """What is met in each unit; no numbers at pairs that no solution was found with."""
    made, many, count = units.equations, len(wanted.pairs), units.count
    plus, minus = _ends(made, wanted)
    volts = np.full((many, count), np.nan)
    width = max(1, _BYTES // (8 * order.entries * count))
    for first in range(0, many, width):
        some = np.arange(first, min(first + width, many))
        found = _across(wanted, units, order, plus[some], minus[some])
        volts[some] = found.reshape(len(some), count)
    amps = (wanted.volts - volts) / wanted.ohms
    return [Through(volts[:, u].copy(), amps[:, u].copy()) for u in range(count)]


def _ends(made: Equations, wanted: Ohmmeter) -> tuple[Places, Places]:
    rows = [[made.row[end.lower()] for end in pair] for pair in wanted.pairs]
    plus, minus = np.array(rows, np.intp).T
    return plus, minus


def _across(
    wanted: Ohmmeter, units: Units, order: Elimination, plus: Places, minus: Places
) -> Array:
    """Volts (pairs · u,) across pairs, NaN where there is no solution."""
    which, unit = (x.ravel() for x in np.indices((len(plus), units.count)))
    meters = bias.Meters(plus[which], minus[which], np.full(len(which), 1.0 / wanted.ohms),
                         np.full(len(which), wanted.volts / wanted.ohms), BLACK_LEAD)
    each = units.some(unit)
    few = np.unique(np.linspace(0, len(which) - 1, _SAMPLES).astype(np.intp))
    order.about(lambda: bias.sampled(each.some(few), meters=meters.some(few)))
    at = _rest(each, order, meters)
    lost = np.flatnonzero(~at.settled)
    if lost.size:
        # a node that hangs on capacitors alone is tied down, as a simulator ties it
        at.take(lost, _rest(each.some(lost), order, replace(meters.some(lost), shunt=_SHUNT)))
    here = np.arange(len(which))
    across: Array = at.volts[meters.plus, here] - at.volts[meters.minus, here]
    return np.where(at.settled, across, np.nan)


def _rest(units: Units, order: Elimination, meters: bias.Meters) -> bias.Rest:
    """Units with the meter in them, from nothing: too little flows to bend much."""
    start = [np.zeros_like(group.family.start(p))
             for group, p in zip(units.equations.groups, units.parameters, strict=True)]
    return bias.rest(units, order, meters, start)
