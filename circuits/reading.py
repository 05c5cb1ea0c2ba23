"""Readings: a quantity and the conditions it was taken under, and on which scale two are compared.

A reading is one number on a bench sheet. What its value means, how well a bench instrument takes it
and what taking it costs stand in the registry, `circuits.quantities`; how the simulator takes it
stands in `circuits.bench`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from circuits.prompt import few_lines
from circuits.quantities import CROSSTALK, LEVELS, LOWEST, QUANTITIES, Quantity, quantity
from circuits.quantity import render
from circuits.state import AS_DRAWN, State

VOLTMETER = 10e6
"""Ohm of a usual digital meter on its d.c. ranges (common practice)."""
DB_FLOOR = -140.0
"""Below this level, dB, every reading is as good as nothing."""


@dataclass(frozen=True)
class Reading:
    """What is read: a quantity and its conditions, SI floats; zero or empty means not stated.

    Attributes
    ----------
    at, rail : str
        Node or rail; of a signal, the node that it is read at (empty is the output).
    origin : str
        ``from``: the node that a signal is compared with (empty is the generator), or where the
        black lead of a voltmeter is (empty is ground).
    beside : float
        How large contributions are that may add to a level with any phase, as an amplitude in its
        own unit; it is no condition of the reading, and its `key` is without it.
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
    meter : float
        Ohm of the voltmeter; 0 is `VOLTMETER`, infinity draws nothing.
    probe : tuple of float
        Ohm and farad of the a.c. input that a signal, hum or noise is read by; empty is the usual
        one (`circuits.probe`), infinite ohms draw nothing.
    state : State
        In which state the unit was.
    way : int
        Of a line of hum or ripple, which of the ways that it comes by is told alone, the largest
        first; 0 for all together, as an instrument shows it.
    channel : int
        Of two channels on one bench: 1 for a reading of the reference, which takes it apart from
        the same reading of the suspect one.
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
    beside: float = 0.0
    meter: float = 0.0
    probe: tuple[float, float] | tuple[()] = ()
    state: State = AS_DRAWN
    way: int = 0
    channel: int = 0

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
    def sums(self) -> bool:
        """Whether it is the size of a sum of contributions that may cancel."""
        return self.about.sums

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
        return self._key

    @cached_property
    def _key(self) -> str:
        parts = [self.quantity]
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name not in ("quantity", "beside") and value != item.default:
                parts.append(f"{item.name}={value!r}")
        return "; ".join(parts)

    def __repr__(self) -> str:
        return few_lines(f"Reading {self.label()}")

    def label(self) -> str:
        """The reading as a person would call it: ``response at 20 Hz``."""
        return _label(self)


def compared(reading: Reading, value: float) -> float:
    """A value of a reading on its compared scale (V, natural log, dB or degrees)."""
    return float(all_compared(reading, np.array([value]))[0])


def softened(reading: Reading, decibels: ArrayLike) -> NDArray[np.float64]:
    """Levels with what may lie `beside` them added as power; others are left as they are.

    The size of a sum of phasors strays far down and not far up: on this scale both ways are alike.

    Parameters
    ----------
    reading : Reading
    decibels : array_like
        Any shape.
    """
    x = np.asarray(decibels, dtype=float)
    if not reading.beside:
        return x
    return np.asarray(10.0 * np.log10(10.0 ** (x / 10.0) + reading.beside**2))


def _met(about: Quantity, size: ArrayLike) -> NDArray[np.float64]:
    """What a meter with its own floor and ceiling is faced with, of the size of a value."""
    own = 0.0 if about.floor else max(about.shows, 0.0)
    value = np.hypot(np.maximum(size, 1e-12), own) + about.floor
    return np.asarray(value / (1.0 + value / about.ceiling))


