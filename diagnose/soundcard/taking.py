"""Readings taken by a card, a set-up of leads at a time.

Levels are approached from below: 40 dB under what is wanted where a loudspeaker hangs on it, 20 dB
else, and never more than 20 dB a step. What lies within 6 dB of the card's own is a bound; of the
rest the card's own is taken out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from circuits.curves import riaa_db
from circuits.errors import InputError
from circuits.hazards import drives_loudspeaker
from circuits.quantity import exact, render
from circuits.reading import Reading
from circuits.signals.spectrum import fit, quick_length, taper, without
from circuits.stage import Stage
from circuits.state import OPEN
from diagnose.recording.figures import within_noise
from diagnose.recording.measuring import measured
from diagnose.recording.options import Options
from diagnose.sheet.states import loaded_with
from diagnose.soundcard.calibration import SEEN, Calibration
from diagnose.soundcard.card import Card
from diagnose.soundcard.divider import Divider
from diagnose.soundcard.heard import TAILS, Heard, NotTaken, hum_warning, take
from diagnose.soundcard.plan import Task
from diagnose.soundcard.played import Played, beside_mains, levelled, silence, tones

MIDDLE_HZ = 1e3
"""The tone by which a level is found."""
LOUD_START, START = 10.0 ** (-40.0 / 20.0), 10.0 ** (-20.0 / 20.0)
"""Of what is wanted, where a level is approached from: with a loudspeaker's load, and without."""
_STRIDE = 10.0
"""Times that the drive grows at most from one take to the next: 20 dB."""
_CLOSE = 0.015
"""How near a level is that was reached: 0.13 dB, which a reading at that level does not notice."""
_STRIDES = 8
"""Takes after which a level is given up."""
_QUICK, _SECONDS, _SLOW = 0.4, 1.2, 1.7
"""s of a take that finds a level, of one of a tone or of noise, and of one with tones from 20 Hz
beside hum."""
_CURVE = 10.0 ** (-10.0 / 20.0)
"""Of the usual drive: where responses are read, clear of what bends in the unit."""
_NO_DRIVE = 0.1
"""V at the output where a stage states no usual drive (judgement)."""
_LEAP, _GROW = 10.0 ** (4.0 / 20.0), 10.0 ** (1.0 / 20.0)
"""Steps of a tone that grows until it is distorted: 4 dB at first, then 1 dB."""
_MOST_STEPS = 24
"""Of these."""
_SURE = 0.02
"""Part by which a level with a load must differ from that without, to tell an impedance: ten times
what two takes of a card differ by."""


@dataclass(frozen=True)
class Rig:
    """The card as it is connected to a unit.

    Attributes
    ----------
    own : Calibration
    stage : Stage
    gain : float
        Of the healthy unit at 1 kHz, a ratio; it only says where to begin.
    behind : Divider or None
        Between the card's output and the unit's input.
    before : Divider or None
        Between the unit's output and the card's input.
    """

    own: Calibration
    stage: Stage
    gain: float
    behind: Divider | None = None
    before: Divider | None = None

    @property
    def loudspeaker(self) -> bool:
        """Whether the load of the stage is one."""
        return drives_loudspeaker(self.stage)

    @property
    def load(self) -> float:
        """Ohm that the card and its divider are to the unit's output."""
        return self.before.ohms if self.before else self.own.input_ohms

    def peak(self, emf: float) -> float:
        """Fraction of full scale that is played for V RMS of e.m.f. before the unit."""
        return emf * (self.behind.ratio if self.behind else 1.0) / self.own.plays

    def volts(self, peak: float) -> float:
        """V RMS at the unit's output of a sine of that peak, as a fraction of full scale."""
        return peak * self.full_scale

    @property
    def full_scale(self) -> float:
        """V RMS at the unit's output of a sine that fills the card's input."""
        return self.own.records * (self.before.ratio if self.before else 1.0)

    @property
    def usual(self) -> float:
        """V RMS of e.m.f. of the stage's usual drive."""
        kind, value = next(iter(self.stage.signal), ("output level", _NO_DRIVE))
        if kind == "input level":
            return float(value)
        volts = math.sqrt(value * self.stage.load) if kind == "power" else value
        return volts / self.gain

    def taken(self, reading: Reading) -> tuple[Reading, tuple[tuple[str, str], ...]]:
        """A reading with the load that the card was, and what its row is to say of that."""
        stated = reading.load or reading.state.load
        if self.loudspeaker or stated or reading.quantity in ("output impedance", "input impedance",
                                                              "damping factor"):
            return reading, ()
        ohms = float(f"{self.load:.3g}")
        if "load" in reading.about.optional:
            made = replace(reading, load=ohms)
        else:
            made = replace(reading, state=replace(reading.state, load=ohms))
        return made, (("load", exact(ohms, "ohm")),)


