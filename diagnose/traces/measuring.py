"""From a trace, or a generator's sweep as a table, to readings in the words of the bench sheet.

::

    from diagnose.traces.measuring import measure_trace

    made = measure_trace(Path("edge.csv"))
    made.item("rise time", "CH1").value, made.readings(made.output)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from circuits.errors import InputError, Place
from circuits.quantity import render
from circuits.reading import Reading
from circuits.signals import waveform
from circuits.signals.edges import Edges, has_edges, read_edges
from circuits.signals.tone import frequency_of, seen_from
from diagnose.recording.figures import decibels, nominal
from diagnose.recording.mains_lines import ORDERS, pattern
from diagnose.recording.measurement import Item, Measurement
from diagnose.recording.recognise import is_mains
from diagnose.sheet.entry import Measured
from diagnose.traces.options import TraceOptions
from diagnose.traces.sweep_table import measure_sweep
from diagnose.traces.trace import Floats, Trace
from diagnose.traces.trace_file import load_trace, read_table

_TONE_LEFT = 0.1
"""Of the alternating power: what a tone with its harmonics may leave and still be one."""
_BENT = 0.03
"""Harmonics over the fundamental from which a tone on a screen is told to be bent: three steps of
eight bits."""
_HARMONICS = 5
"""Harmonics that are looked at for that."""
_ROOT = math.sqrt(2.0)
"""Peak over RMS of a sine."""
_SLOW_INPUT = 0.5
"""Rise time of the input over that of the output from which it takes part in what is read."""
_SLOW_EDGE = 0.03
"""Of a period: no generator's square wave has edges as slow."""
_FEW_STEPS = 16
"""Steps of a scope's converter across the wave, below which it is told to be too small."""
_TUNED = 5.0
"""Periods of the mains from which its exact frequency is looked for."""
_ASTRAY = 0.01
"""How far the mains, or the scope's clock, may be off."""
_ALWAYS = 4
"""Up to this multiple of the mains a line is told even where nothing is seen of it."""


@dataclass
class _Taken:
    items: list[Item] = field(default_factory=list)
    hum: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def note(self, text: str) -> None:
        if text and text not in self.notes:
            self.notes.append(text)


def measure_trace(path: Path, options: TraceOptions | None = None) -> Measurement:
    """The readings of one file.

    Parameters
    ----------
    path : Path
        A table of a trace, or of a sweep.

    Raises
    ------
    InputError
        For a file that cannot be used, or a wave that cannot be read.
    """
    options = options or TraceOptions()
    table = read_table(path)
    if table.is_sweep:
        return measure_sweep(table, options)
    try:
        return measured(load_trace(table), options)
    except InputError as error:
        raise error.at(Place(str(path))) from None


def measured(trace: Trace, options: TraceOptions) -> Measurement:
    """The readings of a trace; as `measure_trace`.

    Raises
    ------
    InputError
        For a channel that it has not, or a wave that cannot be read.
    """
    taken = _Taken(notes=list(trace.notes))
    source, output = _ends(trace, options, taken)
    kind = options.signal or _kind(trace.time, trace.values[output], source is not None, options)
    for k, name in enumerate(trace.channels):
        steps = len(np.unique(trace.values[k]))
        if steps < _FEW_STEPS and (kind != "square" or k == output):
            taken.note(f"{name} covers only {steps} steps of the scope: turn it up")
    _TAKE[kind](trace, source, output, options, taken)
    alone = len(trace.channels) == 1
    items = tuple(_without_channel(item) if alone else item for item in taken.items)
    return Measurement(
        trace.about(), kind, None, items, tuple(("" if alone else c, t) for c, t in taken.hum),
        tuple(taken.notes), "" if alone else trace.channels[output],
    )


def _without_channel(item: Item) -> Item:
    return Item(item.name, item.value, item.unit, "", item.bound, item.measured)


def _ends(trace: Trace, options: TraceOptions, taken: _Taken) -> tuple[int | None, int]:
    """The channels at the unit's input and output; no input where there is one channel."""
    count = len(trace.channels)
    source = trace.find(options.input) if options.input else None
    output = trace.find(options.output) if options.output else None
    if source is not None and source == output:
        raise InputError(f"{trace.channels[source]} cannot be both input and output",
                         expected="two channels")
    if count == 1:
        if source is not None:
            raise InputError("this trace has one channel, which is taken at the output",
                             expected="no --in")
        return None, 0
    lower = [name.lower() for name in trace.channels]
    said = source is None and output is None
    if source is None:
        named = [k for k, name in enumerate(lower) if name.startswith("in") and k != output]
        source = named[0] if named else next(k for k in range(count) if k != output)
        said = said and not named
    if output is None:
        named = [k for k, name in enumerate(lower) if name.startswith("out") and k != source]
        output = named[0] if named else next(k for k in range(count) if k != source)
    if said:
        taken.note(f"{trace.channels[source]} is taken for the input and {trace.channels[output]} "
                   "for the output; where that is not so, add --in and --out")
    return source, output


