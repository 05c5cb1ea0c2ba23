"""Readings: a quantity and the conditions it was taken under, and the registry of quantities.

A reading is one number on a bench sheet. What its value means, on which scale two values are
compared, how well a bench instrument takes it and what taking it costs stand in the registry;
how the simulator takes it stands in `circuits.bench`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.errors import InputError
from circuits.prompt import few_lines
from circuits.quantity import render

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
    how : str
        How to take it.
    caution : tuple of str
        What taking it brings, for `circuits.cautions` to say in words: ``live`` (a probe in a
        unit that is on, whatever the conditions), ``driven``, ``square`` or ``off``.
    simulated : bool
        Whether the virtual bench takes it.
    floor : float
        Added to the value before its logarithm is taken, so that what lies far below counts as
        nothing: lead and contact resistance, for an ohmmeter (logarithmic scales only).
    ceiling : float
        Lies beside the value, so that what is far above counts as open: the meter's own
        impedance (logarithmic scales only).
    step : float
        The last digit that a usual bench instrument shows, SI (judgement; see `readable`).
    shows : float
        The least that it shows, SI or dB; minus infinity where it shows nought as well.
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


_LIVE = ("live",)
_DRIVEN = ("driven",)
_SQUARE = ("driven", "square")
_OFF = ("off",)
_DRIVEN_ONES = frozenset({
    "thd", "harmonic", "thd+n", "imd", "many-tone floor", "maximum output", "rise time",
    "overshoot", "slew rate",
})
_LEVEL = ("power", "output level", "input level")
_NO_SIGNAL = -100.0
"""Below this level, dB, a meter or a scope shows that nothing comes through."""
_LOWEST = -120.0
"""Below this level, dB, an audio analyser shows its own floor."""
_ALONG = ("from", "at", "load")
"""Of what follows the signal: between two points of its way, else from generator to output."""

CROSSTALK, BALANCE = "crosstalk", "channel balance"
"""Quantities of two channels; `diagnose` says of which sheets they can be simulated."""

QUANTITIES: Mapping[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("dc voltage", "V", "linear", ("at",), (), 0.005, 0.007, 1.0,
                 "meter of 10 Mohm from the node to ground, no signal", _LIVE, step=1e-4),
        Quantity("supply current", "A", "log", ("rail",), ("frequency", *_LEVEL, "load"), 0.03,
                 0.0, 3.0,
                 "drop across a dropper that is there, or a small resistor fitted with the power "
                 "off; no signal unless one is stated", _LIVE, step=1e-6, shows=1e-6),
        Quantity("gain", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 3.0,
                 "output level over the open-circuit level of the generator", _DRIVEN,
                 step=0.01, shows=_NO_SIGNAL),
        Quantity("response", "dB", "dB", ("frequency", "reference"), _ALONG, 0.1, 0.0, 1.0,
                 "output level relative to that at the reference frequency", _DRIVEN,
                 step=0.01, shows=_NO_SIGNAL),
        Quantity("riaa deviation", "dB", "dB", ("frequency",), _ALONG, 0.1, 0.0, 1.0,
                 "response less the RIAA replay curve, 0 dB at 1 kHz",
                 step=0.01, shows=_NO_SIGNAL),
        Quantity("phase", "deg", "linear", ("frequency",), _ALONG, 1.0, 0.0, 2.0,
                 "output against input, on a two-channel scope or an analyser", _DRIVEN, step=0.1),
        Quantity("input impedance", "ohm", "log", ("frequency",), (), 0.03, 0.0, 4.0,
                 "drop across a known resistor in series with the input", ceiling=1e7,
                 step=1.0, shows=1.0),
        Quantity("output impedance", "ohm", "log", ("frequency",), (), 0.05, 0.0, 4.0,
                 "output level into two different loads", _DRIVEN, step=1e-3, shows=1e-3),
        Quantity("damping factor", "", "log", ("frequency",), ("load",), 0.05, 0.0, 4.0,
                 "output level without the load and with it", _DRIVEN, step=0.1, shows=0.1),
        Quantity("thd", "%", "level", ("frequency",), (*_LEVEL, "load"), 0.5, 0.0, 5.0,
                 "harmonics 2 to 10 over the fundamental", _DRIVEN, step=1e-6, shows=1e-6),
        Quantity("harmonic", "dB", "dB", ("order", "frequency"), (*_LEVEL, "load"), 0.7, 0.0, 2.0,
                 "one harmonic relative to the fundamental", _DRIVEN, step=0.1, shows=_LOWEST),
        Quantity("thd+n", "%", "level", ("frequency",), (*_LEVEL, "load", "band"), 0.5, 0.0, 5.0,
                 "all but the fundamental, hum and noise too, over the fundamental (IEC 60268-3)",
                 _DRIVEN, step=1e-5, shows=1e-5),
        Quantity("imd", "%", "level", ("tones",), ("ratio", *_LEVEL, "load"), 0.5, 0.0, 6.0,
                 "difference tone of two near tones, or 4:1 modulation (IEC 60268-3)", _DRIVEN,
                 step=1e-5, shows=1e-5),
        Quantity("noise", "V", "level", (), ("at", "band", "weighting"), 0.5, 0.0, 4.0,
                 "input terminated with the source impedance, no signal, hum lines taken out",
                 step=1e-7, shows=1e-6),
        Quantity("snr", "dB", "dB", (), ("band", "weighting", *_LEVEL), 0.5, 0.0, 4.0,
                 "noise, hum lines taken out, below the stated signal", step=0.1),
        Quantity("hum", "V", "level", ("frequency",), ("at", *_LEVEL), 0.7, 0.0, 2.0,
                 "one line of the hum on an analyser, input terminated", step=1e-7, shows=1e-6),
        Quantity("ripple", "V", "level", ("at", "frequency"), (), 0.5, 0.0, 2.0,
                 "a.c. coupled analyser on the node", _LIVE, step=1e-7, shows=1e-6),
        Quantity(CROSSTALK, "dB", "dB", ("frequency",), (), 0.7, 0.0, 5.0,
                 "one channel driven; the other, its input terminated, over it, so below 0 dB "
                 "(IEC 60268-3)", _DRIVEN, step=0.1, shows=_NO_SIGNAL),
        Quantity(BALANCE, "dB", "dB", ("frequency",), _LEVEL, 0.1, 0.0, 3.0,
                 "right channel over left, the same signal fed to both (IEC 60268-3)", _DRIVEN,
                 step=0.01),
        Quantity("many-tone floor", "dB", "dB", (), ("band", *_LEVEL, "load"), 1.0, 0.0, 5.0,
                 "some 30 tones fed in at once: what lies between them, over the tones together",
                 _DRIVEN, step=0.1, shows=_LOWEST),
        Quantity("rise time", "s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 4.0,
                 "10 to 90 % of a small square wave", _SQUARE, step=1e-9, shows=1e-9),
        Quantity("overshoot", "%", "linear", (), (*_LEVEL, "load"), 0.02, 0.0, 4.0,
                 "of a small square wave, over its height", _SQUARE, step=1e-3),
        Quantity("tilt", "%", "linear", ("frequency",), (*_LEVEL, "load"), 0.005, 0.03, 3.0,
                 "fall of the top of a square wave from edge to edge over its height (IEC 60268-3)",
                 _SQUARE, step=1e-3),
        Quantity("slew rate", "V/s", "log", (), (*_LEVEL, "load"), 0.07, 0.0, 5.0,
                 "steepest slope of the output with a large square wave (IEC 60268-3)", _SQUARE,
                 step=1e3, shows=1e3),
        Quantity("maximum output", "V", "level", ("frequency", "thd"), ("load",), 0.3, 0.0, 5.0,
                 "output level at which the stated distortion is reached", _DRIVEN,
                 step=1e-3, shows=1e-3),
        Quantity("resistance", "ohm", "log", ("between",), (), 0.02, 0.0, 1.5,
                 "ohmmeter with a small test current, power off", _OFF, floor=0.1,
                 step=0.01, shows=0.01),
    )
}
"""The quantities of the bench sheet by name. Uncertainties, efforts and what an instrument shows
are judgement: a meter of three and a half digits shows 0.1 mV and 0.01 ohm, 0.1 mV across 100 ohm
is 1 µA, and an analyser's own noise is about 1 µV. The standards are cited from memory."""


