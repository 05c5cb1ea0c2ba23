"""Insulated-gate field-effect transistors: Shichman and Hodges's law, SPICE's level 1.

Equations: ngspice's manual, chapter on such transistors, and its published sources; the gate's
capacitances are Meyer's. Those have no charge that depends on the voltages alone, so that what
`charges` gives of a device with an oxide (TOX) holds for small signals and not in time, where
ngspice must follow it. Inside this module voltages are those of an n-channel device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from circuits.batch.devices import field_effect, junction, noisy
from circuits.batch.devices.card import Card, Cards, Flags, Floats, inverse, table, unknown
from circuits.batch.devices.constants import GMIN, THERMAL
from circuits.batch.devices.junction import Depletion

TERMINALS = ("d", "g", "s", "b", "di", "si")
"""Drain, gate, source, bulk, and drain and source behind their resistances."""
OUTER = TERMINALS[:4]
D, G, S, B, DI, SI = range(6)
BRANCHES = (("g", "si"), ("di", "si"), ("b", "si"), ("d", "di"), ("s", "si"))
VGS, VDS, VBS, VD, VS = range(5)
PATTERN = (
    (B, VBS), (B, VDS), (DI, VGS), (DI, VDS), (DI, VBS), (SI, VGS), (SI, VDS), (SI, VBS), (D, VD),
    (DI, VD), (S, VS), (SI, VS),
)
"""Derivatives of currents that can differ from zero."""
CHARGE_PATTERN = (
    (G, VGS), (G, VDS), (G, VBS), (DI, VGS), (DI, VDS), (DI, VBS), (SI, VGS), (SI, VBS), (B, VGS),
    (B, VDS), (B, VBS),
)
"""Derivatives of charges that can."""

DEFAULTS: Mapping[str, float] = {
    "LEVEL": 1.0, "VTO": 0.0, "KP": np.nan, "LAMBDA": 0.0, "GAMMA": 0.0, "PHI": 0.6, "RD": np.nan,
    "RS": np.nan, "RSH": 0.0, "CBD": 0.0, "CBS": 0.0, "IS": 1e-14, "PB": 0.8, "CGSO": 0.0,
    "CGDO": 0.0, "CGBO": 0.0, "MJ": 0.5, "FC": 0.5, "TOX": 0.0, "UO": 600.0, "LD": 0.0, "L": 1e-4,
    "W": 1e-4, "KF": 0.0, "AF": 1.0,
}
"""SI but UO, cm²/Vs (ngspice's manual); KP follows from UO and TOX where it is not stated."""
_IDLE = ("CJ", "CJSW", "MJSW", "JS", "NSUB", "NSS", "TPG")
"""Of areas that no device here has, and of a substrate without an oxide."""
_KP = 2e-5
"""A/V² of a card that states neither KP nor an oxide (ngspice's)."""
_OXIDE = 3.9 * 8.854214871e-12
"""F/m, of silicon dioxide as ngspice has it."""
_ASSUMED = 1e-7
"""m of oxide by which ngspice works flicker out where a card states none."""
_BEGIN = -1.0
"""V from bulk to source where Newton begins (ngspice's)."""
_LEAST_SPAN = 0.025
"""V of saturation from which on Meyer's capacitances follow it (ngspice's)."""


@dataclass(frozen=True)
class Parameters:
    """Effective parameters (d, u), SI, after size and multiplier; conductances for resistances.

    `vto`, `phi`, `gamma` are of the threshold, `oxide` the gate's whole capacitance (F), `cgso` and
    the like the overlaps (F), `flicker` what the current's power AF is multiplied with.
    """

    sign: Floats
    vto: Floats
    gamma: Floats
    phi: Floats
    beta: Floats
    modulation: Floats
    saturation: Floats
    gd: Floats
    gs: Floats
    cgso: Floats
    cgdo: Floats
    cgbo: Floats
    oxide: Floats
    flicker: Floats
    af: Floats
    bend: Floats
    cbd: Depletion
    cbs: Depletion
    oxides: bool
    depletes: bool


def unsupported(card: Card) -> str:
    """Why ngspice must compute the device of a card; empty where it need not."""
    if card.get("LEVEL", 1.0) != 1.0:
        return f"LEVEL {card['LEVEL']:g} of a transistor"
    if card.get("TOX", 0.0) and "NSUB" in card:
        return "NSUB with TOX"
    if card.get("RSH", 0.0) and 0.0 in (card.get("RD"), card.get("RS")):
        return "RSH with RD or RS of zero"
    return unknown({k: v for k, v in card.items() if k not in _IDLE}, DEFAULTS)


def collapsed(card: Card) -> tuple[tuple[str, str], ...]:
    """Pairs of an inner and an outer terminal that are one node, for want of a resistance."""
    sheet = card.get("RSH", 0.0)
    pairs = (("di", "d", "RD"), ("si", "s", "RS"))
    return tuple((inner, outer) for inner, outer, name in pairs if card.get(name, sheet) == 0.0)


def parameters(cards: Cards) -> Parameters:
    """The parameters of d devices in u units; see `Parameters`."""
    t = table(cards, DEFAULTS)
    many, fc = t["MANY"], np.minimum(t["FC"], 0.9999)
    length = t["L"] - 2.0 * t["LD"]
    per_area = _OXIDE * inverse(t["TOX"])
    made = np.where(t["TOX"] > 0.0, t["UO"] * per_area * 1e-4, _KP)
    kp = np.where(np.isnan(t["KP"]), made, t["KP"])
    ends = [np.where(np.isnan(t[name]), t["RSH"], t[name]) for name in ("RD", "RS")]
    saturation = t["IS"] * many
    thick = np.where(per_area > 0.0, per_area, _OXIDE / _ASSUMED)
    return Parameters(
        sign=t["POLARITY"], vto=t["POLARITY"] * t["VTO"], gamma=t["GAMMA"], phi=t["PHI"],
        beta=kp * many * t["W"] / length, modulation=t["LAMBDA"], saturation=saturation,
        gd=inverse(ends[0]) * many, gs=inverse(ends[1]) * many,
        cgso=t["CGSO"] * many * t["W"], cgdo=t["CGDO"] * many * t["W"],
        cgbo=t["CGBO"] * many * length, oxide=per_area * length * many * t["W"],
        flicker=t["KF"] / (t["W"] * many * length * thick * thick), af=t["AF"],
        bend=junction.critical(saturation, np.full_like(many, THERMAL)),
        cbd=junction.depletion(t["CBD"] * many, t["PB"], t["MJ"], fc),
        cbs=junction.depletion(t["CBS"] * many, t["PB"], t["MJ"], fc),
        oxides=bool(t["TOX"].any()), depletes=bool(t["CBD"].any() or t["CBS"].any()),
    )


def start(p: Parameters) -> Floats:
    """Branch voltages (k, d, u) where Newton begins: the gate at the threshold, the bulk below."""
    x = np.zeros((len(BRANCHES), *p.sign.shape))
    x[VGS] = p.sign * p.vto
    x[VBS] = p.sign * _BEGIN
    return x


@dataclass(frozen=True)
class _Bias:
    """Voltages and the channel's current, an n-channel's, with its slopes.

    `over` is what the gate has beyond the threshold `on`; `gm`, `gds` and `gmbs` are derivatives
    from the end that is the source, by gate, span and bulk.
    """

    forward: Flags
    vgs: Floats
    vds: Floats
    vbs: Floats
    on: Floats
    over: Floats
    drain: Floats
    gm: Floats
    gds: Floats
    gmbs: Floats


def _threshold(p: Parameters, vbs: Floats) -> tuple[Floats, Floats]:
    """V at which the channel opens, and by how much it falls with the bulk's voltage."""
    root = np.sqrt(p.phi)
    depth = np.sqrt(p.phi - np.minimum(vbs, 0.0))
    depth = np.where(vbs > 0.0, np.maximum(root - vbs / (2.0 * root), 0.0), depth)
    slope = np.divide(0.5 * p.gamma, depth, out=np.zeros_like(depth), where=depth > 0.0)
    return p.vto + p.gamma * (depth - root), slope


def _bias(p: Parameters, x: Floats) -> _Bias:
    vgs, vds, vbs = (p.sign * x[k] for k in (VGS, VDS, VBS))
    forward = vds >= 0.0
    back = np.minimum(vds, 0.0)  # from the end that is the source
    on, body = _threshold(p, vbs - back)
    over = vgs - back - on
    pinch = np.maximum(over, 0.0)
    span = np.abs(vds)
    linear = np.minimum(span, pinch)
    slope = p.beta * (1.0 + p.modulation * span)
    part = linear * (pinch - 0.5 * linear)
    gm = slope * linear
    gds = slope * (pinch - linear) + p.beta * p.modulation * part
    return _Bias(forward, vgs, vds, vbs, on, over, slope * part, gm, gds, gm * body)


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

    The derivatives are zero but for `CHARGE_PATTERN`. With an oxide a charge is its capacitance
    times the voltage, and the derivatives are the capacitances alone.
    """
    return _charges(p, x, _bias(p, x))


def both(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats, Floats, Floats]:
    """`evaluate` and `charges` for less than the price of both: i, didx, q, dqdx."""
    bias = _bias(p, x)
    return *_currents(p, x, bias, gmin), *_charges(p, x, bias)


def small_signal(p: Parameters, x: Floats, gmin: float = GMIN) -> tuple[Floats, Floats]:
    """Conductances and capacitances (T, k, d, u) at a bias, as ngspice's a.c. analysis has them."""
    _, g, _, c = both(p, x, gmin)
    return g, c


def _bulk(p: Parameters, v: Floats, gmin: float) -> tuple[Floats, Floats]:
    """Current and conductance of a junction to the bulk; far in reverse no cubic's here."""
    ratio = v / THERMAL
    reverse = ratio <= -3.0
    grown = p.saturation * np.exp(np.minimum(ratio, 250.0))
    siemens = np.where(reverse, 0.0, grown / THERMAL) + gmin
    return np.where(reverse, 0.0, grown) - p.saturation + gmin * v, siemens


def _currents(p: Parameters, x: Floats, at: _Bias, gmin: float) -> tuple[Floats, Floats]:
    i = np.zeros((len(TERMINALS), *x.shape[1:]))
    g = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    to_s, gbs = _bulk(p, at.vbs, gmin)
    to_d, gbd = _bulk(p, at.vbs - at.vds, gmin)
    way = np.where(at.forward, 1.0, -1.0)
    by_gate, by_bulk = way * at.gm, way * at.gmbs
    by_span = at.gds + np.where(at.forward, 0.0, at.gm + at.gmbs)
    drain = way * at.drain
    g[DI, VGS], g[DI, VDS], g[DI, VBS] = by_gate, by_span + gbd, by_bulk - gbd
    np.negative(by_gate, out=g[SI, VGS])
    np.negative(by_span, out=g[SI, VDS])
    np.negative(by_bulk + gbs, out=g[SI, VBS])
    np.add(gbs, gbd, out=g[B, VBS])
    np.negative(gbd, out=g[B, VDS])
    i[DI] = p.sign * (drain - to_d)
    i[SI] = -p.sign * (drain + to_s)
    i[B] = p.sign * (to_s + to_d)
    field_effect.resistances(i, g, x, ((D, DI, VD, p.gd), (S, SI, VS, p.gs)))
    return i, g


def _charges(p: Parameters, x: Floats, at: _Bias) -> tuple[Floats, Floats]:
    q = np.zeros((len(TERMINALS), *x.shape[1:]))
    c = np.zeros((len(TERMINALS), len(BRANCHES), *x.shape[1:]))
    cgs, cgd, cgb = p.cgso, p.cgdo, p.cgbo
    if p.oxides:
        more = _meyer(p, at)
        cgs, cgd, cgb = cgs + more[0], cgd + more[1], cgb + more[2]
    vgd, vgb = at.vgs - at.vds, at.vgs - at.vbs
    to_s, to_d, to_b = cgs * at.vgs, cgd * vgd, cgb * vgb
    q[G] = to_s + to_d + to_b
    q[SI], q[DI], q[B] = -to_s, -to_d, -to_b
    c[G, VGS] = cgs + cgd + cgb
    np.negative(cgd, out=c[G, VDS])
    np.negative(cgb, out=c[G, VBS])
    np.negative(cgs, out=c[SI, VGS])
    np.negative(cgd, out=c[DI, VGS])
    np.negative(cgb, out=c[B, VGS])
    c[DI, VDS], c[B, VBS] = cgd, cgb
    if p.depletes:
        qbs, cbs = junction.charge(at.vbs, p.cbs)
        qbd, cbd = junction.charge(at.vbs - at.vds, p.cbd)
        q[B] += qbs + qbd
        q[SI] -= qbs
        q[DI] -= qbd
        c[B, VBS] += cbs + cbd
        c[B, VDS] -= cbd
        c[SI, VBS] -= cbs
        c[DI, VBS] -= cbd
        c[DI, VDS] += cbd
    q *= p.sign
    return q, c


def _meyer(p: Parameters, at: _Bias) -> tuple[Floats, Floats, Floats]:
    """Capacitances (F) of the oxide from gate to source, drain and bulk."""
    span = np.abs(at.vds)
    pinch = np.maximum(at.over, _LEAST_SPAN)
    weak = np.clip(at.over / (0.75 * p.phi) + 2.0 / 3.0, 0.0, 2.0 / 3.0) * p.oxide
    far = 2.0 * pinch - np.minimum(span, pinch)
    near = np.maximum(pinch - span, 0.0)
    to_source = weak * (1.0 - near * near / (far * far))
    to_drain = weak * np.maximum(1.0 - pinch * pinch / (far * far), 0.0)
    to_bulk = p.oxide * np.clip(-at.over / p.phi, 0.0, 1.0)
    return (
        np.where(at.forward, to_source, to_drain), np.where(at.forward, to_drain, to_source),
        to_bulk,
    )


def limit(p: Parameters, new: Floats, old: Floats) -> tuple[Floats, Flags]:
    """Voltages (k, d, u) that Newton may take next, and the devices (d, u) whose step was cut."""
    vgs, vds, vbs = (p.sign * new[k] for k in (VGS, VDS, VBS))
    gate, span, bulk = (p.sign * old[k] for k in (VGS, VDS, VBS))
    forward = span >= 0.0
    on, _ = _threshold(p, bulk - np.minimum(span, 0.0))
    # from the end that is the source
    way = np.where(forward, 1.0, -1.0)
    far_gate = vgs - vds
    held = np.where(
        forward, field_effect.limited(vgs, gate, on),
        field_effect.limited(far_gate, gate - span, on),
    )
    moved = np.where(forward, held - far_gate, vgs - held)
    moved = way * field_effect.limited_span(way * moved, way * span)
    taken_gate = np.where(forward, held, held + moved)
    # Newton's next span says which junction may conduct
    ahead = moved >= 0.0
    to_s, less_s = junction.limited(vbs, bulk, np.asarray(THERMAL), p.bend)
    to_d, less_d = junction.limited(vbs - moved, bulk - span, np.asarray(THERMAL), p.bend)
    taken_bulk = np.where(ahead, to_s, to_d + moved)
    x = new.copy()
    x[VGS], x[VDS], x[VBS] = p.sign * taken_gate, p.sign * moved, p.sign * taken_bulk
    cut = np.where(ahead, less_s, less_d)
    return x, cut | (np.abs(taken_gate - vgs) > 1e-12) | (np.abs(moved - vds) > 1e-12)


def noise(p: Parameters, x: Floats) -> tuple[noisy.Source, ...]:
    """Sources of noise at a bias x (k, d, u): resistances, and the channel with its flicker."""
    at = _bias(p, x)
    i, _ = evaluate(p, x)
    return (
        noisy.thermal("d", "di", p.gd),
        noisy.thermal("s", "si", p.gs),
        noisy.thermal("di", "si", 2.0 / 3.0 * at.gm),
        noisy.flicker("di", "si", i[DI] + i[D], p.flicker, p.af),
    )
