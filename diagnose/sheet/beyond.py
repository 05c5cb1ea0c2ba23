"""What a stage cannot do: readings that ask whether a prefix or a decimal point was lost.

Such a value is not refused, as those outside `circuits.plausible` are: it is asked about, and
ranked by all the same. The bounds follow from the stage (its rails, its usual drive, what feeds a
rail), each with the room that mains and tolerances need.
"""

from __future__ import annotations

import math

from circuits.kinds import kind
from circuits.quantity import render
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.entry import Measured

_ROOM = 1.3
"""A rail over its nominal voltage: mains 10 % high (IEC 60038), and a transformer without load
some 20 % up (common practice)."""
_SWINGS = 10.0
"""What a gain may make of the usual drive, over all that lies between the rails: it can be read
with a smaller signal, and a stage that has lost its feedback gains more."""
_MOST_GAIN = 100.0
"""dB of a stage that says no usual drive; a microphone amplifier has 80 dB (common practice)."""
_PASSIVE_GAIN = 1.0
"""dB of a stage without rails and transformers, which cannot gain at all; the rest is the meter."""
_MOST_BEND = 60.0
"""dB that a curve departs from its reference or from its standard and is still a curve."""
_PART_TIMES = 100.0
"""A part's value over the drawn one, or under it."""


def beyond(measured: Measured, stage: Stage) -> str:
    """The question that a reading beyond what its stage can do brings up; empty for none.

    A bound (``< 3 V``) is what a meter shows at most, and nothing that a stage did.
    """
    reading, value = measured.reading, measured.value
    if measured.bound:
        return ""
    said = render(value, reading.unit)
    match reading.quantity:
        case "dc voltage":
            return _direct(reading, value, said, stage)
        case "supply current":
            return _current(reading, value, said, stage)
        case "gain":
            return _gain(value, said, stage)
        case "response" | "riaa deviation" if abs(value) > _MOST_BEND:
            return f"a {reading.quantity} of {said}? A curve hardly goes so far"
        case "thd" | "thd+n" | "imd" if value > 1.0:
            return f"a {reading.quantity} of {said}? That is more than the signal itself"
        case "maximum output" | "noise" | "hum" | "ripple" if reading.unit == "V":
            return _alternating(value, said, stage)
    return ""


def other_value(name: str, value: float, stage: Stage) -> str:
    """The question that the value of a part brings up, far from the one that is drawn."""
    part = next((p for p in (*stage.parts, *stage.supply_parts) if p.name == name), None)
    if part is None or not part.value or value <= 0.0:
        return ""
    times = value / part.value
    if 1.0 / _PART_TIMES < times < _PART_TIMES:
        return ""
    unit = kind(part.kind).unit
    far = f"{render(max(times, 1.0 / times), '', 2)} times {'that' if times > 1.0 else 'less'}"
    return f"{name} is {render(part.value, unit)} on the drawing; {render(value, unit)} is {far}"


def _rails(stage: Stage) -> tuple[float, float]:
    """The lowest and the highest voltage that a stage has, V; ground is one of them."""
    volts = [0.0, *(rail.volts for rail in stage.rails)]
    for rail in stage.rails:
        if rail.supply is not None and rail.supply.input:
            volts.append(math.copysign(rail.supply.input, rail.volts))
    return min(volts), max(volts)


def _direct(reading: Reading, value: float, said: str, stage: Stage) -> str:
    low, high = _rails(stage)
    if low == high:
        return ""  # without a rail, whatever drives it may bring a direct voltage along
    if reading.origin:
        if abs(value) <= _ROOM * (high - low):
            return ""
        return f"{said} is more than lies between the rails, {render(high - low, 'V')}"
    if value > _ROOM * high:
        most = f"the highest rail, {render(high, 'V')}" if high else "ground, and no rail is so"
        return f"{said} is above {most}"
    if value < _ROOM * low:
        least = f"the lowest rail, {render(low, 'V')}" if low else "ground, and no rail is negative"
        return f"{said} is below {least}"
    return ""


def _current(reading: Reading, value: float, said: str, stage: Stage) -> str:
    """More than the resistors at a rail pass, with all behind them short."""
    rail = next((one for one in stage.rails if one.name == reading.rail), None)
    fed = [part for part in stage.parts if rail is not None and rail.name in part.nodes]
    if rail is None or not fed:
        return ""
    if any(kind(p.kind).family != "resistor" or not p.value for p in fed):
        return ""
    low, high = _rails(stage)
    most = (high - low) * sum(1.0 / p.value for p in fed if p.value)
    if value <= 2.0 * most:  # resistors drift, and rails stand high
        return ""
    names = " and ".join(p.name for p in fed)
    return f"{said} is more than {names} would pass into a short, {render(most, 'A')}"


def _gain(value: float, said: str, stage: Stage) -> str:
    low, high = _rails(stage)
    if low == high:
        if value > _PASSIVE_GAIN and not _wound(stage):
            return f"a gain of {said}? The stage has no supply, so it can only lose"
        return f"a gain of {said}?" if value > _MOST_GAIN else ""
    drive = dict(stage.signal).get("input level")
    if not drive:
        return f"a gain of {said}? No stage of the trade has that" if value > _MOST_GAIN else ""
    made = drive * 10.0 ** (value / 20.0)
    if made <= _SWINGS * (high - low):
        return ""
    return (f"a gain of {said}? The usual {render(drive, 'V')} at the input would be "
            f"{render(made, 'V')} at the output, between rails of {render(high - low, 'V')}")


def _alternating(value: float, said: str, stage: Stage) -> str:
    """An alternating voltage, RMS; a square wave from rail to rail has half of the span."""
    low, high = _rails(stage)
    if low == high or _wound(stage) or value <= _ROOM * (high - low) / 2.0:
        return ""
    return f"{said} RMS is more than a swing from rail to rail, {render(high - low, 'V')}, has"


def _wound(stage: Stage) -> bool:
    """Whether a winding may step voltages up."""
    return any(kind(part.kind).family in ("transformer", "inductor") for part in stage.parts)