@dataclass(frozen=True)
class Taken:
    """One reading that was taken.

    Attributes
    ----------
    asked : Reading
        As the sheet has it.
    reading : Reading
        With the load that the card was.
    value : float
        SI; dB as they are.
    bound : str
        ``<`` where the card sees no more.
    beside : pairs of (word, text)
        What the row of the sheet is to say besides.
    note : str
        Full scale and input of the card.
    """

    asked: Reading
    reading: Reading
    value: float
    bound: str = ""
    beside: tuple[tuple[str, str], ...] = ()
    note: str = ""

    def text(self) -> str:
        """The value as a sheet has it."""
        return f"{self.bound} {render(self.value, self.reading.unit, 4)}".strip()


@dataclass
class Takes:
    """What was taken of one task, and what to say of it."""

    readings: list[Taken] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


Ask = Callable[[str], bool]
"""Asks for something to be done by hand in the middle of a task; False where it is skipped."""


def run(task: Task, card: Card, rig: Rig, ask: Ask) -> Takes:
    """Take what one task wants.

    Parameters
    ----------
    ask : callable
        As `Ask`.

    Raises
    ------
    NotTaken
        Where no take was whole, the input is overloaded, or a level is not reached.
    """
    takes = Takes()
    _KINDS[task.kind](_Bench(card, rig, takes), task, ask)
    return takes


@dataclass
class _Bench:
    """A card at a unit, while one task is taken."""

    card: Card
    rig: Rig
    takes: Takes

    def take(self, played: Played) -> Heard:
        heard = take(self.card, played, self.rig.stage.mains)
        for why in heard.again:
            self.say(f"a take was thrown away and repeated: {why}")
        if heard.clipped:
            raise NotTaken(
                "the input of the card is overloaded: put a divider before it, or turn its gain "
                "down and calibrate it again"
            )
        self.say(hum_warning(heard, self.rig.stage.mains))
        return heard

    def say(self, text: str) -> None:
        if text and text not in self.takes.remarks:
            self.takes.remarks.append(text)

    def add(self, asked: Reading, value: float, own: float = 0.0, bound: str = "") -> None:
        """A reading, the card's own taken out or told as a bound; `own` in the reading's unit."""
        rig = self.rig
        reading, beside = rig.taken(asked)
        if own and reading.unit == "dB":
            if value < own + 20.0 * math.log10(SEEN):
                bound = "<"
        elif own and value < SEEN * own:
            bound = "<"
        elif own and reading.quantity in ("noise", "thd+n"):
            value = math.sqrt(value**2 - own**2)  # two noises add as power, lines may cancel
        full, ohms = render(rig.full_scale, "V"), render(rig.load, "ohm")
        note = f"by a card of {full} full scale and {ohms}"
        self.takes.readings.append(Taken(asked, reading, value, bound, beside, note))

    def sine(self, emf: float, seconds: float = _QUICK, frequency: float = MIDDLE_HZ) -> Heard:
        peak = self.rig.peak(emf)
        if peak > 1.0:
            raise NotTaken(
                f"the card's output ends at {render(self.rig.own.plays, 'V')}, and "
                f"{render(emf * peak / self.rig.peak(emf), 'V')} are wanted of it at the unit"
            )
        return self.take(tones([(frequency, peak)], seconds, self.card.rate))

    def emf_for(self, level: tuple[str, float], reading: Reading) -> float:
        """V RMS of e.m.f. at which a level is reached, approached from below."""
        rig = self.rig
        kind, value = level[0], float(level[1])
        at_output = kind != "input level"
        if kind == "power":
            value = math.sqrt(value * loaded_with(reading, rig.stage))
        target: float = value
        guess = value / rig.gain if at_output else value
        emf: float = guess * (LOUD_START if rig.loudspeaker else START)
        for _ in range(_STRIDES):
            heard = self.sine(emf, frequency=reading.frequency or MIDDLE_HZ)
            found = rig.volts(float(heard.amplitudes()[0])) if at_output else emf
            if abs(found / target - 1.0) <= _CLOSE:
                return emf
            emf *= min(target / found, _STRIDE)
            if not at_output and abs(emf / target - 1.0) <= _CLOSE:
                return emf
        raise NotTaken(f"{render(value, 'V')} are not reached: {render(found, 'V')} are there")


