"""What all junctions share: exponential current, depletion charge and the limit of Newton's steps.

The equations are those of ngspice's manual (chapters on diodes and bipolar transistors) and of its
published sources; beyond three thermal volts of reverse voltage the exponential gives way to a
cubic, which ngspice does for the sake of Newton's method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from circuits.batch.devices.card import Flags, Floats

_MOST = 250.0
"""Greatest exponent, far above any that a solution has: what is on its way must not overflow."""
_REVERSE = -3.0
"""Thermal voltages below which the current is a cubic's."""


def current(v: Floats, saturation: Floats, thermal: Floats) -> tuple[Floats, Floats]:
    """Current (A) and conductance (S) of a junction at `v` (V); arrays that broadcast.

    Parameters
    ----------
    saturation, thermal : ndarray
        A, and V with the emission coefficient in it.
    """
    ratio = v / thermal
    reverse = ratio < _REVERSE
    np.maximum(ratio, _REVERSE, out=ratio)
    np.minimum(ratio, _MOST, out=ratio)
    grown = np.exp(ratio, out=ratio)
    grown *= saturation
    conductance = grown / thermal
    grown -= saturation
    if reverse.any():
        low = np.minimum(v, _REVERSE * thermal)
        cubic = (3.0 / math.e) * thermal / low
        cubic *= cubic * cubic
        cubic *= saturation
        np.copyto(conductance, 3.0 * cubic / low, where=reverse)
        cubic += saturation
        np.copyto(grown, np.negative(cubic, out=cubic), where=reverse)
    return grown, conductance


@dataclass(frozen=True)
class Depletion:
    """A junction's capacitance: F at no voltage, potential (V), exponent, V where it turns linear.

    Arrays (d, u); `slope` is that of the line, F/V, and `whole` the charge of the power, C.
    """

    farads: Floats
    potential: Floats
    grading: Floats
    turn: Floats
    slope: Floats
    whole: Floats


def depletion(farads: Floats, potential: Floats, grading: Floats, fc: Floats) -> Depletion:
    """A junction whose capacitance is a power below `fc` times its potential and a line above."""
    left = np.power(1.0 - fc, 1.0 + grading)
    return Depletion(
        farads, potential, grading, fc * potential, farads * grading / (potential * left),
        farads * potential / (1.0 - grading),
    )


def charge(v: Floats, j: Depletion) -> tuple[Floats, Floats]:
    """Charge (C) and capacitance (F) of a depleted junction at `v` (V)."""
    below = np.minimum(v, j.turn)
    left = below / j.potential
    np.subtract(1.0, left, out=left)
    power = np.log(left)
    power *= j.grading
    np.negative(power, out=power)
    np.exp(power, out=power)
    left *= power
    coulombs = np.subtract(1.0, left, out=left)
    coulombs *= j.whole
    farads = power
    farads *= j.farads
    beyond = v - below
    if beyond.any():
        rise = j.slope * beyond
        coulombs += beyond * (farads + 0.5 * rise)
        farads += rise
    return coulombs, farads


def critical(saturation: Floats, thermal: Floats) -> Floats:
    """V at which a junction's curve bends most, from where on its steps are limited."""
    least = np.maximum(saturation, np.finfo(float).tiny)
    return np.asarray(thermal * np.log(thermal / (math.sqrt(2.0) * least)))


def limited(new: Floats, old: Floats, thermal: Floats, bend: Floats) -> tuple[Floats, Flags]:
    """A junction's next voltage, and whether it is less of a step than Newton's.

    SPICE's rule with Alan Gillespie's addition for reverse voltages, as ngspice has it.
    """
    floor = np.where(old > 0.0, -old - 1.0, 2.0 * old - 1.0)
    step = new - old
    fast = (new > bend) & (np.abs(step) > 2.0 * thermal)
    low = (new < floor) & ~fast
    taken = np.where(low, floor, new)
    if fast.any():
        steps = step / thermal
        up = np.log(np.maximum(steps - 2.0, 1e-300))
        down = np.log(np.maximum(2.0 - steps, 1e-300))
        warm = old + thermal * np.where(steps > 0.0, 2.0 + up, -2.0 - down)
        cold = thermal * np.log(np.maximum(new / thermal, 1e-300))
        np.copyto(taken, np.where(old > 0.0, warm, cold), where=fast)
    return taken, fast | low
