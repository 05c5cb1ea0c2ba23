"""What follows from the readings of a sheet by formulas of the trade, each with its formula.

A figure that the sheet has a quantity for is a reading too, so that a limit can be judged by it:
the damping factor by an output impedance, the balance by the gain of both channels. The formulas
are definitions of IEC 60268-3 (from memory) or first-order networks; a figure is derived only
from readings taken under the same conditions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from circuits.conditions import ORDERS
from circuits.quantity import render
from circuits.reading import Reading
from diagnose.answer.judgement import DerivedLine
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured, usual

LOUDSPEAKER = 32.0
"""A load up to here, ohm, is a loudspeaker, of which a damping factor is told (judgement)."""
RISE = math.log(9.0) / (2.0 * math.pi)
"""Rise time times upper corner of one pole, 0.3497."""
_NATURAL = math.log(10.0) / 20.0
"""Natural logarithm of a ratio of voltages in one decibel."""


@dataclass(frozen=True)
class Derived:
    """A figure that follows.

    Attributes
    ----------
    name : str
        What it is, with its conditions.
    value : float
        SI, a ratio for ``%``.
    channel : str
        Empty where there is one channel, or where it is of both.
    measured : Measured or None
        The same as a reading, where the sheet has the quantity.
    """

    name: str
    value: float
    unit: str
    formula: str
    channel: str = ""
    measured: Measured | None = None

    def line(self) -> DerivedLine:
        """As the result shows it."""
        value = self.value * 100.0 if self.unit == "%" else self.value
        return DerivedLine(self.name, value, self.unit, self.formula, self.channel)


def derived(case: Case) -> tuple[Derived, ...]:
    """Everything that follows from the readings of a case.

    Readings of which only a bound is known are passed over, and those of a unit in another state
    than as drawn.
    """
    lines: list[Derived] = []
    for name, readings in case.channels or (("", case.readings),):
        plain = [m for m in readings if not m.bound and not m.reading.state]
        stated = {m.reading.key() for m in readings}
        derivations = (d for rule in _RULES for d in rule(plain, case.stage.load))
        lines += [replace(d, channel=name) for d in derivations
                 if d.measured is None or d.measured.reading.key() not in stated]
    if len(case.channels) == 2:
        lines += _balance(case)
    return tuple(lines)


# -- formulas, each a plain function of SI numbers -------------------------------------------------


def impedance_from_two_loads(v1: float, r1: float, v2: float, r2: float) -> float:
    """Output impedance, ohm, from the voltages across two loads; r may be infinite."""
    return (v1 - v2) / (v2 / r2 - v1 / r1)


def upper_corner(rise_time: float) -> float:
    """Frequency, Hz, of the one pole that has a rise time of so many seconds."""
    return RISE / rise_time


def lower_corner(tilt: float, frequency: float) -> float:
    """Frequency, Hz, of the one high-pass that tilts a square wave by that share of its height."""
    return -frequency * math.log1p(-tilt) / math.pi


def full_power_bandwidth(slew_rate: float, volts: float) -> float:
    """Highest frequency, Hz, of a sine of so many volts RMS at a slew rate in V/s."""
    return slew_rate / (2.0 * math.pi * math.sqrt(2.0) * volts)


# -- rules: readings of one channel and the stage's load → what follows ----------------------------


def _reading(reading: Reading, value: float, formula: str, u: float, bound: str = "") -> Derived:
    label, unit = reading.label(), reading.unit
    return Derived(label, value, unit, formula, measured=Measured(reading, value, u, bound))


def _uncertainty(item: Measured) -> float:
    return item.uncertainty if item.uncertainty is not None else usual(item)


def _damping(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    for item in items:
        reading = item.reading
        ohms = reading.load or load
        if not 0.0 < ohms <= LOUDSPEAKER:
            continue
        at = reading.frequency
        if reading.quantity == "output impedance":
            yield _reading(Reading("damping factor", frequency=at, load=ohms), ohms / item.value,
                           "load over output impedance", _uncertainty(item))
        elif reading.quantity == "damping factor":
            yield _reading(Reading("output impedance", frequency=at), ohms / item.value,
                           "load over damping factor", _uncertainty(item))


def _two_loads(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    """The output impedance from the gain with two loads."""
    gains = [m for m in items if m.reading.quantity == "gain" and (m.reading.load or load)
             and not m.reading.at and not m.reading.origin]
    for k, one in enumerate(gains):
        for two in gains[k + 1 :]:
            r1, r2 = (m.reading.load or load for m in (one, two))
            if replace(one.reading, load=0.0) != replace(two.reading, load=0.0) or r1 == r2:
                continue
            ratio = 10.0 ** ((one.value - two.value) / 20.0)
            if not 1.0 < (ratio if r1 > r2 else 1.0 / ratio) < max(r1, r2) / min(r1, r2):
                continue  # the meter does not part them, or one of them is misread
            ohms = impedance_from_two_loads(ratio, r1, 1.0, r2)
            slope = ratio / (ratio - 1.0) + ratio / r1 / (1.0 / r2 - ratio / r1)
            apart = math.hypot(_uncertainty(one), _uncertainty(two)) * _NATURAL
            formula = (f"(V1 - V2) / (V2/R2 - V1/R1), {render(r1, 'ohm')} and "
                       f"{render(r2, 'ohm')}")
            wanted = Reading("output impedance", frequency=one.reading.frequency)
            yield _reading(wanted, ohms, formula, abs(slope) * apart)
            if 0.0 < load <= LOUDSPEAKER:
                factor = Reading("damping factor", frequency=wanted.frequency, load=load)
                yield _reading(factor, load / ohms, f"load over ({formula})", abs(slope) * apart)


def _power(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    for item in items:
        reading = item.reading
        ohms = reading.load or load
        if reading.quantity == "maximum output" and 0.0 < ohms <= LOUDSPEAKER:
            yield Derived(reading.label(), item.value**2 / ohms, "W",
                          f"V²/R, {render(item.value, 'V')} into {render(ohms, 'ohm')}")


def _levels(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    """Distortion in dB and, of harmonics, in per cent together."""
    for item in items:
        if item.reading.quantity in ("thd", "thd+n", "imd"):
            yield Derived(item.reading.label(), 20.0 * math.log10(item.value), "dB",
                          f"20·lg of {render(item.value, '%')}")


def _from_harmonics(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    """The distortion from its harmonics; at least that where some of 2 to 10 were not read."""
    sets: dict[Reading, list[Measured]] = {}
    for item in items:
        if item.reading.quantity == "harmonic":
            sets.setdefault(replace(item.reading, order=0), []).append(item)
    for common, members in sets.items():
        orders = {m.reading.order for m in members}
        if not orders >= {2, 3}:
            continue
        total = math.sqrt(math.fsum(10.0 ** (m.value / 10.0) for m in members))
        whole = orders == set(ORDERS)
        formula = "root of the sum of squares of " + (
            "harmonics 2 to 10" if whole
            else "the harmonics read, so at least"
        )
        u = max(_uncertainty(m) for m in members)
        yield _reading(replace(common, quantity="thd"), total, formula, u, "" if whole else ">")


def _noise_part(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    """What is hum and noise in a distortion with noise."""
    pure = {replace(m.reading, quantity=""): m.value for m in items if m.reading.quantity == "thd"}
    for item in items:
        if item.reading.quantity != "thd+n":
            continue
        thd = pure.get(replace(item.reading, quantity="", band=(0.0, 0.0)))
        if thd is not None and thd < item.value:
            yield Derived(f"hum and noise in {item.reading.label()}",
                          math.sqrt(item.value**2 - thd**2), "%", "√(thd+n² - thd²)")


def _corners(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    """Band edges from what a square wave shows, the bandwidth at full output from the slew rate."""
    most = max((m.value for m in items if m.reading.quantity == "maximum output"), default=0.0)
    for item in items:
        match item.reading.quantity:
            case "rise time":
                yield Derived("upper corner (-3 dB)", upper_corner(item.value), "Hz",
                              f"0.35 over a rise time of {render(item.value, 's')}, one pole")
            case "tilt" if 0.0 < item.value < 1.0:
                at = item.reading.frequency
                yield Derived("lower corner (-3 dB)", lower_corner(item.value, at), "Hz",
                              f"-f·ln(1 - tilt)/π, tilt {render(item.value, '%')} at "
                              f"{render(at, 'Hz')}, one high-pass")
            case "slew rate" if most:
                yield Derived("bandwidth at full output", full_power_bandwidth(item.value, most),
                              "Hz", f"slew rate over 2π·√2·{render(most, 'V')}")


def _bits(items: Sequence[Measured], load: float) -> Iterator[Derived]:
    for item in items:
        if item.reading.quantity == "many-tone floor":
            yield Derived(item.reading.label(), (-item.value - 1.76) / 6.02, "bit",
                          "(dB - 1.76)/6.02")


_RULES = (_damping, _two_loads, _power, _from_harmonics, _levels, _noise_part, _corners, _bits)


def _balance(case: Case) -> Iterator[Derived]:
    """The balance of the channels from the gain of each."""
    (first, left), (second, right) = sorted(case.channels, key=lambda c: c[0] == case.right)
    gains = {m.reading: m for m in left if m.reading.quantity == "gain" and not m.bound
             and not m.reading.state}
    for item in right:
        other = gains.get(item.reading)
        if other is None or item.bound or item.reading.at or item.reading.origin:
            continue
        reading = Reading("channel balance", frequency=item.reading.frequency)
        yield _reading(reading, item.value - other.value, f"gain {second} less gain {first}",
                       math.hypot(_uncertainty(item), _uncertainty(other)))


def derived_lines(case: Case) -> tuple[DerivedLine, ...]:
    """`derived` as the result shows it."""
    return tuple(one.line() for one in derived(case))