def _curve(bench: _Bench, task: Task, ask: Ask) -> None:
    """Gain, response and deviation from the RIAA curve: tones at once, around hum where need be."""
    rig, mains = bench.rig, bench.rig.stage.mains
    shaped = any(r.quantity == "riaa deviation" for r in task.readings)
    emf = rig.usual * (LOUD_START if rig.loudspeaker else START)
    wanted = rig.usual * _CURVE
    try:
        while True:
            bench.sine(emf)
            if emf >= wanted * START:
                break
            emf = min(emf * _STRIDE, wanted)
    except NotTaken as error:
        if "pilots" not in str(error) or not _nothing(bench, task, wanted, str(error)):
            raise
        return
    places = {f: beside_mains(f, mains) for r in task.readings
              for f in (r.frequency, r.reference or MIDDLE_HZ)}
    every = sorted({f for pair in places.values() for f in pair})
    played = levelled(every, rig.peak(wanted), shaped)
    seconds = _SLOW if len(every) > 1 or every[0] < 200.0 else _SECONDS
    heard = bench.take(tones(played, seconds, bench.card.rate, rig.peak(wanted) / 2.0))
    sizes = heard.amplitudes(mains)
    gains = {f: 20.0 * math.log10(rig.volts(float(a)) / (peak / rig.peak(1.0)))
             - rig.own.own_response(f) for (f, peak), a in zip(played, sizes, strict=True)}

    def at(frequency: float) -> float:
        return float(np.mean([gains[f] for f in places[frequency]]))

    for reading in task.readings:
        value = at(reading.frequency)
        if reading.quantity != "gain":
            value -= at(reading.reference or MIDDLE_HZ)
        if reading.quantity == "riaa deviation":
            value -= float(riaa_db(reading.frequency) - riaa_db(MIDDLE_HZ))
        bench.add(reading, value)