def _kind(time: Floats, values: Floats, driven: bool, options: TraceOptions) -> str:
    if has_edges(values) and not (not driven and _is_hum(time, values, options.mains)):
        return "square"
    try:
        frequency = frequency_of(time, values)
    except ValueError:
        return "silence"
    if not driven and is_mains(frequency, options.mains):
        return "silence"
    found = waveform.harmonics(time, values, frequency, _HARMONICS, drift=1)
    power = float(np.square(values - values.mean()).mean())
    return "sine" if found.residual**2 < _TONE_LEFT * power else "silence"


def _is_hum(time: Floats, values: Floats, mains: float) -> bool:
    """Whether what looks like a square wave has slow edges and the frequency of the mains."""
    try:
        found = read_edges(time, values)
    except ValueError:
        return False
    if not found.period or not is_mains(1.0 / found.period, mains):
        return False
    return max(edge.rise for edge in found.edges) > _SLOW_EDGE * found.period


def _square(
    trace: Trace, source: int | None, output: int, options: TraceOptions, taken: _Taken
) -> None:
    read: dict[int, Edges] = {}
    for k, name in enumerate(trace.channels):
        if k not in (source, output) and not has_edges(trace.values[k]):
            continue
        try:
            read[k] = read_edges(trace.time, trace.values[k])
        except ValueError as error:
            if k == output:
                raise InputError(f"{name} shows no edge that can be read: {error}",
                                 expected="one edge or more with a flat before and after it, or "
                                 "another word for --signal") from None
            taken.note(f"{name}: {error}")
    for k, found in read.items():
        taken.items += _of_edges(trace, k, found, k == output, taken)
    if source in read and source is not None:
        first, last = read[source].one_way()[0], read[output].one_way()[0]
        theirs, ours = first.rise, last.rise
        if not last.coarse and theirs > _SLOW_INPUT * ours:
            own = math.sqrt(max(ours * ours - theirs * theirs, 0.0))
            taken.note(f"the edge at the input takes {render(theirs, 's')} itself: of the unit "
                       f"alone there is about {render(own, 's')} (root of the squares)")


def _of_edges(
    trace: Trace, k: int, found: Edges, is_output: bool, taken: _Taken
) -> list[Item]:
    name, unit = trace.channels[k], trace.units[k]
    edges = found.one_way()
    step = float(np.mean([abs(e.top - e.base) for e in edges]))
    # a square wave has the RMS value of half its height
    level = ("output level", float(f"{step / 2.0:.4g}")) if unit == "V" else None
    told = is_output and unit == "V"

    def item(word: str, value: float, of: str, reading: Reading | None = None,
             bound: str = "") -> Item:
        here = reading if told else None
        return Item(word, value, of, name, bound,
                    None if here is None else Measured(here, value, bound=bound))

    rise = float(np.median([e.rise for e in edges]))
    over = float(np.mean([e.overshoot for e in edges]))
    coarse = any(e.coarse for e in edges)
    slopes = [e.slope for e in found.edges if e.slope is not None]
    slews = len(slopes) == len(found.edges)
    word = "rise time" if edges[0].rising else "fall time"
    items = [item("step", step, unit)]
    if found.period:
        items.append(item("frequency", 1.0 / found.period, "Hz"))
    if slews and is_output:
        items.append(item(word, rise, "s"))
        items.append(item("slew rate", max(slopes), "V/s", Reading("slew rate", level=level)))
        taken.note(
            "the edges are straight, as of an amplifier that slews: the slew rate goes on the "
            "sheet, the time of such an edge does not; for a rise time feed in a smaller wave")
    else:
        items.append(item(word, rise, "s", Reading("rise time", level=level),
                          "<" if coarse else ""))
    items.append(item("overshoot", over, "%", Reading("overshoot", level=level)))
    if coarse:
        taken.note(f"{name}: an edge has fewer than three points, so its time is an upper limit; "
                   "take less time a division")
    if found.tilt is not None and found.period:
        frequency = nominal(1.0 / found.period)
        items.append(item("tilt", found.tilt, "%",
                          Reading("tilt", frequency=frequency, level=level)))
    return items


