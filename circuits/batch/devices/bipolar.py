"""Bipolar transistors: Gummel and Poon's law as ngspice works it out, both polarities in one batch.

Equations: ngspice's manual, chapter on bipolar transistors, and its published sources. What ngspice
does beside the textbook: minimal conductance across both junctions and from the substrate, which is
ground here, to the collector of an npn and to the base of a pnp; the base resistance's own
dependence on bias stays out of the derivatives; a leakage of more than 0.1 mA is one relative to
IS; the collector junction's saturation current goes with the square of the area (measured of
ngspice 39, whose sources multiply twice).

Inside this module voltages are those of an npn; `_Bias` says how its quantities are counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from circuits.batch.devices import junction, noisy
from circuits.batch.devices.card import Card, Cards, Flags, Floats, inverse, table, unknown
from circuits.batch.devices.constants import GMIN, THERMAL
from circuits.batch.devices.junction import Depletion

TERMINALS = ("c", "b", "e", "s", "ci", "bi", "ei")
"""Collector, base, emitter, substrate (ground), and the inner three behind their resistances."""
OUTER = TERMINALS[:4]
C, B, E, S, CI, BI, EI = range(7)
BRANCHES = (
    ("bi", "ei"), ("bi", "ci"), ("b", "bi"), ("c", "ci"), ("e", "ei"), ("b", "ci"), ("s", "ci"),
    ("s", "bi"),
)
VBE, VBC, VB, VC, VE, VBX, VSC, VSB = range(8)
PATTERN = (
    (BI, VBE), (BI, VBC), (CI, VBE), (CI, VBC), (EI, VBE), (EI, VBC), (B, VB), (BI, VB), (C, VC),
    (CI, VC), (E, VE), (EI, VE), (S, VSC), (CI, VSC), (S, VSB), (BI, VSB),
)
"""Derivatives of currents that can differ from zero."""
CHARGE_PATTERN = (
    (BI, VBE), (BI, VBC), (CI, VBC), (EI, VBE), (EI, VBC), (B, VBX), (CI, VBX), (S, VSC), (CI, VSC),
    (S, VSB), (BI, VSB),
)
"""Derivatives of charges that can."""

DEFAULTS: Mapping[str, float] = {
    "IS": 1e-16, "BF": 100.0, "NF": 1.0, "VAF": 0.0, "IKF": 0.0, "ISE": 0.0, "NE": 1.5, "BR": 1.0,
    "NR": 1.0, "VAR": 0.0, "IKR": 0.0, "ISC": 0.0, "NC": 2.0, "RB": 0.0, "IRB": 0.0, "RBM": np.nan,
    "RE": 0.0, "RC": 0.0, "CJE": 0.0, "VJE": 0.75, "MJE": 0.33, "TF": 0.0, "XTF": 0.0, "VTF": 0.0,
    "ITF": 0.0, "PTF": 0.0, "CJC": 0.0, "VJC": 0.75, "MJC": 0.33, "XCJC": 1.0, "TR": 0.0,
    "CJS": 0.0, "VJS": 0.75, "MJS": 0.0, "FC": 0.5, "KF": 0.0, "AF": 1.0,
}
"""SI; zero is no limit, RBM is RB where it is not stated (ngspice's manual)."""
_RELATIVE = 1e-4
"""A of leakage, above which it is one relative to IS."""
_NOTHING = 1e-300
"""A, so that no current over none is not divided by zero."""
_SPREADING = (14.59025, 2.4317)
"""Of current crowding in the base: 144/π² and 24/π² as ngspice rounds them."""


@dataclass(frozen=True)
class Parameters:
    """Effective parameters (d, u), SI, after area and multiplier; conductances for resistances.

    `ivaf`, `ikf` and the like are inverses, zero for no limit; `many` is the multiplier.
    """

    sign: Floats
    many: Floats
    saturation_e: Floats
    saturation_c: Floats
    thermal_f: Floats
    thermal_r: Floats
    ibf: Floats
    ibr: Floats
    ivaf: Floats
    ivar: Floats
    ikf: Floats
    ikr: Floats
    leak_e: Floats
    thermal_e: Floats
    leak_c: Floats
    thermal_c: Floats
    rb_least: Floats
    rb_rest: Floats
    irb: Floats
    gc: Floats
    ge: Floats
    tf: Floats
    tr: Floats
    xtf: Floats
    ivtf: Floats
    itf: Floats
    kf: Floats
    af: Floats
    bend: Floats
    vertical: Floats
    cje: Depletion
    cjc: Depletion
    cjx: Depletion
    cjs: Depletion
    leaks: tuple[bool, bool]
    crowds: bool
    bends: bool
    substrate: bool


def unsupported(card: Card) -> str:
    """Why ngspice must compute the device of a card; empty where it need not."""
    if card.get("PTF", 0.0) != 0.0:
        return "excess phase (PTF)"
    return unknown(card, DEFAULTS)


def collapsed(card: Card) -> tuple[tuple[str, str], ...]:
    """Pairs of an inner and an outer terminal that are one node, for want of a resistance."""
    pairs = (("ci", "c", "RC"), ("bi", "b", "RB"), ("ei", "e", "RE"))
    return tuple((inner, outer) for inner, outer, name in pairs if card.get(name, 0.0) == 0.0)


def parameters(cards: Cards) -> Parameters:
    """The parameters of d devices in u units; see `Parameters`."""
    t = table(cards, DEFAULTS)
    size = t["AREA"] * t["MANY"]
    leaks = [
        np.where(t[name] > _RELATIVE, t["IS"] * t[name], t[name]) * size for name in ("ISE", "ISC")
    ]
    base = t["RB"] / size
    least = np.where(base == 0.0, 0.0, np.where(np.isnan(t["RBM"]), t["RB"], t["RBM"]) / size)
    fc = np.minimum(t["FC"], 0.9999)
    inner = t["CJC"] * t["XCJC"]
    return Parameters(
        sign=t["POLARITY"], many=t["MANY"],
        saturation_e=t["IS"] * size, saturation_c=t["IS"] * size * t["AREA"],
        thermal_f=t["NF"] * THERMAL, thermal_r=t["NR"] * THERMAL,
        ibf=1.0 / t["BF"], ibr=1.0 / t["BR"], ivaf=inverse(t["VAF"]), ivar=inverse(t["VAR"]),
        ikf=inverse(t["IKF"] * size), ikr=inverse(t["IKR"] * size),
        leak_e=leaks[0], thermal_e=t["NE"] * THERMAL, leak_c=leaks[1], thermal_c=t["NC"] * THERMAL,
        rb_least=least, rb_rest=base - least, irb=t["IRB"] * size,
        gc=inverse(t["RC"]) * size, ge=inverse(t["RE"]) * size,
        tf=t["TF"], tr=t["TR"], xtf=t["XTF"], ivtf=inverse(1.44 * t["VTF"]), itf=t["ITF"] * size,
        kf=t["KF"] * np.power(t["MANY"], 1.0 - t["AF"]), af=t["AF"],
        bend=junction.critical(t["IS"] * t["AREA"], np.full_like(size, THERMAL)),
        vertical=np.where(t["POLARITY"] > 0.0, 1.0, 0.0),
        cje=junction.depletion(t["CJE"] * size, t["VJE"], t["MJE"], fc),
        cjc=junction.depletion(inner * size, t["VJC"], t["MJC"], fc),
        cjx=junction.depletion((t["CJC"] - inner) * size, t["VJC"], t["MJC"], fc),
        cjs=junction.depletion(t["CJS"] * size, t["VJS"], t["MJS"], np.zeros_like(fc)),
        leaks=(bool(leaks[0].any()), bool(leaks[1].any())),
        crowds=bool(t["IRB"].any()), bends=bool(t["XTF"].any()), substrate=bool(t["CJS"].any()),
    )


def start(p: Parameters) -> Floats:
    """Branch voltages (k, d, u) where Newton begins: base to emitter at the bend of its curve."""
    x = np.zeros((len(BRANCHES), *p.sign.shape))
    x[VBE] = p.sign * p.bend
    return x


@dataclass(frozen=True)
class _Bias:
    """What currents and charges share, an npn's: `it` transport current, `qb` base charge.

    `cbe`, `cbc` are diffusion currents with conductances `gbe`, `gbc`; `dqe`, `dqc` derivatives of
    `qb`; `ib` the base's whole current with derivatives `gpi`, `gmu`; `leak` what the collector
    junction adds to the base's current; `gx` the base's conductance.
    """

    vbe: Floats
    vbc: Floats
    cbe: Floats
    gbe: Floats
    cbc: Floats
    gbc: Floats
    qb: Floats
    dqe: Floats
    dqc: Floats
    it: Floats
    leak: Floats
    ib: Floats
    gpi: Floats
    gmu: Floats
    gx: Floats


def _bias(p: Parameters, x: Floats, gmin: float) -> _Bias:
    vbe, vbc = p.sign * x[VBE], p.sign * x[VBC]
    least = gmin * p.many
    cbe, gbe = junction.current(vbe, p.saturation_e, p.thermal_f)
    cbc, gbc = junction.current(vbc, p.saturation_c, p.thermal_r)
    ib, gpi = cbe * p.ibf, gbe * p.ibf
    leak, gmu = cbc * p.ibr, gbc * p.ibr
    ib += least * vbe
    gpi += least
    leak += least * vbc
    gmu += least
    if p.leaks[0]:
        more, steeper = junction.current(vbe, p.leak_e, p.thermal_e)
        ib += more
        gpi += steeper
    if p.leaks[1]:
        more, steeper = junction.current(vbc, p.leak_c, p.thermal_c)
        leak += more
        gmu += steeper
    ib += leak
    q1 = 1.0 / (1.0 - p.ivaf * vbc - p.ivar * vbe)
    root = np.sqrt(np.maximum(1.0 + 4.0 * (p.ikf * cbe + p.ikr * cbc), 0.0))
    qb = 0.5 * q1 * (1.0 + root)
    if not root.all():
        root[root == 0.0] = 1.0
    dqe = q1 * (qb * p.ivar + p.ikf * gbe / root)
    dqc = q1 * (qb * p.ivaf + p.ikr * gbc / root)
    it = (cbe - cbc) / qb
    return _Bias(
        vbe, vbc, cbe, gbe, cbc, gbc, qb, dqe, dqc, it, leak, ib, gpi, gmu, _base(p, qb, ib)
    )


def _base(p: Parameters, qb: Floats, ib: Floats) -> Floats:
    """Conductance of the base, S; zero where there is no resistance."""
    ohms = p.rb_least + p.rb_rest / qb
    if p.crowds:
        crowded = np.broadcast_to(p.irb, ib.shape) != 0.0
        share = np.maximum(np.divide(ib, p.irb, out=np.ones_like(ib), where=crowded), 1e-9)
        z = (np.sqrt(1.0 + _SPREADING[0] * share) - 1.0) / (_SPREADING[1] * np.sqrt(share))
        tan = np.tan(z)
        narrow = p.rb_least + 3.0 * p.rb_rest * (tan - z) / (z * tan * tan)
        ohms = np.where(crowded, narrow, ohms)
    return inverse(ohms)


def evaluate(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Static currents into the terminals and their derivatives.

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
    return _currents(p, x, _bias(p, x, gmin), gmin)


def charges(p: Parameters, x: Floats) -> tuple[Floats, Floats]:
    """Charges of the terminals (T, ..., d, u), C, and derivatives (T, k, ..., d, u), F.

    The derivatives are zero but for `CHARGE_PATTERN`.
    """
    return _charges(p, x, _bias(p, x, 0.0))


def both(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats, Floats, Floats]:
    """`evaluate` and `charges` for less than the price of both: i, didx, q, dqdx."""
    bias = _bias(p, x, gmin)
    return *_currents(p, x, bias, gmin), *_charges(p, x, bias)


def values(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Currents and charges of the terminals, (T, ..., d, u), without their derivatives."""
    at = _bias(p, x, gmin)
    i, q = np.zeros((2, len(TERMINALS), *x.shape[1:]))
    i[BI] = p.sign * at.ib
    i[CI] = p.sign * (at.it - at.leak)
    np.add(i[BI], i[CI], out=i[EI])
    np.negative(i[EI], out=i[EI])
    least = gmin * p.many
    for outer, inner, branch, siemens in (
        (B, BI, VB, at.gx), (C, CI, VC, p.gc), (E, EI, VE, p.ge),
        (S, CI, VSC, least * p.vertical), (S, BI, VSB, least * (1.0 - p.vertical)),
    ):
        flow = siemens * x[branch]
        i[outer] += flow
        i[inner] -= flow
    qbe = p.sign * (junction.charge(at.vbe, p.cje)[0] + p.tf * _diffusion(p, at)[0])
    qbc = p.sign * (junction.charge(at.vbc, p.cjc)[0] + p.tr * at.cbc)
    q[B] = p.sign * junction.charge(p.sign * x[VBX], p.cjx)[0]
    np.negative(qbe, out=q[EI])
    np.add(qbe, qbc, out=q[BI])
    q[CI] = -qbc - q[B]
    if p.substrate:
        for inner, branch, share in ((CI, VSC, p.vertical), (BI, VSB, 1.0 - p.vertical)):
            coulombs = share * junction.charge(x[branch], p.cjs)[0]
            q[S] += coulombs
            q[inner] -= coulombs
    return i, q


def small_signal(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Conductances and capacitances (T, k, d, u) at a bias, as ngspice's a.c. analysis has them.

    They are those of `evaluate` and `charges` but for the substrate's minimal conductance, which
    ngspice leaves out there: 0.01 dB at a node of 1 Gohm.
    """
    _, g, _, c = both(p, x, gmin)
    g[S] = 0.0
    g[CI, VSC] = 0.0
    g[BI, VSB] = 0.0
    return g, c


def _currents(p: Parameters, x: Floats, at: _Bias, gmin: float) -> tuple[Floats, Floats]:
    i = np.zeros((len(TERMINALS), *x.shape[1:]))
    g = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    steep = (at.gbe - at.it * at.dqe) / at.qb
    back = (at.gbc + at.it * at.dqc) / at.qb
    back += at.gmu
    g[BI, VBE], g[BI, VBC] = at.gpi, at.gmu
    g[CI, VBE] = steep
    np.negative(back, out=g[CI, VBC])
    steep += at.gpi
    np.negative(steep, out=g[EI, VBE])
    np.subtract(back, at.gmu, out=g[EI, VBC])
    i[BI] = p.sign * at.ib
    i[CI] = p.sign * (at.it - at.leak)
    np.add(i[BI], i[CI], out=i[EI])
    np.negative(i[EI], out=i[EI])
    for outer, inner, branch, siemens in (
        (B, BI, VB, at.gx), (C, CI, VC, p.gc), (E, EI, VE, p.ge),
    ):
        g[outer, branch] = siemens
        np.multiply(siemens, x[branch], out=i[outer])
        i[inner] -= i[outer]
        np.negative(g[outer, branch], out=g[inner, branch])
    least = gmin * p.many
    for inner, branch, siemens in (
        (CI, VSC, least * p.vertical), (BI, VSB, least * (1.0 - p.vertical)),
    ):
        g[S, branch] = siemens
        np.negative(g[S, branch], out=g[inner, branch])
        flow = siemens * x[branch]
        i[S] += flow
        i[inner] -= flow
    return i, g


def _charges(p: Parameters, x: Floats, at: _Bias) -> tuple[Floats, Floats]:
    q = np.zeros((len(TERMINALS), *x.shape[1:]))
    c = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    qbe, cbe = junction.charge(at.vbe, p.cje)
    stored, slope, cross = _diffusion(p, at)
    qbe += p.tf * stored
    cbe += p.tf * slope
    cross = p.tf * cross
    qbc, cbc = junction.charge(at.vbc, p.cjc)
    qbc += p.tr * at.cbc
    cbc += p.tr * at.gbc
    qbx, cbx = junction.charge(p.sign * x[VBX], p.cjx)
    c[BI, VBE], c[CI, VBC], c[B, VBX] = cbe, -cbc, cbx
    np.negative(cbe, out=c[EI, VBE])
    np.add(cross, cbc, out=c[BI, VBC])
    np.negative(cross, out=c[EI, VBC])
    np.negative(cbx, out=c[CI, VBX])
    q[B], q[EI] = p.sign * qbx, -p.sign * qbe
    q[BI] = p.sign * (qbe + qbc)
    q[CI] = -p.sign * (qbc + qbx)
    if p.substrate:
        for inner, branch, share in ((CI, VSC, p.vertical), (BI, VSB, 1.0 - p.vertical)):
            coulombs, farads = junction.charge(x[branch], p.cjs)
            coulombs *= share
            c[S, branch] = farads * share
            np.negative(c[S, branch], out=c[inner, branch])
            q[S] += coulombs
            q[inner] -= coulombs
    return q, c


def _diffusion(p: Parameters, at: _Bias) -> tuple[Floats, Floats, Floats]:
    """Current whose charge the forward transit time stores, and its derivatives by vbe and vbc.

    In reverse ngspice leaves the base's charge out, and the dependence on vbc.
    """
    stored, slope = at.cbe, at.gbe
    cross: Floats | float = 0.0
    if p.bends:
        more = np.exp(np.minimum(at.vbc * p.ivtf, 250.0))
        more *= p.xtf
        positive = np.maximum(stored, 0.0)
        # one where there is no limit (ITF), and the slope then rises no faster than the current
        share = positive / (positive + p.itf + _NOTHING)
        more *= share
        more *= share
        cross = stored * more * p.ivtf
        stored = stored * (1.0 + more)
        share *= -2.0
        share += 3.0
        share *= more
        share += 1.0
        slope = slope * share
    stored = stored / at.qb
    slope = (slope - stored * at.dqe) / at.qb
    cross = (cross - stored * at.dqc) / at.qb
    forward = at.vbe > 0.0
    if forward.all():
        return stored, slope, cross
    pairs = ((stored, at.cbe), (slope, at.gbe), (cross, 0.0))
    stored, slope, cross = (np.where(forward, value, plain) for value, plain in pairs)
    return stored, slope, cross


def limit(p: Parameters, new: Floats, old: Floats) -> tuple[Floats, Flags]:
    """Voltages (k, d, u) that Newton may take next, and the devices (d, u) whose step was cut."""
    x = new.copy()
    cut = np.zeros(new.shape[1:], dtype=bool)
    for branch in (VBE, VBC):
        taken, less = junction.limited(
            p.sign * new[branch], p.sign * old[branch], np.asarray(THERMAL), p.bend
        )
        x[branch] = p.sign * taken
        cut |= less
    return x, cut


def noise(p: Parameters, x: Floats) -> tuple[noisy.Source, ...]:
    """Sources of noise at a bias x (k, d, u): resistances, collector and base."""
    at = _bias(p, x, GMIN)
    return (
        noisy.thermal("c", "ci", p.gc),
        noisy.thermal("b", "bi", at.gx),
        noisy.thermal("e", "ei", p.ge),
        noisy.shot("ci", "ei", at.it - at.leak),
        noisy.shot("bi", "ei", at.ib, p.kf, p.af),
    )
