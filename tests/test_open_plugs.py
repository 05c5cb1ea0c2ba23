"""An open plug is named, whatever cable hangs on it.

Cables are 100 pF a metre (common practice); the unit has two at its input and three at its output,
of which the stage file says nothing. The simulator's plug is 1 Gohm when it is open. Where nothing
comes through nobody reads a response.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from circuits.load import load_stage
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import answered, infer, log_priors, read, weighed_with
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Memory
from tests.small import capacitor

CURVES = ("response", "riaa deviation")


@pytest.mark.slow
@pytest.mark.parametrize(("name", "plugs"), [
    ("phono-two-transistor", ("J1", "J3")), ("line-two-transistor", ("J1", "J2")),
])
def test_an_open_plug_is_named(name: str, plugs: tuple[str, ...]) -> None:
    stage = load_stage(name)
    cables = (capacitor("cable.in", stage.input, "0", 200e-12),
              capacitor("cable.out", stage.output, "0", 300e-12))
    unit = replace(stage, parts=(*stage.parts, *cables))
    units = [Variant((Fault(plug, "open", 1.0),)) for plug in plugs]
    with Laboratory(Memory(), 0) as bench:
        readings = [one for one, _ in propose(stage, bench) if one.quantity not in CURVES]
        rows = bench.values(unit, units, readings).values
        table, watch = weighed_with(stage, readings, hypotheses(stage), bench)
        for plug, row in zip(plugs, rows, strict=True):
            observed = read(table.readings, np.array(row))
            answer, probability = answered(infer(table, observed, log_priors(table), watch))
            assert answer.partition(" ")[0] == plug, answer
            assert probability > 0.5