@dataclass(frozen=True)
class Reading:
    """What is read: a quantity and its conditions, SI floats; zero or empty means not stated.

    Attributes
    ----------
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
        return self.quantity in _DRIVEN_ONES or (
            self.quantity == "supply current" and (self.level is not None or self.frequency > 0.0)
        )

    @property
    def unit(self) -> str:
        """The unit its values are shown in; a hum relative to a signal is in dB."""
        if self.quantity == "hum" and self.level is not None:
            return "dB"
        return self.about.unit

    @property
    def scale(self) -> str:
        """The scale on which two of its values are compared."""
        if self.quantity == "hum" and self.level is not None:
            return "dB"
        return self.about.scale

    def key(self) -> str:
        """A text that two readings share if and only if they are the same reading."""
        parts = [self.quantity]
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "quantity" and value != item.default:
                parts.append(f"{item.name}={value!r}")
        return "; ".join(parts)

    def __repr__(self) -> str:
        return few_lines(f"Reading {self.label()}")

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
    values : (n,) array
        SI, as simulated; NaN where there is none.
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
"""dB of crosstalk up to 1 kHz that sockets, switches and leads make by themselves; see `least`."""
_LEADS = 0.3
"""How well the floor itself is known: leads are zeroed to a third of their resistance."""


def instrument(reading: Reading, values: ArrayLike) -> NDArray[np.float64]:
    """Standard uncertainty of a usual bench instrument, on the compared scale.

    Parameters
    ----------
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


def readable(about: Quantity, value: float, unit: str) -> tuple[float, str]:
    """What a usual bench instrument would show of a simulated value.

    Parameters
    ----------
    value : float
        SI, a ratio for ``%``, dB as they are.
    unit : str
        That the value is shown in: a hum in dB has another floor than one in volts.

    Returns
    -------
    value : float
        To the last digit shown.
    bound : str
        ``<`` where it shows nothing so small, with the least that it shows; else empty.
    """
    level = unit == "dB" and about.unit != "dB"
    step, least = (0.1, _LOWEST) if level else (about.step, about.shows)
    size = value if unit == "dB" else abs(value)
    if size < least:
        return least, "<"
    if not step or not math.isfinite(value):
        return value, ""
    # the decimal nearest to a multiple: 3 · 0.1 is not 0.3
    return float(f"{round(value / step) * step:.12g}"), ""


def quantity_of(label: str) -> Quantity | None:
    """The quantity that a label of a reading begins with; None for other words."""
    for name, about in QUANTITIES.items():
        # "thd+n" does not begin with "thd"
        if re.match(rf"{re.escape(name)}\b(?!\+)", label):
            return about
    return None


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
        if kind == "power":
            text = render(value, "W")
        else:
            text = render(value, "V") + (" in" if kind == "input level" else "")
        if r.load:
            text += f" into {render(r.load, 'ohm')}"
        extras.append(text)
    elif r.load:
        extras.append(f"into {render(r.load, 'ohm')}")
    return name + where + way + (", " + ", ".join(extras) if extras else "")
