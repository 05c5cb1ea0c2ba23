"""Registry of quantities: what can be read at a bench, and all that is said of it in one place.

How the simulator takes a quantity stands in `circuits.bench`, how far a stage model errs in
`diagnose/inference/model_error.yaml`; everything else stands here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
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
    apart : float
        In place of `uncertainty` where the reading is between two nodes: a small difference of two
        large voltages is read on a low range of its own.
    effort : float
        Minutes that one more reading takes at a bench (judgement).
    how : str
        How to take it.
    caution : tuple of str
        What taking it brings, for `circuits.cautions` to say in words: ``live`` (a probe in a
        unit that is on, whatever the conditions), ``driven``, ``square`` or ``off``.
    kind : {"bias", "signal", "mains", "noise", "drive"}
        What a fault that nobody knows moves together: readings of one kind.
    driven : {"never", "always", "stated"}
        Whether it takes a transient run under drive, a hundred times the others' cost; ``stated``
        where a level or a frequency stands beside it.
    follows : bool
        Whether it is right at every point of the signal's way before the one where the trouble
        starts, and wrong after it.
    sums : bool
        Whether it is the size of a sum of contributions that may cancel, so that it strays far
        down and not far up.
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
    step : float
        The last digit that a usual bench instrument shows, SI (judgement; see
        `circuits.reading.readable`).
    shows : float
        The least that it shows, SI or dB; minus infinity where it shows nought as well. What is
        typed below it is no evidence to the digit, and no two values far below it differ.
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
    caution: tuple[str, ...] = ()
    simulated: bool = True
    floor: float = 0.0
    ceiling: float = math.inf
    step: float = 0.0
    shows: float = -math.inf
    with_level: str = ""
    apart: float = 0.0
    # these four have no default: a quantity that lacks one does not load
    kind: Kind = field(kw_only=True)
    driven: Driven = field(kw_only=True)
    follows: bool = field(kw_only=True)
    sums: bool = field(kw_only=True)


_LIVE = ("live",)
_DRIVEN = ("driven",)
_SQUARE = ("driven", "square")
_OFF = ("off",)
_NO_SIGNAL = -100.0
"""Below this level, dB, a meter or a scope shows that nothing comes through."""
LOWEST = -120.0
"""Below this level, dB, an audio analyser shows its own floor."""
LEVELS: Mapping[str, str] = {"power": "W", "output level": "V", "input level": "V"}
"""The kinds of level that a reading can be taken at, and their units (V are RMS)."""
_LEVEL = tuple(LEVELS)
_ALONG = ("from", "at", "load", "probe")
"""Of what follows the signal: between two points of its way, else from generator to output."""

CROSSTALK, BALANCE = "crosstalk", "channel balance"
"""Quantities of two channels; `diagnose` says of which sheets they can be simulated."""

STATE = "state"
"""The condition that every quantity of one channel takes: in which state the unit was."""

HEARS_NOISE = ("noise", "snr", "thd+n", "many-tone floor")
"""Quantities that the noise of the unit is part of."""

QUANTITIES: Mapping[str, Quantity] = {
    q.name: q if q.name in (CROSSTALK, BALANCE) else replace(q, optional=(*q.optional, STATE))
    for q in (
        Quantity("dc voltage", "V", "linear", ("at",), ("from", "meter"), 0.005, 0.007, 1.0,
                 "d.c. voltmeter from the node to ground or to another node, no signal", _LIVE,
                 step=1e-4, apart=1e-4,
                 kind="bias", driven="never", sums=False, follows=False),
        Quantity("supply current", "A", "log", ("rail",), ("frequency", *_LEVEL, "load"), 0.03,
                 0.0, 3.0,
                 "drop across a dropper that is there, or a small resistor fitted with the power "
                 "off; no signal unless one is stated", _LIVE, step=1e-6, shows=1e-6,
                 kind="bias", driven="stated", sums=False, follows=False),
        Quantity("gain", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 3.0,
                 "output level over the open-circuit level of the generator", _DRIVEN,
                 step=0.01, shows=_NO_SIGNAL,
                 kind="signal", driven="never", sums=True, follows=True),
        Quantity("response", "dB", "dB", ("frequency", "reference"), _ALONG, 0.1, 0.0, 1.0,
                 "output level relative to that at the reference frequency", _DRIVEN,
                 step=0.01, shows=_NO_SIGNAL,
                 kind="signal", driven="never", sums=True, follows=True),
        Quantity("riaa deviation", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 1.0,
                 "response less the RIAA replay curve, 0 dB at 1 kHz",
                 step=0.01, shows=_NO_SIGNAL,
                 kind="signal", driven="never", sums=True, follows=True),
        Quantity("phase", "deg", "linear", ("frequency",), _ALONG, 1.0, 0.0, 2.0,
                 "output against input, on a two-channel scope or an analyser", _DRIVEN, step=0.1,
                 kind="signal", driven="never", sums=False, follows=True),
        Quantity("input impedance", "ohm", "log", ("frequency",), (), 0.03, 0.0, 4.0,
                 "drop across a known resistor in series with the input", ceiling=1e7,
                 step=1.0, shows=1.0,
                 kind="signal", driven="never", sums=False, follows=False),
        Quantity("output impedance", "ohm", "log", ("frequency",), (), 0.05, 0.0, 4.0,
                 "output level into two different loads", _DRIVEN, ceiling=1e7,
                 step=1e-3, shows=1e-3,
                 kind="signal", driven="never", sums=False, follows=False),
        Quantity("damping factor", "", "log", ("frequency",), ("load",), 0.05, 0.0, 4.0,
                 "output level without the load and with it", _DRIVEN, step=0.1, shows=0.1,
                 kind="signal", driven="never", sums=False, follows=False),
        Quantity("thd", "%", "level", ("frequency",), (*_LEVEL, "load"), 0.5, 0.0, 5.0,
                 "harmonics 2 to 10 over the fundamental", _DRIVEN, step=1e-6, shows=1e-6,
                 kind="drive", driven="always", sums=True, follows=True),
        Quantity("harmonic", "dB", "dB", ("order", "frequency"), (*_LEVEL, "load"), 0.7, 0.0, 2.0,
                 "one harmonic relative to the fundamental", _DRIVEN, step=0.1, shows=LOWEST,
                 kind="drive", driven="always", sums=True, follows=True),
        Quantity("thd+n", "%", "level", ("frequency",), (*_LEVEL, "load", "band"), 0.5, 0.0, 5.0,
                 "all but the fundamental, hum and noise too, over the fundamental (IEC 60268-3)",
                 _DRIVEN, step=1e-5, shows=1e-5,
                 kind="drive", driven="always", sums=True, follows=False),
        Quantity("imd", "%", "level", ("tones",), ("ratio", *_LEVEL, "load"), 0.5, 0.0, 6.0,
                 "difference tone of two near tones, or 4:1 modulation (IEC 60268-3)", _DRIVEN,
                 step=1e-5, shows=1e-5,
                 kind="drive", driven="always", sums=True, follows=True),
        Quantity("noise", "V", "level", (), ("at", "probe", "band", "weighting", *_LEVEL), 0.5, 0.0,
                 4.0,
                 "input terminated with the source impedance, no signal, hum lines taken out; with "
                 "a level, beside a signal of that at the output, which is notched out",
                 step=1e-7, shows=1e-6,
                 kind="noise", driven="never", sums=False, follows=True),
        Quantity("snr", "dB", "dB", (), ("band", "weighting", *_LEVEL), 0.5, 0.0, 4.0,
                 "noise, hum lines taken out, below the stated signal, which is notched out",
                 step=0.1,
                 kind="noise", driven="never", sums=False, follows=False),
        Quantity("hum", "V", "level", ("frequency",), ("at", "probe", *_LEVEL), 0.7, 0.0, 2.0,
                 "one line of the hum on an analyser, input terminated", step=1e-7, shows=1e-6,
                 kind="mains", driven="never", sums=True, follows=True, with_level="dB"),
        Quantity("ripple", "V", "level", ("at", "frequency"), ("probe",), 0.5, 0.0, 2.0,
                 "a.c. coupled analyser on the node", _LIVE, step=1e-7, shows=1e-6,
                 kind="mains", driven="never", sums=True, follows=False),
        Quantity(CROSSTALK, "dB", "dB", ("frequency",), (), 0.7, 0.0, 5.0,
                 "one channel driven; the other, its input terminated, over it, so below 0 dB "
                 "(IEC 60268-3)", _DRIVEN, step=0.1, shows=_NO_SIGNAL,
                 kind="signal", driven="never", sums=True, follows=False),
        Quantity(BALANCE, "dB", "dB", ("frequency",), _LEVEL, 0.1, 0.0, 3.0,
                 "right channel over left, the same signal fed to both (IEC 60268-3)", _DRIVEN,
                 step=0.01,
                 kind="signal", driven="never", sums=False, follows=False),
        Quantity("many-tone floor", "dB", "dB", (), ("band", *_LEVEL, "load"), 1.0, 0.0, 5.0,
                 "some 30 tones fed in at once: what lies between them, over the tones together",
                 _DRIVEN, step=0.1, shows=LOWEST,
                 kind="drive", driven="always", sums=True, follows=False),
        Quantity("rise time", "s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 4.0,
                 "10 to 90 % of a small square wave", _SQUARE, step=1e-9, shows=1e-9,
                 kind="signal", driven="always", sums=False, follows=False),
        Quantity("overshoot", "%", "linear", (), (*_LEVEL, "load"), 0.02, 0.0, 4.0,
                 "of a small square wave, over its height", _SQUARE, step=1e-3,
                 kind="signal", driven="always", sums=False, follows=False),
        Quantity("tilt", "%", "linear", ("frequency",), (*_LEVEL, "load"), 0.005, 0.03, 3.0,
                 "fall of the top of a square wave from edge to edge over its height (IEC 60268-3)",
                 _SQUARE, step=1e-3,
                 kind="signal", driven="never", sums=False, follows=False),
        Quantity("slew rate", "V/s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 5.0,
                 "steepest slope of the output with a large square wave (IEC 60268-3)", _SQUARE,
                 step=1e3, shows=1e3,
                 kind="drive", driven="always", sums=False, follows=False),
        Quantity("maximum output", "V", "level", ("frequency", "thd"), ("load",), 0.3, 0.0, 5.0,
                 "output level at which the stated distortion is reached", _DRIVEN,
                 step=1e-3, shows=1e-3,
                 kind="drive", driven="always", sums=False, follows=False),
        Quantity("resistance", "ohm", "log", ("between",), (), 0.02, 0.0, 1.5,
                 "ohmmeter with a small test current, power off", _OFF, floor=0.1,
                 step=0.01, shows=0.01,
                 kind="bias", driven="never", sums=False, follows=False),
    )
}
"""The quantities of the bench sheet by name. Uncertainties, efforts and what an instrument shows
are judgement: a meter of three and a half digits shows 0.1 mV and 0.01 ohm, 0.1 mV across 100 ohm
is 1 µA, and an analyser's own noise is about 1 µV. The standards are cited from memory."""


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
