"""Between which values a condition, a reading or a figure of a device can lie at all.

Wide: ten times and more beyond what benches, amplifiers and parts of the trade have, so that
nothing real is refused (judgement). Outside, a prefix or a decimal point was lost, and a simulator
would run for minutes before it failed.
"""

from __future__ import annotations

from collections.abc import Mapping

Range = tuple[float, float]
"""The least and the most, both allowed, SI."""

FULL_SCALE: Range = (1e-6, 1e5)
"""V RMS of a sine that fills a recorder, any divider before it included."""

_AT_REST: Range = (0.1, 1e8)
"""Hz, of a frequency at which the linear answer of a unit is worked out."""
UNDER_DRIVE: Range = (0.1, 1e6)
"""Hz, of a frequency that a unit is driven with, and followed in time for several periods."""

PROBE_OHMS: Range = (1e3, 1e12)
"""Of the a.c. input that a reading is taken by."""
PROBE_FARADS: Range = (0.0, 1e-7)
"""The same; a cable of a kilometre has 100 nF."""

CONDITIONS: Mapping[str, Range] = {
    "frequency": _AT_REST,
    "reference": _AT_REST,
    "load": (1e-2, 1e9),
    "meter": (1.0, 1e12),
    "power": (1e-9, 1e5),
    "output level": (1e-7, 5e3),
    "input level": (1e-9, 1e3),
    "thd": (1e-7, 1.0),
    "ratio": (1e-3, 1e3),
}
"""Conditions of a reading by their words on a sheet, SI (a ratio for %)."""

VALUES: Mapping[str, float] = {
    "V": 1e5, "A": 1e4, "ohm": 1e13, "dB": 500.0, "deg": 1e5, "s": 1e4, "%": 1e4, "V/s": 1e13,
    "": 1e9, "W": 1e7,
}
"""How far from zero a reading can lie, by its unit, SI (a ratio for %)."""

UNCERTAINTY = 1e4
"""The most that an uncertainty can be on any compared scale (V, nepers, dB, degrees)."""

RAIL: Range = (1e-3, 5e3)
"""V of a rail, of either sign."""

LINES: Range = (0.1, 1e6)
"""Hz of a line of hum or ripple."""

_CURRENT: Range = (0.0, 1e4)
_LEAK: Range = (0.0, 1e-2)
_IS: Range = (1e-35, 1e-3)
_OHMS: Range = (0.0, 1e6)
_FARADS: Range = (0.0, 1e-4)
_EARLY: Range = (0.0, 1e6)
_TIME: Range = (0.0, 1e-2)
_BARRIER: Range = (0.05, 10.0)
_GRADING: Range = (0.0, 0.99)
_EMISSION: Range = (0.1, 20.0)
_THRESHOLD: Range = (-200.0, 200.0)
_MODULATION: Range = (0.0, 10.0)
_AREA: Range = (1e-3, 1e4)
"""Of figures that several families have: `_CURRENT` of corners, A; `_LEAK` of the leakage that
bends current gain, A; `_IS` of saturation currents, A; `_OHMS` of series resistances; `_FARADS` of
junctions; `_EARLY` of Early and transit voltages, V (0 is none); `_TIME` of transit times, s;
`_BARRIER` of junction potentials, V; `_GRADING` and `_EMISSION` of junction exponents;
`_THRESHOLD` of field-effect transistors, V; `_MODULATION` of their channels, 1/V; `_AREA` of a
device over that of its model."""

_COMMON: Mapping[str, Range] = {
    "KF": (0.0, 1e-3), "AF": (0.1, 5.0), "FC": (0.0, 0.99), "TNOM": (-100.0, 300.0),
    "EG": (0.1, 10.0), "XTI": (-20.0, 20.0),
}
"""Figures that every semiconductor may have, by SPICE's names."""
_VALVE: Mapping[str, Range] = {
    "mu": (0.5, 1e3), "ex": (0.5, 5.0), "kg1": (1.0, 1e7), "kp": (0.1, 1e5), "kvb": (1e-2, 1e6),
    "rgi": (1.0, 1e9), "cgk": (0.0, 1e-6), "cag": (0.0, 1e-6),
}
"""Figures of triodes and pentodes alike."""