def all_compared(reading: Reading, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """`compared` for many values of one reading; what is not a number stays so.

    What an instrument shows by itself, with nothing to be read, is added as power, so that far
    below it no two values differ.

    Parameters
    ----------
    values : (n,) array
        SI, as simulated; NaN where there is none.
    """
    if reading.scale == "log":
        return np.asarray(np.log(_met(reading.about, np.abs(values))))
    if reading.scale == "level":
        decibels = np.asarray(20.0 * np.log10(np.hypot(values, max(shows(reading), 1e-10))))
        return softened(reading, decibels)
    if reading.scale == "dB":
        held = np.maximum(values, DB_FLOOR)
        apart = held - shows(reading)
        # what stands so far above has no digit of it left
        added = np.where(apart > _CLEAR, 0.0, 10.0 * np.log10(1.0 + 10.0 ** (-apart / 10.0)))
        return softened(reading, held + added)
    return values


def shows(reading: Reading) -> float:
    """The least that a usual instrument shows, in the reading's own unit; minus infinity for 0."""
    about = reading.about
    return LOWEST if reading.unit == "dB" and about.unit != "dB" else about.shows


def unseen(reading: Reading, value: float) -> bool:
    """Whether a value is below what a usual instrument shows, and is none to the digit."""
    return (value if reading.unit == "dB" else abs(value)) < shows(reading)


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


_UNSEEN = 0.1
"""Part of what may lie beside a level at which it is shown where it is less."""
_CLEAR = 90.0
"""dB above what an instrument shows by itself where that counts no more."""
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
        return np.asarray(np.hypot(resolution(reading), about.relative * x))
    if reading.scale == "log" and about.floor:
        share = about.floor * np.exp(-np.maximum(x, math.log(about.floor)))
        return np.asarray(np.hypot(about.uncertainty, _LEADS * share))
    return np.full(x.shape, about.uncertainty)


def resolution(reading: Reading) -> float:
    """What of `instrument` is there however small the value."""
    about = reading.about
    return about.apart if about.apart and reading.origin else about.uncertainty


def from_compared(reading: Reading, x: float) -> float:
    """The inverse of `compared`."""
    if reading.scale == "log":
        value = math.exp(x)
        value = value / max(1.0 - value / reading.about.ceiling, 1e-6)
        own = 0.0 if reading.about.floor else max(reading.about.shows, 0.0)
        return max(_less(value, own) - reading.about.floor, 1e-12)
    if reading.scale in ("level", "dB") and reading.beside:
        least_power = (_UNSEEN * reading.beside) ** 2
        x = 10.0 * math.log10(max(10.0 ** (x / 10.0) - reading.beside**2, least_power))
    if reading.scale == "level":
        return _less(10.0 ** (x / 20.0), max(shows(reading), 1e-10))
    if reading.scale == "dB":
        left = 1.0 - 10.0 ** ((shows(reading) - x) / 10.0)
        if x - shows(reading) > _CLEAR:
            return x
        return x + 10.0 * math.log10(left) if left > 0.0 else DB_FLOOR
    return x


def _less(whole: float, own: float) -> float:
    """What is left of a power sum without one of its terms; never below nought."""
    return math.sqrt(max(whole**2 - own**2, 0.0))


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
    step, least = (0.1, LOWEST) if level else (about.step, about.shows)
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
    if r.at and ("at" in r.about.required or "from" not in r.about.optional):
        where += f" at {r.at}"
        where += f" from {r.origin}" if r.origin else ""
    else:
        way = f" from {r.origin}" if r.origin else ""
        way += f" to {r.at}" if r.at else ""
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
    if r.meter:
        extras.append(f"meter of {render(r.meter, 'ohm')}")
    if r.probe:
        extras.append(_probe(*r.probe))
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
    if r.state:
        extras.append(r.state.text())
    return name + where + way + (", " + ", ".join(extras) if extras else "")


def _probe(ohms: float, farads: float) -> str:
    if math.isinf(ohms):
        return "ideal probe"
    beside = f" and {render(farads, 'F')}" if farads else ""
    return f"probe of {render(ohms, 'ohm')}{beside}"
