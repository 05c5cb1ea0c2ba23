"""Direct voltages as a real voltmeter shows them: with its own resistance in the circuit.

A meter at a node draws a current, and the node gives way by as much as its impedance says. In a
good unit that is some per cent of a bias divider and nothing elsewhere; where a fault has left a
node floating it is everything. Each meter exactly would take a solution of the circuit each. So
one solution with all meters in at once is held against what the impedances of the good unit let
expect of it: where these explain it, they also tell what each meter alone does, by Thévenin's
theorem; only where they do not, the circuit is solved with that meter alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from circuits.bench.analysis import Floats, Metered, Shown, Voltmeter

Solve = Callable[[Sequence[str], Sequence[Voltmeter]], Floats]
"""Nodes, and the meters that are on (all, or one of them) → the DC solution at the nodes, V."""

_WITHIN = 5e-3
"""Of a voltage: what a meter may move otherwise than expected without a solution of its own; less
than the error of a usual meter (`circuits.quantities`), and far less than that of a stage model."""
_NEAR, _NEAR_APART = 5e-3, 1e-3
"""The same in V, to ground and between two nodes."""


def nodes_of(meters: Sequence[Voltmeter]) -> tuple[str, ...]:
    """The nodes that meters are at."""
    return tuple(dict.fromkeys(end for m in meters for end in (m.at, m.origin)))


def shown(wanted: Metered, ideal: Floats, solve: Solve) -> Shown:
    """What every meter shows.

    Parameters
    ----------
    wanted : Metered
    ideal : array
        The solution without any meter at `nodes_of` them, V.
    solve : callable
    """
    meters = wanted.meters
    nodes = nodes_of(meters)
    at = [nodes.index(m.at) for m in meters]
    origin = [nodes.index(m.origin) for m in meters]
    ohms = np.array([m.ohms for m in meters])

    def across(volts: Floats) -> Floats:
        return np.asarray(volts[at] - volts[origin])

    bare = across(ideal)
    if wanted.impedances is None:
        rows = np.array([across(solve(nodes, [m])) for m in meters])
        volts = np.diag(rows).copy()
        drawn = volts / ohms
        moved = (rows - bare).T
        # what draws nothing tells no impedance, and needs none
        told = np.divide(moved, drawn, out=np.zeros_like(moved), where=np.abs(drawn) > 1e-15)
        return Shown(volts, told)
    together = across(solve(nodes, meters))
    expected = wanted.impedances @ (together / ohms)
    volts = bare / (1.0 - np.diag(wanted.impedances) / ohms)
    near = [_NEAR if m.origin == "0" else _NEAR_APART for m in meters]
    odd = np.abs(together - bare - expected) > near + _WITHIN * np.abs(bare)
    for k in np.flatnonzero(odd):
        above, below = solve((meters[k].at, meters[k].origin), [meters[k]])
        volts[k] = above - below
    return Shown(volts, wanted.impedances)
