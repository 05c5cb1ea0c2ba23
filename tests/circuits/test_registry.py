"""The registries of quantities and conditions: nothing that a quantity needs may be missing.

Adding a quantity touches its line in the registry, its function in `circuits.bench` and its model
error. Here every quantity is held against the places that would otherwise weaken in silence.
"""

from __future__ import annotations

import dataclasses
import typing
from typing import Any

import numpy as np
import pytest

from circuits.bench.take import DRIVEN, FAMILIES
from circuits.conditions import CONDITIONS, ORDERS, written
from circuits.quantities import BALANCE, LEVELS, QUANTITIES, Driven, Kind, Quantity
from circuits.quantity import exact, parse
from circuits.reading import Reading, all_compared, compared, from_compared, instrument
from circuits.state import OPEN, State

PLAIN: dict[str, Any] = {
    "at": "a", "origin": "b", "rail": "vcc", "between": ("a", "0"), "frequency": 1e3,
    "reference": 400.0, "load": 8.0, "order": 3, "band": (20.0, 20e3), "weighting": "A",
    "tones": (19e3, 20e3), "ratio": 4.0, "thd": 0.01, "level": ("output level", 1.0), "meter": 60e3,
    "probe": (1e6, 30e-12),
    "state": State(load=OPEN, lifted=(("C1", "positive"),)),
}
"""A value of every field of a reading that is a condition."""


def barely(name: str, *further: str) -> Reading:
    """A reading of that quantity with its required conditions and some others."""
    words = (*QUANTITIES[name].required, *further)
    fields = {CONDITIONS[word].field: value_of(word) for word in words}
    return Reading(name, **fields)


def value_of(word: str) -> Any:
    field = CONDITIONS[word].field
    return (word, 1.0) if field == "level" else PLAIN[field]


@pytest.mark.parametrize("name", QUANTITIES)
def test_a_quantity_has_all_that_is_asked_of_it(name: str) -> None:
    about = QUANTITIES[name]
    assert about.name == name == name.lower()
    assert about.scale in ("linear", "log", "dB", "level")
    assert about.kind in typing.get_args(Kind)
    assert about.driven in typing.get_args(Driven)
    assert about.uncertainty > 0.0 or about.relative > 0.0
    assert about.effort > 0.0
    assert about.how
    conditions = (*about.required, *about.optional)
    assert set(conditions) <= set(CONDITIONS)
    assert len(set(conditions)) == len(conditions)
    # a level is stated in whichever way the bench sets it, or not at all
    assert set(LEVELS) <= set(conditions) or not set(LEVELS) & set(conditions)
    if about.with_level:
        assert set(LEVELS) <= set(conditions)
    assert parse(exact(1.25, about.unit), about.unit) == pytest.approx(1.25, rel=1e-12)


@pytest.mark.parametrize("field", ["kind", "driven", "follows", "sums"])
def test_a_quantity_that_forgets_one_does_not_load(field: str) -> None:
    given: dict[str, Any] = {"kind": "bias", "driven": "never", "follows": False,
                             "sums": False}
    assert Quantity("made up", "V", "linear", **given)
    del given[field]
    with pytest.raises(TypeError, match=field):
        Quantity("made up", "V", "linear", **given)


@pytest.mark.parametrize(
    # a balance is the gain of one channel over that of the other: each is taken by itself
    "name", [q.name for q in QUANTITIES.values() if q.simulated and q.name != BALANCE]
)
def test_one_family_of_the_bench_takes_it_and_knows_whether_it_is_driven(name: str) -> None:
    """Against the bench itself, which sorts readings by its own lists of families."""
    about = QUANTITIES[name]
    further = [word for word in ("output level", "frequency") if word in about.optional]
    for reading in (barely(name), *(barely(name, word) for word in further)):
        takers = [family for family in (*FAMILIES, *DRIVEN) if family.takes(reading)]
        assert len(takers) == 1, reading
        assert reading.driven is (takers[0] in DRIVEN), reading


@pytest.mark.parametrize("name", QUANTITIES)
def test_its_scale_and_its_inverse_agree(name: str) -> None:
    """With a level and without one: what is compared comes back as the value that it was."""
    about = QUANTITIES[name]
    for reading in (barely(name), *([barely(name, "power")] if "power" in about.optional else [])):
        value = 2.5
        x = compared(reading, value)
        assert from_compared(reading, x) == pytest.approx(value, rel=1e-6)
        (same,) = all_compared(reading, np.array([value]))
        assert same == pytest.approx(x, rel=1e-12)
        assert float(instrument(reading, x)) > 0.0


def test_every_field_of_a_reading_is_a_condition_and_the_other_way_round() -> None:
    # what may lie beside a level is no condition: it is worked out, and in no sheet
    worked_out = {"quantity", "beside", "way", "channel"}
    fields = {f.name for f in dataclasses.fields(Reading)} - worked_out
    assert {c.field for c in CONDITIONS.values()} == fields == set(PLAIN)
    used = {word for q in QUANTITIES.values() for word in (*q.required, *q.optional)}
    assert used == set(CONDITIONS)
    assert {word for word, c in CONDITIONS.items() if c.field == "level"} == set(LEVELS)


@pytest.mark.parametrize("word", CONDITIONS)
def test_a_condition_is_written_where_it_is_stated_and_only_there(word: str) -> None:
    condition = CONDITIONS[word]
    fields = {condition.field: value_of(word)}
    ((told, texts),) = written(Reading("gain", **fields))
    assert told == word
    assert len(texts) == (2 if condition.pair else 1)
    assert written(Reading("gain")) == ()


def test_the_harmonics_are_those_of_the_thd() -> None:
    """2 to 10, as the registry says how a thd is taken."""
    assert f"harmonics {ORDERS[0]} to {ORDERS[-1]}" in QUANTITIES["thd"].how
