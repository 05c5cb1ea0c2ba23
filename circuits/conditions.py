"""Registry of conditions: what stands beside a value on a bench sheet, read and written.

Every condition that a `Reading` holds has one entry here, which reads it from a sheet and writes it
so that the same is read back. What a quantity takes of them stands in `circuits.quantities`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from circuits import plausible, yamlfile
from circuits.errors import InputError
from circuits.probe import read_probe
from circuits.probe import text as probe_text
from circuits.quantities import LEVELS, STATE
from circuits.quantity import exact, render
from circuits.reading import VOLTMETER, Reading
from circuits.stage import GROUND, Stage
from circuits.state_words import read_state
from circuits.yamlfile import Node, Text

ORDERS = range(2, 11)
"""Harmonics that are told apart."""

Read = Callable[[Node, Stage], Any]
"""What stands on a sheet, and the stage whose nodes it may name → the value of the field."""
Write = Callable[[Any], tuple[str, ...]]
"""The value of the field → its text, or two where two nodes or frequencies belong."""


@dataclass(frozen=True)
class Condition:
    """One entry of the registry.

    Attributes
    ----------
    word : str
        In the sheet.
    field : str
        Of a `Reading`; a level's holds the word as well.
    read : callable
        Raises `InputError` with the place for what the condition cannot be.
    write : callable
        Its inverse, to the last digit.
    pair : bool
        Whether two members belong there.
    names : bool
        Whether its text names nodes or rails of the stage.
    """

    word: str
    field: str
    read: Read
    write: Write
    pair: bool = False
    names: bool = False


def frequency(node: Node) -> float:
    """A frequency, Hz, that a bench can have."""
    return _positive(node, "frequency", "Hz")


def band(node: Node) -> tuple[float, float]:
    """Two frequencies, the lower one first.

    Raises
    ------
    InputError
        For anything else.
    """
    ends = _frequencies(node)
    if len(ends) != 2 or not ends[0] < ends[1]:
        raise InputError("a band has two ends", place=node.place, expected="[20 Hz, 20 kHz]")
    return ends[0], ends[1]


def level(word: str, node: Node) -> tuple[str, float]:
    """A level of that word, one of `LEVELS`: W or V RMS."""
    return word, _positive(node, word, LEVELS[word])


def _positive(node: Node, word: str, unit: str) -> float:
    value = yamlfile.number(node, f"the {word}", unit)
    if value <= 0.0:
        raise InputError(
            f"the {word} is {render(value, unit)}", place=node.place, expected="more than zero"
        )
    low, high = plausible.CONDITIONS[word]
    if not low <= value <= high:
        raise InputError(
            f"a {word} of {render(value, unit)} is not plausible",
            place=node.place,
            expected=f"{render(low, unit)} to {render(high, unit)}",
        )
    return value


def _stage_node(node: Node, stage: Stage, ground: bool = False) -> str:
    known = dict.fromkeys(
        (*stage.nodes, *(name for name, _ in stage.test_points), *((GROUND,) if ground else ()))
    )
    word = stage.real(yamlfile.text(node, "node or test point"))
    if word not in known or (word == GROUND and not ground):
        raise InputError(
            f"stage {stage.name} has no node {word!r}",
            place=node.place,
            expected="a node or test point of the stage",
            choices=known,
            given=word,
        )
    return word


def _rail(node: Node, stage: Stage) -> str:
    return yamlfile.choice(node, "rail", [rail.name for rail in stage.rails])


def _between(node: Node, stage: Stage) -> tuple[str, ...]:
    pair = yamlfile.items(node, "between")
    if len(pair) != 2:
        raise InputError("two nodes belong here", place=node.place, expected='[c1, "0"]')
    names = tuple(_stage_node(item, stage, ground=True) for item in pair)
    if names[0] == names[1]:
        raise InputError("these are the same node", place=node.place, expected="two nodes")
    return names


def meter(node: Node, stage: Stage, scale: float = 0.0) -> float:
    """Ohm of a voltmeter; 0 for the usual one.

    Parameters
    ----------
    scale : float
        V of the range that a meter of so many ohms per volt was on; 0 where none is stated.
    """
    written = yamlfile.scalar(node, "the meter")
    per_volt = re.fullmatch(r"(.*\S)\s*/\s*[Vv]", written.value.strip())
    if per_volt and not scale:
        raise InputError(
            "a meter of so many ohms per volt has a range", place=node.place,
            expected="range: 10 V beside the reading",
        )
    ohms = _positive(replace(written, value=per_volt[1]) if per_volt else node, "meter", "ohm")
    ohms *= scale if per_volt else 1.0
    return 0.0 if ohms == VOLTMETER else ohms


def _order(node: Node, stage: Stage) -> int:
    value = yamlfile.number(node, "the order", "")
    if value not in ORDERS:
        raise InputError(
            f"there is no harmonic {value:g}", place=node.place, expected="a whole number, 2 to 10"
        )
    return int(value)


def _frequencies(node: Node) -> tuple[float, ...]:
    if isinstance(node, Text):
        words = re.split(r"\s*(?:\bto\b|–|\.\.)\s*", node.value)
        return tuple(frequency(replace(node, value=word)) for word in words)
    return tuple(frequency(item) for item in yamlfile.items(node, "a band"))


def _tones(node: Node, stage: Stage) -> tuple[float, ...]:
    tones = tuple(frequency(item) for item in yamlfile.items(node, "tones"))
    if len(tones) != 2 or tones[0] == tones[1]:
        raise InputError("two tones belong here", place=node.place, expected="[19 kHz, 20 kHz]")
    return tones


def _ratio(node: Node, stage: Stage) -> float:
    written = yamlfile.scalar(node, "the ratio")
    pair = re.fullmatch(r"([0-9.]+)\s*:\s*([0-9.]+)", written.value.strip())
    if not pair:
        return _positive(node, "ratio", "")
    first, second = (_positive(replace(written, value=word), "ratio", "") for word in pair.groups())
    return first / second


def _weighting(node: Node, stage: Stage) -> str:
    word = yamlfile.choice(node, "weighting", ("A", "none"))
    return "" if word == "none" else word


def _word(value: Any) -> tuple[str, ...]:
    return (f"{value}",)


def _words(value: Any) -> tuple[str, ...]:
    return tuple(value)


def _ends(value: Any) -> tuple[str, ...]:
    return tuple(exact(end, "Hz") for end in value)


def _measure(word: str, unit: str) -> Condition:
    """A condition that is a plain quantity with a unit, and more than zero."""

    def read(node: Node, stage: Stage) -> float:
        return _positive(node, word, unit)

    return Condition(word, word, read, lambda value: (exact(value, unit),))


def _of_level(word: str, unit: str) -> Condition:
    def read(node: Node, stage: Stage) -> tuple[str, float]:
        return level(word, node)

    return Condition(word, "level", read, lambda held: (exact(held[1], unit),))


CONDITIONS: Mapping[str, Condition] = {
    c.word: c
    for c in (
        Condition("at", "at", _stage_node, _word, names=True),
        Condition("from", "origin", _stage_node, _word, names=True),
        Condition("rail", "rail", _rail, _word, names=True),
        Condition("between", "between", _between, _words, pair=True, names=True),
        Condition("order", "order", _order, _word),
        _measure("frequency", "Hz"),
        _measure("reference", "Hz"),
        _measure("load", "ohm"),
        Condition("meter", "meter", meter, lambda value: (exact(value, "ohm"),)),
        Condition("probe", "probe", lambda node, stage: read_probe(node),
                  lambda value: (probe_text(value),)),
        _measure("thd", "%"),
        *(_of_level(word, unit) for word, unit in LEVELS.items()),
        Condition("band", "band", lambda node, stage: band(node), _ends, pair=True),
        Condition("tones", "tones", _tones, _ends, pair=True),
        Condition("ratio", "ratio", _ratio, lambda value: (exact(value, ""),)),
        Condition("weighting", "weighting", _weighting, _word),
        Condition(STATE, "state", read_state, lambda value: (value.text(),), names=True),
    )
}
"""The conditions by their words, in the order in which a sheet has them."""


def stated(reading: Reading) -> tuple[tuple[Condition, Any], ...]:
    """The conditions that a reading states, with the values of their fields, SI."""
    pairs = []
    for condition in CONDITIONS.values():
        value = getattr(reading, condition.field)
        if condition.word in LEVELS:
            there = value is not None and value[0] == condition.word
        else:
            there = any(value) if isinstance(value, tuple) else bool(value)
        if there:
            pairs.append((condition, value))
    return tuple(pairs)


def written(reading: Reading) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The conditions of a reading in the words of the sheet, as text that is read back exactly.

    Two texts where two nodes or frequencies belong.
    """
    return tuple((condition.word, condition.write(value)) for condition, value in stated(reading))
