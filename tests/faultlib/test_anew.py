"""What a worker did before shows in no digit of what it does next."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from circuits.batch import answers
from circuits.load import load_stage
from circuits.reading import Reading, all_compared
from faultlib import adjust
from faultlib.adjust import to_find
from faultlib.catalogue import hypotheses
from faultlib.measure import Read, measured, measured_anew, set_anew
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from faultlib.tolerance import draw, spreads
from faultlib.variant import Variant


@pytest.mark.slow
def test_a_chunk_reads_the_same_whatever_came_before() -> None:
    stage = load_stage("phono-two-transistor")
    readings = (*(Reading("gain", frequency=f) for f in (1e3, 20.0)),
                Reading("noise", band=(20.0, 20e3)), Reading("input impedance", frequency=1e3),
                *(Reading("dc voltage", at=node) for node in stage.nodes[:6]))
    random = np.random.default_rng(3)
    units = [Variant((h.drawn(u),), draw(stage, random))
             for h in hypotheses(stage) for u in (0.2, 0.8)]
    sheet = stage, readings
    measured(sheet, units[:40])
    first = measured_anew(sheet, units[40:80])
    answers.forget()
    adjust.forget()
    again = measured(sheet, units[40:80])
    assert sum(isinstance(one, Read) for one in first) > 30
    for one, other in zip(first, again, strict=True):
        if isinstance(one, Read) and isinstance(other, Read):
            np.testing.assert_array_equal(one.values, other.values)
        else:
            assert type(one) is type(other)


@pytest.mark.slow
def test_trimmers_are_set_once_for_all_suspects() -> None:
    """Faulty units whose good parts deviate alike: each setting is searched for once.

    Readings are those of units that are each set by themselves, within what a setting is read to.
    """
    stage = load_stage("output-complementary")
    around = [s for s in spreads(stage) if s.target in ("R1", "R5", "Q3", "Q4")][:6]
    ill = [h for h in hypotheses(stage) if h.part in ("C3", "C4")][:3]
    units = [Variant((h.drawn(0.3),), ((s, 1.0),)) for h in ill for s in around]
    readings = (Reading("gain", frequency=1e3), Reading("dc voltage", at="o"),
                Reading("supply current", rail="vcc"))
    searched: list[int] = []

    class Seen(Laboratory):
        def each(self, function: Any, items: Any, *others: Any, **named: Any) -> Any:
            if function is set_anew:
                searched.append(len(items))
            return super().each(function, items, *others, **named)

    with Seen(Memory(), 0, anew=True) as bench:
        found = bench.values(stage, units, readings).values
        bench.values(stage, [Variant((h.drawn(0.6),), ((s, 1.0),)) for h in ill for s in around],
                     readings)
    assert searched == [len({to_find(stage, unit.deviations) for unit in units} - {()})]
    assert searched[0] > 3
    for one, row in zip(units, found, strict=True):
        (alone,) = measured_anew((stage, readings), [one])
        assert isinstance(alone, Read)
        compared = [all_compared(r, np.array([x]))[0]
                    for r, x in zip(readings, alone.values, strict=True)]
        np.testing.assert_allclose(row, compared, rtol=2e-3, atol=2e-4)
