"""Diodes and zeners: forward, reverse and breakdown as ngspice works them out.

Equations: ngspice's manual, chapter on diodes, and its published sources. The voltage at which the
breakdown's exponential begins is fitted so that the stated current IBV flows at BV, by ngspice's
own iteration with its own tolerance. What it does beside the textbook: area counts
twice in the noise of the resistance and the multiplier three times (measured of ngspice 39), and
the multiplier not at all in the minimal conductance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from circuits.batch.devices import junction, noisy
from circuits.batch.devices.card import Card, Cards, Flags, Floats, inverse, table, unknown
from circuits.batch.devices.constants import GMIN, THERMAL
from circuits.batch.devices.junction import Depletion

TERMINALS = ("a", "k", "ai")
"""Anode, cathode, and the anode behind its resistance."""
OUTER = TERMINALS[:2]
A, K, AI = range(3)
BRANCHES = (("ai", "k"), ("a", "ai"))
VD, VA = range(2)
PATTERN = ((AI, VD), (K, VD), (A, VA), (AI, VA))
"""Derivatives of currents that can differ from zero."""
CHARGE_PATTERN = ((AI, VD), (K, VD))
"""Derivatives of charges that can."""

DEFAULTS: Mapping[str, float] = {
    "IS": 1e-14, "RS": 0.0, "N": 1.0, "TT": 0.0, "CJO": 0.0, "VJ": 1.0, "M": 0.5, "BV": np.inf,
    "IBV": 1e-3, "NBV": np.nan, "IKF": 0.0, "FC": 0.5, "KF": 0.0, "AF": 1.0,
}
"""SI; zero is no limit, NBV is N where it is not stated (ngspice's manual)."""
_LEAST = 1e-28
"""A, the least saturation current (ngspice's)."""
_GRADING = 0.9
"""The steepest grading of a junction (ngspice's)."""
_KNEE = 1e-18
"""A, above which a knee bends the current (ngspice's)."""
_ROUNDS = 25
"""Of the fit of a breakdown (ngspice's)."""
RELTOL = 1e-3
"""Of a breakdown's current, to which it is fitted: ngspice's own where a circuit states none."""


@dataclass(frozen=True)
class Parameters:
    """Effective parameters (d, u), SI, after area and multiplier; `gs` is the resistance's.

    `gs_noisy` is what its noise is that of.
    """

    saturation: Floats
    thermal: Floats
    breakdown: Floats
    thermal_b: Floats
    ikf: Floats
    gs: Floats
    gs_noisy: Floats
    tt: Floats
    kf: Floats
    af: Floats
    bend: Floats
    cj: Depletion
    breaks: bool
    knees: bool


def unsupported(card: Card) -> str:
    """Why ngspice must compute the device of a card; empty where it need not."""
    if card.get("BV", 1.0) <= 0.0:
        return "a breakdown voltage (BV) of zero"
    return unknown(card, DEFAULTS)


def collapsed(card: Card) -> tuple[tuple[str, str], ...]:
    """Pairs of an inner and an outer terminal that are one node, for want of a resistance."""
    return () if card.get("RS", 0.0) else (("ai", "a"),)


def parameters(cards: Cards, reltol: float = RELTOL) -> Parameters:
    """The parameters of d devices in u units; see `Parameters`.

    Parameters
    ----------
    reltol : float
        The circuit's option, which says how well a breakdown is fitted.
    """
    t = table(cards, DEFAULTS)
    size = t["AREA"] * t["MANY"]
    saturation = np.maximum(t["IS"], _LEAST) * size
    thermal = t["N"] * THERMAL
    thermal_b = np.where(np.isnan(t["NBV"]), t["N"], t["NBV"]) * THERMAL
    potential = np.minimum(t["VJ"], inverse(t["FC"]) + np.where(t["FC"] == 0.0, np.inf, 0.0))
    return Parameters(
        saturation=saturation, thermal=thermal,
        breakdown=_breakdown(t["BV"], t["IBV"] * t["MANY"], saturation, thermal_b, reltol),
        thermal_b=thermal_b, ikf=t["IKF"] * size, gs=inverse(t["RS"]) * size,
        gs_noisy=inverse(t["RS"]) * size * size * t["MANY"], tt=t["TT"],
        kf=t["KF"] * np.power(t["MANY"], 1.0 - t["AF"]), af=t["AF"],
        bend=junction.critical(saturation, thermal),
        cj=junction.depletion(
            t["CJO"] * size, potential, np.minimum(t["M"], _GRADING), t["FC"]
        ),
        breaks=bool(np.isfinite(t["BV"]).any()), knees=bool(t["IKF"].any()),
    )


def _breakdown(
    volts: Floats, amperes: Floats, saturation: Floats, thermal: Floats, reltol: float
) -> Floats:
    """V from where on a breakdown is exponential, so that `amperes` flow at `volts`."""
    found = volts.copy()
    fitted = np.isfinite(volts) & (amperes >= saturation * volts / THERMAL)
    if not fitted.any():
        return found
    bv, ibv, least, vt = volts[fitted], amperes[fitted], saturation[fitted], thermal[fitted]
    at = bv - vt * np.log1p(ibv / least)
    going = np.ones(at.shape, dtype=bool)
    for _ in range(_ROUNDS):
        next_ = bv - vt * np.log(ibv / least + 1.0 - at / THERMAL)
        at = np.where(going, next_, at)
        flows = least * (np.exp((bv - at) / vt) - 1.0 + at / THERMAL)
        going &= np.abs(flows - ibv) > reltol * ibv
        if not going.any():
            break
    found[fitted] = at
    return found


def start(p: Parameters) -> Floats:
    """Branch voltages (k, d, u) where Newton begins: the bend of the curve."""
    x = np.zeros((len(BRANCHES), *p.bend.shape))
    x[VD] = p.bend
    return x


def _current(p: Parameters, v: Floats, gmin: float) -> tuple[Floats, Floats]:
    """Current (A) and conductance (S) of the junction."""
    amperes, siemens = junction.current(v, p.saturation, p.thermal)
    if p.breaks:
        broken = v < -p.breakdown
        if broken.any():
            beyond = np.where(broken, -(v + p.breakdown), 0.0) / p.thermal_b
            grown = p.saturation * np.exp(np.minimum(beyond, 250.0))
            np.copyto(amperes, -grown, where=broken)
            np.copyto(siemens, grown / p.thermal_b, where=broken)
    if p.knees:
        bent = (v >= -3.0 * p.thermal) & (amperes > _KNEE) & (p.ikf > 0.0)
        root = np.sqrt(np.divide(amperes, p.ikf, out=np.zeros_like(amperes), where=bent))
        siemens *= (1.0 + 0.5 * root) / ((1.0 + root) * (1.0 + root))
        amperes /= 1.0 + root
    amperes += gmin * v
    siemens += gmin
    return amperes, siemens


def evaluate(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Static currents into the terminals and their derivatives; see `bipolar.evaluate`.

    Parameters
    ----------
    x : ndarray (k, ..., d, u)
        Voltages of `BRANCHES`, V.
    gmin : float
        S across each junction.

    Returns
    -------
    i : ndarray (T, ..., d, u)
        A.
    didx : ndarray (T, k, ..., d, u)
        S; zero but for `PATTERN`.
    """
    return _currents(p, x, *_current(p, x[VD], gmin))


def charges(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Charges of the terminals (T, ..., d, u), C, and derivatives (T, k, ..., d, u), F."""
    return _charges(p, x, *_current(p, x[VD], gmin))


def both(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats, Floats, Floats]:
    """`evaluate` and `charges` for less than the price of both: i, didx, q, dqdx."""
    amperes, siemens = _current(p, x[VD], gmin)
    return *_currents(p, x, amperes, siemens), *_charges(p, x, amperes, siemens)


def small_signal(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Conductances and capacitances (T, k, d, u) at a bias, as ngspice's a.c. analysis has them."""
    _, g, _, c = both(p, x, gmin)
    return g, c


def _currents(
    p: Parameters, x: Floats, amperes: Floats, siemens: Floats
) -> tuple[Floats, Floats]:
    i = np.zeros((len(TERMINALS), *x.shape[1:]))
    g = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    np.multiply(p.gs, x[VA], out=i[A])
    np.subtract(amperes, i[A], out=i[AI])
    np.negative(amperes, out=i[K])
    g[A, VA], g[AI, VD] = p.gs, siemens
    np.negative(p.gs, out=g[AI, VA])
    np.negative(siemens, out=g[K, VD])
    return i, g


def _charges(
    p: Parameters, x: Floats, amperes: Floats, siemens: Floats
) -> tuple[Floats, Floats]:
    q = np.zeros((len(TERMINALS), *x.shape[1:]))
    c = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    coulombs, farads = junction.charge(x[VD], p.cj)
    np.add(coulombs, p.tt * amperes, out=q[AI])
    np.add(farads, p.tt * siemens, out=c[AI, VD])
    np.negative(q[AI], out=q[K])
    np.negative(c[AI, VD], out=c[K, VD])
    return q, c


def limit(p: Parameters, new: Floats, old: Floats) -> tuple[Floats, Flags]:
    """Voltages (k, d, u) that Newton may take next, and the devices (d, u) whose step was cut."""
    x = new.copy()
    taken, cut = junction.limited(new[VD], old[VD], p.thermal, p.bend)
    if p.breaks:
        broken = new[VD] < np.minimum(0.0, -p.breakdown + 10.0 * p.thermal_b)
        if broken.any():
            beyond = np.where(np.isfinite(p.breakdown), p.breakdown, 0.0)
            back, less = junction.limited(
                -(new[VD] + beyond), -(old[VD] + beyond), p.thermal_b, p.bend
            )
            taken = np.where(broken, -(back + beyond), taken)
            cut = np.where(broken, less, cut)
    x[VD] = taken
    return x, cut


def noise(p: Parameters, x: Floats) -> tuple[noisy.Source, ...]:
    """Sources of noise at a bias x (k, d, u): the resistance and the junction."""
    amperes, _ = _current(p, x[VD], GMIN)
    return (
        noisy.thermal("a", "ai", p.gs_noisy),
        noisy.shot("ai", "k", amperes, p.kf, p.af),
    )
