"""Published figures: the limits that a unit must keep, in the words of its readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields

from circuits import yamlfile
from circuits.conditions import band as ends
from circuits.errors import InputError, Place
from circuits.quantities import QUANTITIES, STATE
from circuits.quantity import parse
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import Mapping, Node
from diagnose.sheet import entry as sheet

_SAME_LEVEL = 0.02
"""Two levels this near are one: nobody sets 20 W into 8 ohm more exactly (judgement)."""
_WIDE = (20.0, 20e3)
"""The band that an unstated one is, Hz."""
FIGURES = ("max", "min", "within", "value")
"""What a limit has in place of what was read."""


@dataclass(frozen=True)
class Limit:
    """One published figure.

    Attributes
    ----------
    reading : Reading
        Its frequency is 0 where `band` says where the limit holds.
    low, high : float or None
        SI, inclusive.
    band : tuple of float
        Hz; (0, 0) where the reading has a frequency of its own, or none.
    free : tuple of str
        Fields of a reading that the limit does not ask about.
    load : float
        Ohm: the stage's own, which a reading or limit that states no load means.
    from_power : float
        W: the limit holds from this power up; 0 for everywhere.
    channels : int
        How many channels a unit has that the limit is for; 0 for any.
    standard : str
        The published standard that it comes from; empty for one of the sheet.
    """

    reading: Reading
    low: float | None = None
    high: float | None = None
    band: tuple[float, float] = (0.0, 0.0)
    place: Place = field(default=Place(""), compare=False)
    free: tuple[str, ...] = ()
    load: float = 0.0
    from_power: float = 0.0
    channels: int = 0
    standard: str = ""

    def covers(self, reading: Reading) -> bool:
        """Whether the limit is about that reading, in whatever words its conditions stand.

        20 W into 8 ohm and 12.65 V are one level, the stage's own load may be stated or not.
        """
        banded = self.band != (0.0, 0.0)
        if banded and not self.band[0] <= reading.frequency <= self.band[1]:
            return False
        if self.from_power and _watts(reading, self.load) < self.from_power * (1.0 - _SAME_LEVEL):
            return False
        asked = (f.name for f in fields(Reading) if f.name not in self.free)
        return all(
            self._alike(name, reading) for name in asked if not (banded and name == "frequency")
        )

    def passes(self, value: float) -> bool:
        """Whether a value keeps the limit."""
        above = self.low is None or value >= self.low
        return above and (self.high is None or value <= self.high)

    def _alike(self, name: str, reading: Reading) -> bool:
        mine, other = getattr(self.reading, name), getattr(reading, name)
        if name in ("meter", "probe") and not mine:
            return True  # a figure without a meter is judged by whatever meter there is
        if name == STATE and self.standard:
            return not other.altered  # whatever stands at its ends, the unit is whole
        if name == "load":
            return bool((mine or self.load) == (other or self.load))
        if name == "band":
            return _band(mine) == _band(other)
        if name == "level" and mine is not None and other is not None:
            ours, theirs = (_level(r, self.load) for r in (self.reading, reading))
            return ours[0] == theirs[0] and math.isclose(ours[1], theirs[1], rel_tol=_SAME_LEVEL)
        return bool(mine == other)


def _band(ends: tuple[float, float]) -> tuple[float, float]:
    return ends if ends != (0.0, 0.0) else _WIDE


def _level(reading: Reading, load: float) -> tuple[str, float]:
    """A stated level, a power as the voltage that gives it."""
    assert reading.level is not None
    kind, value = reading.level
    ohms = reading.load or load
    return ("output level", math.sqrt(value * ohms)) if kind == "power" else (kind, value)


def _watts(reading: Reading, load: float) -> float:
    """The power that a reading was taken at; 0 where none is stated."""
    if reading.level is None or not (reading.load or load):
        return 0.0
    kind, volts = _level(reading, load)
    return volts**2 / (reading.load or load) if kind == "output level" else 0.0


def read_limit(node: Node, stage: Stage, standard: str = "") -> Limit | None:
    """One limit.

    Parameters
    ----------
    standard : str
        Where it stands in a published standard: conditions that it does not state are open.

    Raises
    ------
    InputError
        With the place.
    """
    entry, name = sheet.quantity_of(node, "a limit")
    keys = sheet.entry_keys(name)
    banded = "frequency" in QUANTITIES[name].required
    # a distortion with noise has a band of its own, that of the meter
    over = "frequencies" if "band" in keys else "band"
    ranges = ("range",) if "meter" in keys else ()
    general = ("from power", "channels") if standard else ()
    allowed = ("quantity", *keys, *ranges, *((over,) if banded else ()), *FIGURES, *general)
    entry = yamlfile.mapping(entry, f"a limit of {name}", allowed)
    band = entry.get(over) if banded else None
    if band is not None and entry.get("frequency") is not None:
        raise InputError(
            f"{over} and a frequency are stated",
            place=entry.keys[over].place,
            expected="one of them",
        )
    free = tuple(key for key in ("reference",) if key in keys and entry.get(key) is None)
    if standard:
        stated = {sheet.field_of(key) for key in keys if entry.get(key) is not None}
        # what is read between other points than the unit's own ends is no business of a standard
        named = {sheet.field_of(key) for key in keys} - {"at", "origin", STATE}
        free = tuple(sorted(named - stated))
        without = keys
    else:
        without = (*free, *(("frequency",) if band is not None else ()))
    reading = sheet.conditions(entry, name, stage, without)
    low, high = _bounds(entry, reading, stage)
    if low is None and high is None:
        if not any(key in entry.keys for key in ("max", "min", "within")):
            raise InputError(
                "this limit has no figure", place=entry.place, expected="max, min or within"
            )
        return None
    if low is not None and high is not None and low > high:
        raise InputError(
            "the least is more than the most", place=entry.keys["min"].place, expected="min < max"
        )
    power, channels = entry.get("from power"), entry.get("channels")
    return Limit(
        reading, low, high, ends(band) if band is not None else (0.0, 0.0), entry.place,
        free, stage.load,
        sheet.level("power", power, reading, stage)[1] if power is not None else 0.0,
        int(yamlfile.choice(channels, "number of channels", ("1", "2"))) if channels else 0,
        standard,
    )


def _bounds(
    entry: Mapping, reading: Reading, stage: Stage
) -> tuple[float | None, float | None]:
    distance = entry.get("within")
    if distance is None:
        if entry.get("value") is not None:
            raise InputError(
                "a value stands without what it is within",
                place=entry.keys["value"].place,
                expected="max, min, or within beside the value",
            )
        return _figure(entry, "min", reading, stage), _figure(entry, "max", reading, stage)
    for key in ("min", "max"):
        if entry.get(key) is not None:
            raise InputError(
                f"{key} and within are stated", place=entry.keys[key].place, expected="one of them"
            )
    middle = _figure(entry, "value", reading, stage)
    written = yamlfile.scalar(distance, "a distance")
    word = written.value.strip().removeprefix("±").removeprefix("+-").strip()
    try:
        if word.endswith("%") and reading.unit != "%":
            if middle is None:
                raise InputError("per cent of what?", expected="value: … beside it")
            wide = parse(word, "%") * abs(middle)
        else:
            wide = parse(word, reading.unit)
    except InputError as error:
        raise error.at(written.place) from None
    if wide <= 0.0:
        raise InputError("this distance is not more than zero", place=written.place,
                         expected="a distance")
    if middle is None and reading.scale not in ("dB", "linear"):
        raise InputError(
            f"a {reading.quantity} is within a distance of what?",
            place=written.place,
            expected="value: … beside it",
        )
    return (middle or 0.0) - wide, (middle or 0.0) + wide


def _figure(entry: Mapping, key: str, reading: Reading, stage: Stage) -> float | None:
    node = entry.get(key)
    if node is None:
        return None
    written = yamlfile.scalar(node, key)
    value, bound = sheet.value_of(written, reading, stage)
    if bound:
        raise InputError(
            f"{bound} cannot stand in a limit", place=written.place, expected="the figure alone"
        )
    return value
