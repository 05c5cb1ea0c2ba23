"""Junction field-effect transistors: the square law with its doping tail, as ngspice's level 1.

Equations: ngspice's manual, chapter on junction field-effect transistors, and its published
sources, whose parameter B (Sydney University's) bends the square law where it is not one. The law
is the same with drain and source exchanged. Inside this module voltages are those of an n-channel
device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from circuits.batch.devices import field_effect, junction, noisy
from circuits.batch.devices.card import Card, Cards, Flags, Floats, inverse, table, unknown
from circuits.batch.devices.constants import GMIN, THERMAL
from circuits.batch.devices.junction import Depletion

TERMINALS = ("d", "g", "s", "di", "si")
"""Drain, gate, source, and the inner two behind their resistances."""
OUTER = TERMINALS[:3]
D, G, S, DI, SI = range(5)
BRANCHES = (("g", "si"), ("g", "di"), ("d", "di"), ("s", "si"))
VGS, VGD, VD, VS = range(4)
PATTERN = (
    (G, VGS), (G, VGD), (DI, VGS), (DI, VGD), (SI, VGS), (SI, VGD), (D, VD), (DI, VD), (S, VS),
    (SI, VS),
)
"""Derivatives of currents that can differ from zero."""
CHARGE_PATTERN = ((G, VGS), (SI, VGS), (G, VGD), (DI, VGD))
"""Derivatives of charges that can."""

DEFAULTS: Mapping[str, float] = {
    "VTO": -2.0, "BETA": 1e-4, "LAMBDA": 0.0, "RD": 0.0, "RS": 0.0, "CGS": 0.0, "CGD": 0.0,
    "PB": 1.0, "IS": 1e-14, "B": 1.0, "FC": 0.5, "KF": 0.0, "AF": 1.0,
}
"""SI (ngspice's manual)."""
_FC = 0.95
"""The most of a junction's potential at which its capacitance turns linear (ngspice's)."""
_BEGIN = -1.0
"""V across both junctions where Newton begins (ngspice's)."""


@dataclass(frozen=True)
class Parameters:
    """Effective parameters (d, u), SI, after area and multiplier; conductances for resistances.

    `square` and `cubic` are of the law: B, and (1 - B) / (PB - VTO).
    """

    sign: Floats
    many: Floats
    vto: Floats
    beta: Floats
    modulation: Floats
    square: Floats
    cubic: Floats
    saturation: Floats
    gd: Floats
    gs: Floats
    kf: Floats
    af: Floats
    bend: Floats
    cgs: Depletion
    cgd: Depletion


def unsupported(card: Card) -> str:
    """Why ngspice must compute the device of a card; empty where it need not."""
    return unknown(card, DEFAULTS)


def collapsed(card: Card) -> tuple[tuple[str, str], ...]:
    """Pairs of an inner and an outer terminal that are one node, for want of a resistance."""
    pairs = (("di", "d", "RD"), ("si", "s", "RS"))
    return tuple((inner, outer) for inner, outer, name in pairs if card.get(name, 0.0) == 0.0)


def parameters(cards: Cards) -> Parameters:
    """The parameters of d devices in u units; see `Parameters`."""
    t = table(cards, DEFAULTS)
    size = t["AREA"] * t["MANY"]
    half, fc = np.full_like(size, 0.5), np.minimum(t["FC"], _FC)
    return Parameters(
        sign=t["POLARITY"], many=t["MANY"], vto=t["VTO"], beta=t["BETA"] * size,
        modulation=t["LAMBDA"], square=t["B"], cubic=(1.0 - t["B"]) / (t["PB"] - t["VTO"]),
        saturation=t["IS"] * size, gd=inverse(t["RD"]) * size, gs=inverse(t["RS"]) * size,
        kf=t["KF"] * np.power(t["MANY"], 1.0 - t["AF"]), af=t["AF"],
        bend=junction.critical(t["IS"], np.full_like(size, THERMAL)),
        cgs=junction.depletion(t["CGS"] * size, t["PB"], half, fc),
        cgd=junction.depletion(t["CGD"] * size, t["PB"], half, fc),
    )


def start(p: Parameters) -> Floats:
    """Branch voltages (k, d, u) where Newton begins: both junctions at -1 V."""
    x = np.zeros((len(BRANCHES), *p.sign.shape))
    x[VGS] = x[VGD] = p.sign * _BEGIN
    return x


@dataclass(frozen=True)
class _Bias:
    """Voltages and the channel's current, an n-channel's, with its slopes.

    `to_s` and `to_d` are the derivatives of `drain` by vgs and by vgd; `gm` is the size of that by
    the gate alone.
    """

    vgs: Floats
    vgd: Floats
    drain: Floats
    to_s: Floats
    to_d: Floats
    gm: Floats


def _bias(p: Parameters, x: Floats) -> _Bias:
    vgs, vgd = p.sign * x[VGS], p.sign * x[VGD]
    over = np.maximum(vgs, vgd) - p.vto
    np.maximum(over, 0.0, out=over)
    across = vgs - vgd
    forward = across >= 0.0
    span = np.abs(across)
    linear = np.minimum(span, over)  # what is beyond changes nothing but by the modulation
    rest = over - linear
    along = 2.0 * p.square + 3.0 * p.cubic * rest
    part = linear * (linear * (p.cubic * linear - p.square) + over * along)
    by_gate = linear * (along + 3.0 * p.cubic * over)
    slope = p.beta * (1.0 + p.modulation * span)
    drain = slope * part
    gm = slope * by_gate
    gds = slope * (rest * along) + p.beta * p.modulation * part
    both = gm + gds
    return _Bias(
        vgs, vgd, np.where(forward, drain, -drain), np.where(forward, both, gds),
        -np.where(forward, gds, both), gm,
    )


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
    return _currents(p, x, _bias(p, x), gmin)


def charges(p: Parameters, x: Floats) -> tuple[Floats, Floats]:
    """Charges of the terminals (T, ..., d, u), C, and derivatives (T, k, ..., d, u), F.

    The derivatives are zero but for `CHARGE_PATTERN`.
    """
    q = np.zeros((len(TERMINALS), *x.shape[1:]))
    c = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    for inner, branch, j in ((SI, VGS, p.cgs), (DI, VGD, p.cgd)):
        coulombs, farads = junction.charge(p.sign * x[branch], j)
        coulombs *= p.sign
        q[G] += coulombs
        q[inner] = -coulombs
        c[G, branch] = farads
        np.negative(farads, out=c[inner, branch])
    return q, c


def both(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats, Floats, Floats]:
    """`evaluate` and `charges`: i, didx, q, dqdx."""
    return *evaluate(p, x, gmin), *charges(p, x)


def small_signal(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Conductances and capacitances (T, k, d, u) at a bias, as ngspice's a.c. analysis has them."""
    _, g, _, c = both(p, x, gmin)
    return g, c


def _currents(p: Parameters, x: Floats, at: _Bias, gmin: float) -> tuple[Floats, Floats]:
    i = np.zeros((len(TERMINALS), *x.shape[1:]))
    g = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    least = gmin * p.many
    to_s, ggs = junction.current(at.vgs, p.saturation, np.asarray(THERMAL))
    to_d, ggd = junction.current(at.vgd, p.saturation, np.asarray(THERMAL))
    to_s += least * at.vgs
    to_d += least * at.vgd
    ggs += least
    ggd += least
    g[G, VGS], g[G, VGD] = ggs, ggd
    g[DI, VGS] = at.to_s
    np.subtract(at.to_d, ggd, out=g[DI, VGD])
    np.negative(at.to_s + ggs, out=g[SI, VGS])
    np.negative(at.to_d, out=g[SI, VGD])
    i[G] = p.sign * (to_s + to_d)
    i[DI] = p.sign * (at.drain - to_d)
    i[SI] = p.sign * (-at.drain - to_s)
    field_effect.resistances(i, g, x, ((D, DI, VD, p.gd), (S, SI, VS, p.gs)))
    return i, g


def limit(p: Parameters, new: Floats, old: Floats) -> tuple[Floats, Flags]:
    """Voltages (k, d, u) that Newton may take next, and the devices (d, u) whose step was cut."""
    x = new.copy()
    cut = np.zeros(new.shape[1:], dtype=bool)
    for branch in (VGS, VGD):
        before, after = p.sign * old[branch], p.sign * new[branch]
        taken, less = junction.limited(after, before, np.asarray(THERMAL), p.bend)
        held = field_effect.limited(taken, before, p.vto)
        x[branch] = p.sign * held
        cut |= less | (held != taken)
    return x, cut


def noise(p: Parameters, x: Floats) -> tuple[noisy.Source, ...]:
    """Sources of noise at a bias x (k, d, u): resistances, and the channel with its flicker."""
    at = _bias(p, x)
    i, _ = evaluate(p, x)
    inner = i[DI] + i[D]
    channel = noisy.thermal("di", "si", 2.0 / 3.0 * at.gm)
    return (
        noisy.thermal("d", "di", p.gd),
        noisy.thermal("s", "si", p.gs),
        channel,
        noisy.flicker("di", "si", inner, p.kf, p.af),
    )