def _nothing(bench: _Bench, task: Task, emf: float, why: str) -> bool:
    """Bounds on the gain of a unit that nothing comes through; whether it is one."""
    rig = bench.rig
    peak = rig.peak(emf)
    played = tones([(MIDDLE_HZ, peak)], _SECONDS, bench.card.rate)
    wave = bench.card.play(played.samples, TAILS[1]).samples[0]
    middle = wave[len(wave) // 3 : 2 * len(wave) // 3]
    middle = middle[: quick_length(len(middle))]
    if len(middle) < 0.2 * bench.card.rate:
        return False
    tapered = taper(middle, bench.card.rate)
    size = float(abs(fit(tapered, [MIDDLE_HZ]).amplitudes[0]))
    least = within_noise(without(tapered, [MIDDLE_HZ]), tapered, MIDDLE_HZ)
    bound = max(size, least, 2.0**-23)
    if rig.volts(bound) / emf > rig.gain / _STRIDE:
        return False  # something is there, and lies where it does not belong
    bench.say(f"nothing of the signal comes through ({why}): is everything connected and on?")
    for reading in task.readings:
        if reading.quantity == "gain":
            bench.add(reading, 20.0 * math.log10(rig.volts(bound) / emf), bound="<")
    return True


def _sine(bench: _Bench, task: Task, ask: Ask) -> None:
    """Distortion of one tone at the level that is stated, else at the usual drive."""
    first = task.readings[0]
    level = first.level or ("input level", bench.rig.usual)
    emf = bench.emf_for(level, first)
    heard = bench.sine(emf, _SECONDS, first.frequency)
    _figures(bench, task.readings, heard, "sine")


def _pair(bench: _Bench, task: Task, ask: Ask) -> None:
    (reading,) = task.readings
    low, high = sorted(reading.tones)
    near = high < 2.0 * low
    ratio = reading.ratio or (1.0 if near else 4.0)
    emf = bench.emf_for(reading.level or ("input level", bench.rig.usual), reading)
    second = bench.rig.peak(emf) / math.hypot(1.0, ratio)
    heard = bench.take(tones([(low, ratio * second), (high, second)], _SECONDS, bench.card.rate,
                             bench.rig.peak(emf)))
    _figures(bench, task.readings, heard, "difference tone" if near else "modulation")


def _comb(bench: _Bench, task: Task, ask: Ask) -> None:
    from circuits.signals.manytone import comb

    first = task.readings[0]
    emf = bench.emf_for(first.level or ("input level", bench.rig.usual), first)
    plan = comb(first.band if any(first.band) else (20.0, 20e3))
    played = levelled([order * plan.base for order in plan.orders], bench.rig.peak(emf))
    heard = bench.take(tones(played, _SLOW, bench.card.rate, bench.rig.peak(emf) / 2.0))
    _figures(bench, task.readings, heard, "tones")


def _figures(bench: _Bench, readings: Sequence[Reading], heard: Heard, kind: str) -> None:
    """Figures that `diagnose.recording` reads of a wave, for the readings that ask for them."""
    rig = bench.rig
    try:
        found = measured(heard.recording(), Options(kind, rig.full_scale, mains=rig.stage.mains))
    except InputError as error:
        raise NotTaken(str(error).splitlines()[0]) from None
    volts = float(np.sqrt(np.square(heard.wave).mean())) * math.sqrt(2.0) * rig.own.records
    for reading in readings:
        item = next((i for i in found.items if i.measured is not None
                     and _same(i.measured.reading, reading)), None)
        if item is None:
            bench.say(f"{reading.label()} does not show in this take")
            continue
        own = rig.own.own(reading, max(volts, 1e-9))
        if reading.quantity in ("noise", "hum"):
            own *= rig.full_scale / rig.own.records
        bench.add(reading, item.value, own if math.isfinite(own) else 0.0, item.bound)


def _same(found: Reading, asked: Reading) -> bool:
    """Whether a figure of a recording is what a sheet asks for, whatever level and load it says."""
    return (found.quantity, found.order, found.weighting) == (
        asked.quantity, asked.order, asked.weighting) and (
        found.quantity != "hum" or abs(found.frequency / asked.frequency - 1.0) < 0.02)


def _quiet(bench: _Bench, task: Task, ask: Ask) -> None:
    """Noise and hum, the input as the step has it."""
    heard = bench.take(silence(_SLOW, bench.card.rate))
    if not heard.wave.any():
        raise NotTaken("the card hears nothing but zeros: is its input switched on?")
    _figures(bench, task.readings, heard, "silence")


def _loads(bench: _Bench, task: Task, ask: Ask) -> None:
    """Output impedance, from the output without a load and with one."""
    rig = bench.rig
    load = task.readings[0].load or (rig.stage.load if rig.loudspeaker else _test_load(rig))
    emf = rig.usual * _CURVE
    first = task.readings[0]
    frequency = first.frequency
    if rig.loudspeaker and not ask("disconnect the load of the unit"):
        return
    emf = bench.emf_for(("input level", emf), first)
    free = float(bench.sine(emf, _SECONDS, frequency).amplitudes(rig.stage.mains)[0])
    if not ask(f"connect {render(load, 'ohm')} across the output"):
        return
    under = float(bench.sine(emf, _SECONDS, frequency).amplitudes(rig.stage.mains)[0])
    fall = free / under - 1.0
    if not rig.loudspeaker and not ask(f"take the {render(load, 'ohm')} off again"):
        return
    ohms = max(fall, 1e-6) * load
    # the card hangs on it in both: what is read is the impedance beside the card
    ohms = ohms if rig.loudspeaker else 1.0 / max(1.0 / ohms - 1.0 / rig.load, 1e-9)
    bound = "<" if fall < _SURE / 10.0 else ""
    for reading in task.readings:
        if reading.quantity == "damping factor":
            bench.add(reading, load / max(ohms, 1e-9), bound=">" if bound else "")
        else:
            bench.add(reading, ohms, bound=bound)


def _test_load(rig: Rig) -> float:
    """Ohm of a resistor that a line output is loaded with: its own load, else what lines have."""
    from diagnose.soundcard.divider import e24

    return e24(min(rig.stage.load if rig.stage.load not in (0.0, OPEN) else 10e3, 10e3))


def _series(bench: _Bench, task: Task, ask: Ask) -> None:
    """Input impedance, from the output with a resistor before the input and without."""
    rig = bench.rig
    ohms = 47e3
    first = task.readings[0]
    emf = bench.emf_for(("input level", rig.usual * _CURVE), first)
    plain = float(bench.sine(emf, _SECONDS, first.frequency).amplitudes(rig.stage.mains)[0])
    if not ask(f"put {render(ohms, 'ohm')} in series with the input of the unit"):
        return
    less = float(bench.sine(emf, _SECONDS, first.frequency).amplitudes(rig.stage.mains)[0])
    if not ask(f"take the {render(ohms, 'ohm')} out again"):
        return
    ratio = less / plain
    before = rig.behind.ohms if rig.behind else max(rig.own.output_ohms, rig.stage.source_impedance)
    if ratio > 1.0 - _SURE / 10.0:
        bench.add(first, ohms / (_SURE / 10.0), bound=">")
        return
    bench.add(first, max(ohms * ratio / (1.0 - ratio) - before, 1.0))


def _most(bench: _Bench, task: Task, ask: Ask) -> None:
    """The output at which a distortion is reached: in leaps, then from the last leap by 1 dB."""
    rig = bench.rig
    (reading,) = task.readings
    emf = bench.emf_for(("input level", rig.usual * _CURVE), reading)
    below: tuple[float, float, float] | None = None
    step = _LEAP
    for _ in range(_MOST_STEPS):
        try:
            heard = bench.sine(emf, _QUICK, reading.frequency)
        except NotTaken as error:
            if below is None:
                raise
            if step > _GROW:
                step, emf = _GROW, below[0] * _GROW
                continue
            bench.say(str(error))
            break
        found = measured(heard.recording(), Options("sine", rig.full_scale))
        volts, thd = found.item("level").value, found.item("thd").value
        if thd < reading.thd:
            below = emf, volts, thd
        elif below is None:
            bench.add(reading, volts, bound="<")
            return
        elif step > _GROW:
            step, emf = _GROW, below[0]
        else:
            _, low, ratio = below
            share = math.log(reading.thd / ratio) / math.log(max(thd / ratio, 1.0 + 1e-9))
            bench.add(reading, low * (volts / low) ** min(max(share, 0.0), 1.0))
            return
        emf *= step
    bench.add(reading, below[1] if below else 0.0, bound=">")


_KINDS: dict[str, Callable[[_Bench, Task, Ask], None]] = {
    "curve": _curve, "sine": _sine, "pair": _pair, "comb": _comb, "quiet": _quiet,
    "loads": _loads, "series": _series, "most": _most,
}
