"""What the batch cannot do: ngspice does it, and the answer says of how many units.

The reference is ngspice alone, and the number of units that were taken from the batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from circuits.batch import engine, periodic
from circuits.batch.answers import Ask, Count, answered
from circuits.bench.analysis import Answer, Cycle, Results
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.load import load_stage
from circuits.reading import Reading
from faultlib.inject import Fault
from faultlib.measure import Read, _reading, measured
from faultlib.simulate import Laboratory
from faultlib.store import Store
from faultlib.variant import Variant
from faultlib.watched import Watched

THD = Reading("thd", frequency=1e3, level=("output level", 1.0))
READINGS = [Reading("gain", frequency=100.0), Reading("gain", frequency=1e3)]
VARIANTS = [Variant(), Variant((Fault("C1", "open"),)), Variant((Fault("R1", "open"),))]


def all_but_the_last(asks: Sequence[Ask], count: Count) -> list[Results | None]:
    """The batch, without an answer for the last of several circuits."""
    found = answered(asks, count)
    return [*found[:-1], None] if len(asks) > 1 else found


def test_who_was_simulated_apart_is_told_of_the_store_too(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    stage = load_stage("filter-high")
    with Laboratory(Store(None), workers=0) as bench:
        plain = bench.values(stage, VARIANTS, READINGS)
    assert plain.apart == ()
    monkeypatch.setattr(engine, "answered", all_but_the_last)
    for simulated in (len(VARIANTS), 0):  # then from the store
        with Laboratory(Store(tmp_path), workers=0) as bench:
            watch = Watched(bench)
            answer = watch.values(stage, VARIANTS, READINGS)
        assert answer.simulated == simulated
        assert answer.apart == (VARIANTS[-1],)
        np.testing.assert_allclose(answer.values, plain.values, atol=1e-3)
        (told,) = watch.one_by_one()
        assert told.startswith("1 of the 3 units")
    # with one more reading, which everybody has an answer of, the others' flags do not count
    monkeypatch.undo()
    more = [*READINGS, Reading("gain", frequency=10e3)]
    with Laboratory(Store(tmp_path), workers=0) as bench:
        assert bench.values(stage, VARIANTS, more).apart == ()
        assert bench.values(stage, VARIANTS, READINGS).apart == (VARIANTS[-1],)


def test_steady_states_that_are_not_as_ngspice_has_them_are_left_to_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stage = load_stage("line-two-transistor")
    wanted = [THD, READINGS[1]]
    steps = _reading((stage, tuple(wanted)), Variant())
    right = alone(steps, Engine().run)

    def wrong(*args: Any) -> list[Answer | None]:
        """Every harmonic twice as large as it is."""
        found = periodic.answers(*args)
        return [replace(one, lines=np.concatenate([one.lines[:2], 2.0 * one.lines[2:]]))
                if isinstance(one, Cycle) else one for one in found]

    monkeypatch.setattr("circuits.batch.answers.periodic", SimpleNamespace(answers=wrong))
    (found,) = measured((stage, tuple(wanted)), [Variant()])
    assert isinstance(found, Read)
    assert found.values[0] == pytest.approx(right.values[0], rel=1e-3)
    assert found.apart
