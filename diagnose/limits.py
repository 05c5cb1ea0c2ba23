"""Published figures: the limits that a unit must keep, in the words of its readings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from circuits import yamlfile
from circuits.errors import InputError, Place
from circuits.quantity import parse
from circuits.reading import QUANTITIES, Reading
from circuits.stage import Stage
from circuits.yamlfile import Mapping, Node
from diagnose import entry as sheet


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
    place : Place
    """

    reading: Reading
    low: float | None = None
    high: float | None = None
    band: tuple[float, float] = (0.0, 0.0)
    place: Place = field(default=Place(""), compare=False)

    def covers(self, reading: Reading) -> bool:
        """Whether the limit is about that reading."""
        if self.band == (0.0, 0.0):
            return self.reading == reading
        inside = self.band[0] <= reading.frequency <= self.band[1]
        return inside and replace(reading, frequency=0.0) == self.reading

    def passes(self, value: float) -> bool:
        """Whether a value keeps the limit."""
        above = self.low is None or value >= self.low
        return above and (self.high is None or value <= self.high)


def read_limits(node: Node | None, stage: Stage) -> tuple[Limit, ...]:
    """The limits of a case file.

    ``max`` and ``min`` are values of the quantity; ``within`` is the distance from ``value``, or
    from zero for levels in dB, angles and voltages. Where the quantity has a frequency, ``band``
    may stand in its place. A limit without a figure is passed over.

    Raises
    ------
    InputError
        With the place.
    """
    if node is None:
        return ()
    read = (_limit(item, stage) for item in yamlfile.items(node, "limits"))
    return tuple(limit for limit in read if limit is not None)


def _limit(node: Node, stage: Stage) -> Limit | None:
    entry, name = sheet.quantity_of(node, "a limit")
    keys = sheet.condition_keys(name)
    banded = "frequency" in QUANTITIES[name].required and "band" not in keys
    allowed = ("quantity", *keys, *(("band",) if banded else ()), "max", "min", "within", "value")
    entry = yamlfile.mapping(entry, f"a limit of {name}", allowed)
    band = entry.get("band") if banded else None
    if band is not None and entry.get("frequency") is not None:
        raise InputError(
            "a band and a frequency are stated",
            place=entry.keys["band"].place,
            expected="one of them",
        )
    reading = sheet.conditions(entry, name, stage, ("frequency",) if band is not None else ())
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
    return Limit(reading, low, high, sheet.band(band) if band is not None else (0.0, 0.0),
                 entry.place)  # fmt: skip


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
                         expected="a distance")  # fmt: skip
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
