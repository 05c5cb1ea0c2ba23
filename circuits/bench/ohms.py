"""One ohmmeter in a circuit of its own, for a simulator that solves one circuit at a time."""

from __future__ import annotations

from circuits.bench.analysis import Bias, OperatingPoint
from circuits.netlist import METER
from circuits.stage import GROUND


def across(pair: tuple[str, str]) -> OperatingPoint:
    """What tells of `circuits.netlist.with_ohmmeter` what the meter meets."""
    return OperatingPoint(tuple(end for end in pair if end != GROUND), (METER,))


def through(pair: tuple[str, str], found: Bias) -> tuple[float, float]:
    """V across a pair, and A that the meter drives through it."""
    volts = dict(zip(across(pair).nodes, found.nodes.tolist(), strict=True))
    red, black = (volts.get(end, 0.0) for end in pair)
    return red - black, -float(found.branches[0])
