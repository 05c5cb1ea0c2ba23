"""One entry of a bench sheet: which reading it is, and what was read.

Everything that `readings`, `limits` and `channels` share: which conditions an entry has, the units
that a value may be written in, and how an uncertainty is brought to the compared scale.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import Any

from circuits import conditions as registry
from circuits import yamlfile
from circuits.conditions import CONDITIONS
from circuits.errors import InputError, Place
from circuits.plausible import UNCERTAINTY, UNDER_DRIVE, VALUES
from circuits.probe import plainly
from circuits.prompt import few_lines
from circuits.quantities import LEVELS, QUANTITIES, STATE
from circuits.quantity import parse, render
from circuits.reading import Reading, compared, instrument
from circuits.stage import Stage
from circuits.yamlfile import Items, Mapping, Node, Text
from diagnose.sheet.states import is_disconnected, loaded_with, put_state


@dataclass(frozen=True)
class Measured:
    """One reading with what was read.

    Attributes
    ----------
    value : float
        SI (a ratio for %).
    uncertainty : float or None
        Standard uncertainty on the reading's compared scale, where the sheet states one.
    digits : float
        What the digits that are written leave open, a standard uncertainty on the same scale;
        counts where the sheet states no other.
    bound : str
        ``<`` or ``>`` where the sheet gives a limit of what the meter sees, else empty.
    place : Place
        Where the value stands.
    """

    reading: Reading
    value: float
    uncertainty: float | None = None
    bound: str = ""
    place: Place = field(default=Place(""), compare=False)
    digits: float = 0.0

    def __repr__(self) -> str:
        value = f"{self.bound} {render(self.value, self.reading.unit)}".strip()
        return few_lines(f"{self.reading.label()}: {value}")


def quantity_of(node: Node, what: str) -> tuple[Mapping, str]:
    """The entry as a mapping, and its quantity.

    Raises
    ------
    InputError
        For a word that is no quantity.
    """
    entry = yamlfile.mapping(node, what, None, ("quantity",))
    written = yamlfile.scalar(entry.entries["quantity"], "quantity")
    if written.value.lower() in QUANTITIES:
        return entry, written.value.lower()
    return entry, yamlfile.choice(written, "quantity", QUANTITIES)


def usual(measured: Measured) -> float:
    """Standard uncertainty of a bench instrument and of the digits written, compared scale."""
    scale = compared(measured.reading, measured.value)
    return math.hypot(float(instrument(measured.reading, scale)), measured.digits)


def field_of(key: str) -> str:
    """The field of a `Reading` that holds a condition of the sheet."""
    return CONDITIONS[key].field


def condition_keys(name: str) -> tuple[str, ...]:
    """The conditions that a quantity takes, in the words of the sheet."""
    about = QUANTITIES[name]
    return (*about.required, *about.optional)


def entry_keys(name: str) -> tuple[str, ...]:
    """The same with ``load``, which stands for a state where it is no condition of its own."""
    keys = condition_keys(name)
    return keys if "load" in keys or STATE not in keys else (*keys, "load")


def conditions(entry: Mapping, name: str, stage: Stage, without: tuple[str, ...] = ()) -> Reading:
    """The reading that an entry's conditions describe.

    Parameters
    ----------
    entry : Mapping
        Its unknown keys were refused before.
    name : str
        A quantity.
    stage : Stage
        Whose nodes and rails the entry may name.
    without : tuple of str
        Required conditions that come from elsewhere (the frequency, with ``points``).

    Raises
    ------
    InputError
        For a condition that is missing, impossible or of another dimension.
    """
    about = QUANTITIES[name]
    for key in about.required:
        if key not in without and entry.get(key) is None:
            place = entry.keys[key].place if key in entry.keys else entry.place
            raise InputError(f"{name} needs {key!r}", place=place, expected=f"{key}: …")
    if "meter" in condition_keys(name):
        _range_beside(entry, entry.get("meter"))
    fields: dict[str, Any] = {}
    for key in condition_keys(name):
        node = entry.get(key)
        if node is None:
            continue
        if key in LEVELS and "level" in fields:
            raise InputError(
                "a second level is stated here",
                place=entry.keys[key].place,
                expected=f"one of {', '.join(LEVELS)}",
            )
        if key == "meter":
            fields[key] = _meter(entry, node, stage)
            continue
        if key == "load" and is_disconnected(node):
            continue
        fields[field_of(key)] = CONDITIONS[key].read(node, stage)
    if STATE in condition_keys(name):
        put_state(entry, name, fields)
    if fields.get("origin") and fields["origin"] == fields.get("at", stage.output):
        raise InputError(
            "both probes are on the same node" if "at" in about.required
            else "the signal is read where it comes from",
            place=entry.entries["from"].place,
            expected="two nodes",
        )
    if "power" in entry.keys and "level" in fields:
        _needs_load(entry.keys["power"], loaded_with(Reading(name, **fields), stage))
    if name == "damping factor" and "load" not in without and not (
        fields.get("load") or stage.load
    ):
        raise InputError(
            "a damping factor needs the load that it is of", place=entry.place,
            expected="load: 8 ohm",
        )
    reading = plainly(Reading(name, **fields), stage)
    for key in ("frequency", "tones"):
        node = entry.get(key)
        if node is not None and key not in without:
            in_reach(reading, node)
    return reading


def _meter(entry: Mapping, node: Node, stage: Stage) -> float:
    """Ohm of the voltmeter of an entry, which of an analogue one follow from its range."""
    top = entry.get("range")
    if top is None and entry.get("value") is None:
        return 0.0  # nothing was read yet
    scale = yamlfile.number(top, "the range", "V") if top is not None else 0.0
    if top is not None and not 0.0 < scale <= VALUES["V"]:
        raise InputError("a meter has no such range", place=top.place, expected="range: 10 V")
    return registry.meter(node, stage, scale)


def _range_beside(entry: Mapping, meter: Node | None) -> None:
    """Refuse the range of a voltmeter that has the same resistance on all of them."""
    top = entry.get("range")
    if top is not None and not (isinstance(meter, Text) and "/" in meter.value):
        raise InputError(
            "the range of this meter changes nothing", place=top.place,
            expected="a range beside a meter of so many ohms per volt: meter: 20 kohm/V",
        )


def metered(node: Node | None, meter: Node | None) -> Node | None:
    """Readings of a sheet with its meter beside each direct voltage that states none."""
    return _each_with(node, "meter", meter)


def probed(node: Node | None, probe: Node | None) -> Node | None:
    """The same with its probe beside each a.c. reading at a stated point that states none."""
    return _each_with(node, "probe", probe, ("at", "from"))


def _each_with(
    node: Node | None, key: str, said: Node | None, beside: tuple[str, ...] = ()
) -> Node | None:
    if said is None or not isinstance(node, Items):
        return node
    return replace(node, items=tuple(_with(item, key, said, beside) for item in node.items))


def _with(item: Node, key: str, said: Node, beside: tuple[str, ...]) -> Node:
    if not isinstance(item, Mapping) or item.get(key) is not None:
        return item
    word = item.get("quantity")
    if not isinstance(word, Text) or word.value.lower() not in QUANTITIES:
        return item
    if key not in condition_keys(word.value.lower()):
        return item
    if beside and all(item.get(other) is None for other in beside):
        return item
    keys = {**item.keys, key: Text(key, said.place)}
    return replace(item, entries={**item.entries, key: said}, keys=keys)


def in_reach(reading: Reading, node: Node) -> None:
    """Refuse a drive that a run in time cannot follow.

    Parameters
    ----------
    reading : Reading
    node : Node
        Where its frequency stands, or its tones.

    Raises
    ------
    InputError
        With that place.
    """
    if not reading.driven:
        return
    low, high = UNDER_DRIVE
    for tone in (reading.frequency, *reading.tones):
        if tone and not low <= tone <= high:
            raise InputError(
                f"a {reading.quantity} at {render(tone, 'Hz')} is not plausible",
                place=node.place,
                expected=f"{render(low, 'Hz')} to {render(high, 'Hz')}",
            )


def _needs_load(node: Node, load: float) -> None:
    if not load:
        raise InputError(
            "a power needs the load it goes into", place=node.place, expected="load: 8 ohm"
        )


def level(kind: str, node: Node, reading: Reading, stage: Stage) -> tuple[str, float]:
    """A level of that kind, one of `LEVELS`, at which a reading is taken.

    Raises
    ------
    InputError
        For another dimension, or a power without a load.
    """
    if kind == "power":
        _needs_load(node, loaded_with(reading, stage))
    return registry.level(kind, node)


def value_of(written: Text, reading: Reading, stage: Stage) -> tuple[float, str]:
    """What was read, SI, and ``<`` or ``>`` where it is a bound.

    A harmonic may also be in per cent, a maximum output in watts into the load, a resistance open.

    Raises
    ------
    InputError
        For another dimension, or a value that the quantity cannot have.
    """
    if reading.quantity == RESISTANCE and is_open(written):
        return OPEN, ">"
    match = re.fullmatch(r"([<>]?)\s*(.*)", written.value.strip(), re.DOTALL)
    bound, word = match.groups() if match else ("", written.value)
    try:
        value = in_any_unit(word, reading, stage)
    except InputError as error:
        raise error.at(written.place) from None
    if reading.scale in ("log", "level") and value <= 0.0 and reading.quantity != "supply current":
        hint = f'what the meter can still see, such as "< {_LEAST.get(reading.unit, "0.1")}"'
        raise InputError(
            f"a {reading.quantity} cannot be {written.value.strip()}",
            place=written.place,
            expected=hint if value == 0.0 else "more than zero",
        )
    most = VALUES[reading.unit]
    if abs(value) > most:
        raise InputError(
            f"a {reading.quantity} of {render(value, reading.unit)} is not plausible",
            place=written.place,
            expected=f"at most {render(most, reading.unit)}",
        )
    return value, bound


_LEAST = {"ohm": "0.1 ohm", "V": "1 uV", "A": "1 uA", "%": "0.001 %", "s": "0.1 us"}


def in_any_unit(word: str, reading: Reading, stage: Stage) -> float:
    """A value in one of the units that its quantity is read in, SI; else an `InputError`."""
    try:
        return parse(word, reading.unit)
    except InputError as error:
        if reading.quantity == "harmonic" and "%" in word:
            ratio = parse(word, "%")
            if ratio > 0.0:
                return 20.0 * math.log10(ratio)
        load = loaded_with(reading, stage)
        if reading.quantity == "maximum output" and re.search(r"[Ww]$|dBm$|dBW$", word) and load:
            power = parse(word, "W")
            if power >= 0.0:
                return math.sqrt(power * load)
        if reading.quantity == "hum" and reading.unit == "V" and re.search(r"d[Bb]$", word):
            raise InputError(
                "a hum in dB needs the signal that it is relative to",
                expected="output level, input level or power; or a hum in V or dBV",
            ) from None
        if reading.quantity == "hum" and reading.unit == "dB":
            raise InputError(
                "a hum beside a level is relative to it",
                expected="a hum in dB; or no level",
            ) from None
        raise error


RESISTANCE = "resistance"
OPEN = 20e6
"""Ohm that a hand meter shows at most, as common ones do whose highest range is 20 or 40 Mohm
(common practice, from memory); a sheet may state another ``range``."""


def is_open(written: Text) -> bool:
    """Whether a resistance was above the meter's range, as meters and people write it."""
    return re.fullmatch(r"\.?[O0]\.?L\.?|open", written.value.strip(), re.IGNORECASE) is not None