def _sine(
    trace: Trace, source: int | None, output: int, options: TraceOptions, taken: _Taken
) -> None:
    try:
        frequency = frequency_of(trace.time, trace.values[output])
    except ValueError as error:
        raise InputError(f"{trace.channels[output]} shows no tone that can be read: {error}",
                         expected="two periods or more of a sine") from None
    at = nominal(frequency)
    found = [waveform.lines(trace.time, values, [frequency], drift=1).amplitudes[0]
             for values in trace.values]
    for k, (name, unit) in enumerate(zip(trace.channels, trace.units, strict=True)):
        size = float(abs(found[k]))
        taken.items.append(Item("level", size / _ROOT, unit, name))
        if k == output:
            taken.items.append(Item("frequency", frequency, "Hz", name))
        spectrum = waveform.harmonics(trace.time, trace.values[k], frequency, _HARMONICS, drift=1)
        bent = waveform.thd(spectrum)
        noise = seen_from(spectrum.residual, len(trace.time)) / max(size, 1e-300)
        if bent > max(_BENT, noise):
            taken.note(f"{name} is bent: its harmonics are {render(bent, '%', 2)} of the tone; the "
                       "unit clips, or the wave leaves the screen, and level and phase are off")
        if source is None or k == source or not size or not abs(found[source]):
            continue
        ratio = found[k] / found[source]
        turned = math.degrees(float(np.angle(ratio)))
        same = trace.units[source] == unit
        gain, phase = (Reading(q, frequency=at) if k == output and unit == "V" and same else None
                       for q in ("gain", "phase"))
        if same:
            taken.items.append(_item("gain", decibels(abs(ratio)), "dB", name, gain))
        taken.items.append(_item("phase", turned, "deg", name, phase))
    if source is not None:
        taken.note("gain and phase are against the voltage that stands at the input; the gain of a "
                   "sheet is over the generator's open-circuit voltage, so where the input loads "
                   "the generator read that with the cable off")


def _item(word: str, value: float, unit: str, channel: str, reading: Reading | None) -> Item:
    return Item(word, value, unit, channel, "",
                None if reading is None else Measured(reading, value))


def _silence(
    trace: Trace, source: int | None, output: int, options: TraceOptions, taken: _Taken
) -> None:
    span = trace.step * len(trace.time)
    if span * options.mains < 0.99:
        raise InputError(
            f"this trace holds {render(span, 's')}, less than a period of the mains, and no edge "
            "and no tone", expected=f"{render(2.0 / options.mains, 's')} or more for ripple and "
            "hum; or a word for --signal")
    ripple = bool(options.at)
    for k, (name, unit) in enumerate(zip(trace.channels, trace.units, strict=True)):
        values = trace.values[k]
        word = "ripple" if ripple else "hum"
        taken.items.append(Item("direct voltage" if unit == "V" else "direct current",
                                waveform.average(trace.time, values), unit, name))
        taken.items.append(Item(f"{word}, peak to peak", float(np.ptp(values)), unit, name))
        taken.items.append(Item(f"{word}, RMS", float(values.std()), unit, name))
        lines = _mains(trace.time, values, options.mains)
        for order, (rms, seen) in lines.items():
            if not seen and order > _ALWAYS:
                continue
            frequency, bound = order * options.mains, "" if seen else "<"
            reading = None
            if k == output and unit == "V":
                reading = (Reading("ripple", at=options.at, frequency=frequency) if ripple
                           else Reading("hum", frequency=frequency))
            shown = f"{word} at {render(frequency, 'Hz')}"
            taken.items.append(Item(shown, rms, unit, name, bound, None if reading is None else
                                    Measured(reading, rms, bound=bound)))
        text = pattern(lines, options.mains)
        if text:
            taken.hum.append((name, text))
    if not ripple:
        taken.note("these lines are taken for hum at the unit's output; where the probe was on a "
                   "rail, add --at and its node")


def _mains(time: Floats, values: Floats, mains: float) -> dict[int, tuple[float, bool]]:
    """RMS of the multiples of the mains, and whether each is seen or only a bound."""
    rate = (len(time) - 1) / float(time[-1] - time[0])
    orders = [k for k in ORDERS if k * mains < 0.45 * rate]
    exact = mains
    if (time[-1] - time[0]) * mains > _TUNED:
        try:
            strongest = frequency_of(time, values)
        except ValueError:
            strongest = 0.0
        order = round(strongest / mains)
        if order in orders and abs(strongest / (order * mains) - 1.0) < _ASTRAY:
            exact = strongest / order
    found = waveform.lines(time, values, [k * exact for k in orders], drift=1)
    least = seen_from(found.residual, len(time))
    sizes = [float(abs(a)) for a in found.amplitudes]
    return {k: (max(size, least) / _ROOT, size > least)
            for k, size in zip(orders, sizes, strict=True)}


_TAKE = {"square": _square, "sine": _sine, "silence": _silence}