FIGURES: Mapping[str, Mapping[str, Range]] = {
    "bipolar": {
        **_COMMON, "IS": _IS, "BF": (1e-2, 1e6), "NF": _EMISSION, "VAF": _EARLY, "IKF": _CURRENT,
        "ISE": _LEAK, "NE": _EMISSION, "BR": (1e-4, 1e5), "NR": _EMISSION, "VAR": _EARLY,
        "IKR": _CURRENT, "ISC": _LEAK, "NC": _EMISSION, "RB": _OHMS, "IRB": _CURRENT, "RBM": _OHMS,
        "RE": _OHMS, "RC": _OHMS, "CJE": _FARADS, "VJE": _BARRIER, "MJE": _GRADING, "TF": _TIME,
        "XTF": (0.0, 1e5), "VTF": _EARLY, "ITF": _CURRENT, "PTF": (0.0, 360.0), "CJC": _FARADS,
        "VJC": _BARRIER, "MJC": _GRADING, "XCJC": (0.0, 1.0), "TR": _TIME, "CJS": _FARADS,
        "VJS": _BARRIER, "MJS": _GRADING, "XTB": (-20.0, 20.0), "AREA": _AREA, "MULT": _AREA,
    },
    "diode": {
        **_COMMON, "IS": _IS, "RS": _OHMS, "N": _EMISSION, "TT": _TIME, "CJO": _FARADS,
        "VJ": _BARRIER, "M": _GRADING, "BV": (0.0, 1e6), "IBV": (0.0, 100.0), "NBV": _EMISSION,
        "IKF": _CURRENT, "AREA": _AREA, "MULT": _AREA,
    },
    "jfet": {
        **_COMMON, "VTO": _THRESHOLD, "BETA": (1e-9, 1e3), "LAMBDA": _MODULATION, "RD": _OHMS,
        "RS": _OHMS, "CGS": _FARADS, "CGD": _FARADS, "PB": _BARRIER, "IS": _IS, "B": (-10.0, 10.0),
        "N": _EMISSION, "AREA": _AREA, "MULT": _AREA,
    },
    "mosfet": {
        **_COMMON, "LEVEL": (1.0, 99.0), "VTO": _THRESHOLD, "KP": (1e-9, 1e4),
        "LAMBDA": _MODULATION, "GAMMA": (0.0, 100.0), "PHI": _BARRIER, "RD": _OHMS, "RS": _OHMS,
        "RSH": _OHMS, "CBD": _FARADS, "CBS": _FARADS, "IS": (0.0, 1e-3), "PB": _BARRIER,
        "CGSO": _FARADS, "CGDO": _FARADS, "CGBO": _FARADS, "CJ": (0.0, 1.0), "MJ": _GRADING,
        "CJSW": (0.0, 1e-2), "MJSW": _GRADING, "JS": (0.0, 1.0), "TOX": (1e-10, 1e-3),
        "NSUB": (0.0, 1e24), "NSS": (0.0, 1e20), "LD": (0.0, 1e-2), "UO": (0.0, 1e5),
        "W": (1e-9, 100.0), "L": (1e-9, 100.0), "MULT": _AREA,
    },
    "opamp": {
        "gain": (1.0, 1e10), "gbw": (10.0, 1e12), "input resistance": (1.0, 1e15),
        "output resistance": (1e-4, 1e6), "slew rate": (10.0, 1e12), "offset": (-1.0, 1.0),
        "bias current": (-0.1, 0.1), "noise voltage": (0.0, 1e-3), "noise corner": (0.0, 1e7),
        "swing": (1e-2, 5e3), "swing drop": (0.0, 100.0), "supply current": (1e-9, 10.0),
        "supply rejection": (0.1, 300.0), "output current": (1e-7, 1e3),
    },
    "triode": _VALVE,
    "pentode": {**_VALVE, "kg2": (1.0, 1e8), "cak": (0.0, 1e-6)},
    "transformer": {
        "ratio": (1e-4, 1e4), "primary resistance": (1e-4, 1e6), "coupling": (1e-2, 1.0),
    },
}
"""Figures of a device by the family of its kind and their words in a device file, SI."""
