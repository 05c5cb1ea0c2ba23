"""What a worker did before shows in no digit of what it does next."""

from __future__ import annotations

import numpy as np
import pytest

from circuits.batch import answers
from circuits.load import load_stage
from circuits.reading import Reading
from faultlib import adjust
from faultlib.catalogue import hypotheses
from faultlib.measure import Read, measured, measured_anew
from faultlib.tolerance import draw
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