def uncertainty_of(written: Text, reading: Reading, value: float) -> float:
    """A stated uncertainty as a standard uncertainty on the compared scale.

    ``5 %`` is relative to the value, ``0.5 dB`` a ratio, anything else in the quantity's unit.

    Raises
    ------
    InputError
        For another dimension, or one that is not more than zero.
    """
    word = written.value.strip()
    try:
        result = _uncertainty(word, reading, value)
    except InputError as error:
        raise error.at(written.place) from None
    if not 0.0 < result <= UNCERTAINTY:
        raise InputError(
            f"an uncertainty cannot be {word}", place=written.place,
            expected="more than zero, and less than the reading means anything with",
        )
    return result


def _uncertainty(word: str, reading: Reading, value: float) -> float:
    in_decibels = re.search(r"[dD][bB]$", word) is not None
    relative = word.endswith("%") or (reading.unit == "%" and not in_decibels)
    decibels = reading.scale in ("dB", "level")
    if relative:
        ratio = parse(word, "%")
        if decibels:
            return 20.0 * math.log10(1.0 + ratio) if ratio > 0.0 else 0.0
        return ratio if reading.scale == "log" else ratio * abs(value)
    if in_decibels and reading.scale == "log":
        return parse(word, "dB") * math.log(10.0) / 20.0
    if in_decibels and decibels:
        return parse(word, "dB")
    absolute = parse(word, reading.unit)
    if reading.scale in ("linear", "dB"):
        return absolute
    ratio = absolute / max(abs(value), 1e-30)
    if reading.scale == "log":
        return ratio
    return 20.0 * math.log10(1.0 + ratio) if ratio > 0.0 else 0.0
