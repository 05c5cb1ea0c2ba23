"""Registry of quantities: what can be read at a bench, and all that is said of it in one place.

How the simulator takes a quantity stands in `circuits.bench`, how far a stage model errs in
`diagnose/inference/model_error.yaml`; everything else stands here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from circuits.errors import InputError

Kind = Literal["bias", "signal", "mains", "noise", "drive"]
Driven = Literal["never", "always", "stated"]


@dataclass(frozen=True)
class Quantity:
    """One entry of the registry.

    Attributes
    ----------
    name, unit : str
        Values are SI floats inside; ``%`` is a ratio inside, dB and degrees are themselves.
    scale : {"linear", "log", "dB", "level"}
        How two values are compared: as they are, by natural logarithm, as they are in dB, or
        by 20·log10 of a ratio or voltage.
    required, optional : tuple of str
        Conditions, in the words of the case file.
    uncertainty : float
        Standard uncertainty of a bench instrument on the compared scale.
    relative : float
        A further part of it, relative to the value (linear scales only).
    effort : float
        Minutes that one more reading takes at a bench (judgement).
    how, caution : str
        How to take it, and what to mind.
    kind : {"bias", "signal", "mains", "noise", "drive"}
        What a fault that nobody knows moves together: readings of one kind.
    driven : {"never", "always", "stated"}
        Whether it takes a transient run under drive, a hundred times the others' cost; ``stated``
        where a level or a frequency stands beside it.
    follows : bool
        Whether it is right at every point of the signal's way before the one where the trouble
        starts, and wrong after it.
    with_level : str
        Unit and scale of its values where a level is stated, which they are then relative to;
        empty where they stay what they are.
    simulated : bool
        Whether the virtual bench takes it.
    floor : float
        Added to the value before its logarithm is taken, so that what lies far below counts as
        nothing: lead and contact resistance, for an ohmmeter (logarithmic scales only).
    ceiling : float
        Lies beside the value, so that what is far above counts as open: the meter's own
        impedance (logarithmic scales only).
    """

    name: str
    unit: str
    scale: str
    required: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    uncertainty: float = 0.0
    relative: float = 0.0
    effort: float = 2.0
    how: str = ""
    caution: str = ""
    simulated: bool = True
    floor: float = 0.0
    ceiling: float = math.inf
    with_level: str = ""
    # these three have no default: a quantity that lacks one does not load
    kind: Kind = field(kw_only=True)
    driven: Driven = field(kw_only=True)
    follows: bool = field(kw_only=True)


_LIVE = "The unit is live: one hand, insulated probes, no slips between pins."
_DRIVEN = "Use a dummy load of full rating; keep the loudspeaker disconnected."
_OFF = "Mains plug out, reservoirs discharged through a resistor and checked with a meter first."
LEVELS: Mapping[str, str] = {"power": "W", "output level": "V", "input level": "V"}
"""The kinds of level that a reading can be taken at, and their units (V are RMS)."""
_LEVEL = tuple(LEVELS)
_ALONG = ("from", "at", "load")
"""Of what follows the signal: between two points of its way, else from generator to output."""

CROSSTALK, BALANCE = "crosstalk", "channel balance"
"""Quantities of two channels; `diagnose` says of which sheets they can be simulated."""

QUANTITIES: Mapping[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("dc voltage", "V", "linear", ("at",), (), 0.005, 0.007, 1.0,
                 "meter of 10 Mohm from the node to ground, no signal", _LIVE,
                 kind="bias", driven="never", follows=False),
        Quantity("supply current", "A", "log", ("rail",), ("frequency", *_LEVEL, "load"), 0.03,
                 0.0, 3.0,
                 "drop across a small resistor in the rail, no signal unless one is stated", _LIVE,
                 kind="bias", driven="stated", follows=False),
        Quantity("gain", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 3.0,
                 "output over generator e.m.f.", _DRIVEN,
                 kind="signal", driven="never", follows=True),
        Quantity("response", "dB", "dB", ("frequency", "reference"), _ALONG, 0.1, 0.0, 1.0,
                 "level relative to the reference frequency", _DRIVEN,
                 kind="signal", driven="never", follows=True),
        Quantity("riaa deviation", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 1.0,
                 "response less the replay curve, 0 dB at 1 kHz", "",
                 kind="signal", driven="never", follows=True),
        Quantity("phase", "deg", "linear", ("frequency",), _ALONG, 1.0, 0.0, 2.0,
                 "output relative to input, two-channel scope or analyser", _DRIVEN,
                 kind="signal", driven="never", follows=True),
        Quantity("input impedance", "ohm", "log", ("frequency",), (), 0.03, 0.0, 4.0,
                 "drop across a known series resistor", "", ceiling=1e7,
                 kind="signal", driven="never", follows=False),
        Quantity("output impedance", "ohm", "log", ("frequency",), (), 0.05, 0.0, 4.0,
                 "level with two loads", _DRIVEN,
                 kind="signal", driven="never", follows=False),
        Quantity("damping factor", "", "log", ("frequency",), ("load",), 0.05, 0.0, 4.0,
                 "level open and loaded", _DRIVEN,
                 kind="signal", driven="never", follows=False),
        Quantity("thd", "%", "level", ("frequency",), (*_LEVEL, "load"), 0.5, 0.0, 5.0,
                 "harmonics 2 to 10 over the fundamental", _DRIVEN,
                 kind="drive", driven="always", follows=True),
        Quantity("harmonic", "dB", "dB", ("order", "frequency"), (*_LEVEL, "load"), 0.7, 0.0, 2.0,
                 "one harmonic relative to the fundamental", _DRIVEN,
                 kind="drive", driven="always", follows=True),
        Quantity("thd+n", "%", "level", ("frequency",), (*_LEVEL, "load", "band"), 0.5, 0.0, 5.0,
                 "all but the fundamental, hum and noise too, over the fundamental (IEC 60268-3)",
                 _DRIVEN,
                 kind="drive", driven="always", follows=False),
        Quantity("imd", "%", "level", ("tones",), ("ratio", *_LEVEL, "load"), 0.5, 0.0, 6.0,
                 "IEC 60268-3 difference tone or 4:1 modulation", _DRIVEN,
                 kind="drive", driven="always", follows=True),
        Quantity("noise", "V", "level", (), ("at", "band", "weighting"), 0.5, 0.0, 4.0,
                 "input terminated with the source impedance, no signal, hum lines taken out", "",
                 kind="noise", driven="never", follows=True),
        Quantity("snr", "dB", "dB", (), ("band", "weighting", *_LEVEL), 0.5, 0.0, 4.0,
                 "noise, hum lines taken out, below the stated signal", "",
                 kind="noise", driven="never", follows=False),
        Quantity("hum", "V", "level", ("frequency",), ("at", *_LEVEL), 0.7, 0.0, 2.0,
                 "one mains line, analyser, input terminated", "",
                 kind="mains", driven="never", follows=True, with_level="dB"),
        Quantity("ripple", "V", "level", ("at", "frequency"), (), 0.5, 0.0, 2.0,
                 "a.c. coupled analyser on the node", _LIVE,
                 kind="mains", driven="never", follows=False),
        Quantity(CROSSTALK, "dB", "dB", ("frequency",), (), 0.7, 0.0, 5.0,
                 "one channel driven; the other, its input terminated, over it, so below 0 dB "
                 "(IEC 60268-3)", _DRIVEN,
                 kind="signal", driven="never", follows=False),
        Quantity(BALANCE, "dB", "dB", ("frequency",), _LEVEL, 0.1, 0.0, 3.0,
                 "right channel over left, the same signal fed to both (IEC 60268-3)", _DRIVEN,
                 kind="signal", driven="never", follows=False),
        Quantity("many-tone floor", "dB", "dB", (), ("band", *_LEVEL, "load"), 1.0, 0.0, 5.0,
                 "all between some 30 tones at once over the tones together", _DRIVEN,
                 kind="drive", driven="always", follows=False),
        Quantity("rise time", "s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 4.0,
                 "10 to 90 % of a small square wave", _DRIVEN,
                 kind="signal", driven="always", follows=False),
        Quantity("overshoot", "%", "linear", (), (*_LEVEL, "load"), 0.02, 0.0, 4.0,
                 "of a small square wave", _DRIVEN,
                 kind="signal", driven="always", follows=False),
        Quantity("tilt", "%", "linear", ("frequency",), (*_LEVEL, "load"), 0.005, 0.03, 3.0,
                 "fall of the top of a square wave from edge to edge over its height (IEC 60268-3)",
                 _DRIVEN,
                 kind="signal", driven="never", follows=False),
        Quantity("slew rate", "V/s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 5.0,
                 "steepest slope of the output with a large square wave, IEC 60268-3", _DRIVEN,
                 kind="drive", driven="always", follows=False),
        Quantity("maximum output", "V", "level", ("frequency", "thd"), ("load",), 0.3, 0.0, 5.0,
                 "at the stated distortion", _DRIVEN,
                 kind="drive", driven="always", follows=False),
        Quantity("resistance", "ohm", "log", ("between",), (), 0.02, 0.0, 1.5,
                 "power off, small test current", _OFF, floor=0.1,
                 kind="bias", driven="never", follows=False),
    )
}
"""The quantities of the bench sheet by name. Uncertainties and efforts are judgement; the standards
named are cited from memory."""


def quantity(name: str) -> Quantity:
    """The registry's entry of that name.

    Raises
    ------
    InputError
        For a word that is no quantity, naming the nearest ones.
    """
    try:
        return QUANTITIES[name]
    except KeyError:
        raise InputError(
            f"{name!r} is no quantity", expected="a quantity", choices=QUANTITIES, given=name
        ) from None
