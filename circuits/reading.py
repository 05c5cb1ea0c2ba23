"""Readings: a quantity and the conditions it was taken under, and the registry of quantities.

A reading is one number on a bench sheet. What its value means, on which scale two values are
compared, how well a bench instrument takes it and what taking it costs stand in the registry;
how the simulator takes it stands in `circuits.bench`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.errors import InputError
from circuits.quantity import render

Kind = Literal["bias", "signal", "mains", "noise", "drive"]
Driven = Literal["never", "always", "stated"]

DB_FLOOR = -140.0
"""Below this level, dB, every reading is as good as nothing."""


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


@dataclass(frozen=True)
class Reading:
    """What is read: a quantity and its conditions, SI floats; zero or empty means not stated.

    Attributes
    ----------
    quantity : str
    at, rail : str
        Node or rail; of a signal, the node that it is read at (empty is the output).
    origin : str
        ``from``: the node that a signal is compared with (empty is the generator).
    frequency, reference : float
        Hz.
    load : float
        Ohm; 0 is the stage's own.
    level : tuple (kind, value) or None
        ``power`` in W, ``output level`` or ``input level`` in V RMS.
    order : int
        Of a harmonic.
    band : tuple of float
        Hz; (0, 0) is 20 Hz to 20 kHz.
    weighting : str
        ``A`` or empty.
    between : tuple of str
        Two nodes of a resistance.
    tones, ratio, thd
        Of intermodulation and maximum output.
    """

    quantity: str
    at: str = ""
    rail: str = ""
    frequency: float = 0.0
    reference: float = 0.0
    load: float = 0.0
    level: tuple[str, float] | None = None
    order: int = 0
    band: tuple[float, float] = (0.0, 0.0)
    weighting: str = ""
    between: tuple[str, ...] = ()
    tones: tuple[float, ...] = ()
    ratio: float = 0.0
    thd: float = 0.0
    origin: str = ""

    @property
    def about(self) -> Quantity:
        """The registry's entry for this reading's quantity."""
        return quantity(self.quantity)

    @property
    def driven(self) -> bool:
        """Whether it is taken under drive, by a transient run: a hundred times the others' cost."""
        if self.about.driven == "stated":
            return self.level is not None or self.frequency > 0.0
        return self.about.driven == "always"

    @property
    def unit(self) -> str:
        """The unit its values are shown in; a hum relative to a signal is in dB."""
        return (self.about.with_level if self.level is not None else "") or self.about.unit

    @property
    def scale(self) -> str:
        """The scale on which two of its values are compared."""
        return (self.about.with_level if self.level is not None else "") or self.about.scale

    def key(self) -> str:
        """A text that two readings share if and only if they are the same reading."""
        parts = [self.quantity]
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "quantity" and value != item.default:
                parts.append(f"{item.name}={value!r}")
        return "; ".join(parts)

    def label(self) -> str:
        """The reading as a person would call it: ``response at 20 Hz``."""
        return _label(self)


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


def compared(reading: Reading, value: float) -> float:
    """A value of a reading on its compared scale (V, natural log, dB or degrees)."""
    if reading.scale == "log":
        return math.log(float(_met(reading.about, abs(value))))
    if reading.scale == "level":
        return max(20.0 * math.log10(max(abs(value), 1e-30)), -200.0)
    if reading.scale == "dB":
        return max(value, DB_FLOOR)
    return value


def _met(about: Quantity, size: ArrayLike) -> NDArray[np.float64]:
    """What a meter with its own floor and ceiling is faced with, of the size of a value."""
    value = np.maximum(size, 1e-12) + about.floor
    return np.asarray(value / (1.0 + value / about.ceiling))


def all_compared(reading: Reading, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """`compared` for many values of one reading; what is not a number stays so.

    Parameters
    ----------
    reading : Reading
    values : (n,) array
    """
    if reading.scale == "log":
        return np.asarray(np.log(_met(reading.about, np.abs(values))))
    if reading.scale == "level":
        return np.maximum(20.0 * np.log10(np.maximum(np.abs(values), 1e-30)), -200.0)
    if reading.scale == "dB":
        return np.maximum(values, DB_FLOOR)
    return values


def least(reading: Reading) -> float:
    """What a real unit shows at least, whatever its stage file says; minus infinity for nothing.

    Crosstalk never falls below what sockets, switches and leads couple: -70 dB up to 1 kHz, and
    6 dB an octave more above, as a capacitance does (judgement; amplifiers of the period are
    specified at 40 to 60 dB).
    """
    if reading.quantity != CROSSTALK:
        return -math.inf
    return _WIRING + 20.0 * math.log10(max(1.0, reading.frequency / 1e3))


def through_wiring(reading: Reading, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Simulated values of one reading on the compared scale (n,), with `least` added as power."""
    floor = least(reading)
    if math.isinf(floor):
        return values
    return np.asarray(10.0 * np.log10(10.0 ** (values / 10.0) + 10.0 ** (floor / 10.0)))


_WIRING = -70.0
_LEADS = 0.3
"""How well the floor itself is known: leads are zeroed to a third of their resistance."""


def instrument(reading: Reading, values: ArrayLike) -> NDArray[np.float64]:
    """Standard uncertainty of a usual bench instrument, on the compared scale.

    Parameters
    ----------
    reading : Reading
    values : array_like
        What it reads, on the compared scale, any shape.
    """
    about = reading.about
    x = np.asarray(values, dtype=float)
    if reading.scale == "linear":
        return np.asarray(np.hypot(about.uncertainty, about.relative * x))
    if reading.scale == "log" and about.floor:
        share = about.floor * np.exp(-np.maximum(x, math.log(about.floor)))
        return np.asarray(np.hypot(about.uncertainty, _LEADS * share))
    return np.full(x.shape, about.uncertainty)


def from_compared(reading: Reading, x: float) -> float:
    """The inverse of `compared`."""
    if reading.scale == "log":
        value = math.exp(x)
        value = value / max(1.0 - value / reading.about.ceiling, 1e-6)
        return max(value - reading.about.floor, 1e-12)
    if reading.scale == "level":
        return float(10.0 ** (x / 20.0))
    return x


def shown(reading: Reading, value: float) -> float:
    """A value as the contract prints it: percent for ``%``, else unchanged."""
    return value * 100.0 if reading.unit == "%" else value


def _label(r: Reading) -> str:
    where, way = "", ""
    if "from" in r.about.optional:
        way = f" from {r.origin}" if r.origin else ""
        way += f" to {r.at}" if r.at else ""
    elif r.at:
        where += f" at {r.at}"
    if r.rail:
        where += f" of {r.rail}"
    if r.between:
        where += " between " + " and ".join(r.between)
    name = f"harmonic {r.order}" if r.order else r.quantity
    if r.frequency:
        where += f" at {render(r.frequency, 'Hz')}"
    if r.tones:
        where += " of " + " and ".join(render(tone, "Hz") for tone in r.tones)
    extras = [f"{render(r.thd, '%')} thd"] if r.thd else []
    if r.weighting:
        extras.append(f"{r.weighting}-weighted")
    if r.band != (0.0, 0.0):
        extras.append(f"{render(r.band[0], 'Hz')} to {render(r.band[1], 'Hz')}")
    if r.level is not None:
        kind, value = r.level
        text = render(value, LEVELS[kind]) + (" in" if kind == "input level" else "")
        if r.load:
            text += f" into {render(r.load, 'ohm')}"
        extras.append(text)
    elif r.load:
        extras.append(f"into {render(r.load, 'ohm')}")
    return name + where + way + (", " + ", ".join(extras) if extras else "")
