"""What a bench cannot see is no evidence to the decibel.

Sources: powers of independent signals add; the range of each quantity stands in the registry.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.quantities import CROSSTALK, QUANTITIES
from circuits.reading import Reading, compared, from_compared, shows, unseen
from diagnose.inference.channels import doubted
from diagnose.inference.infer import observe, weighing
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from faultlib.ensemble import ensemble, floors
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Memory

HUM = Reading("hum", frequency=200.0)


def test_far_below_its_floor_an_analyser_shows_the_floor() -> None:
    """4 nV and 100 nV beside 1 µV of its own: √(1 + 0.1²) µV is 0.043 dB more than 1 µV."""
    assert compared(HUM, 100e-9) - compared(HUM, 4e-9) == pytest.approx(
        10.0 * math.log10((1.0 + 0.1**2) / (1.0 + 0.004**2)), abs=1e-9
    )
    # 10 mV stand 80 dB above, and are 10 mV to 1e-7 of a decibel
    assert compared(HUM, 10e-3) == pytest.approx(-40.0, abs=1e-7)


# crosstalk has a floor of its own, far above that of any instrument
@pytest.mark.parametrize(
    "name",
    [q.name for q in QUANTITIES.values() if math.isfinite(q.shows) and q.name != CROSSTALK],
)
def test_a_number_below_the_range_is_a_bound_and_one_above_is_a_value(name: str) -> None:
    reading = Reading(name, frequency=1e3)
    least = shows(reading)
    below, above = (least - 1.0, least + 1.0) if reading.unit == "dB" else (least / 2, least * 2)
    assert unseen(reading, below)
    assert not unseen(reading, above)
    seen = observe([Measured(reading, below), Measured(reading, above)])
    assert seen.bounds == ("<", "")
    assert seen.values[0] == pytest.approx(compared(reading, least))
    assert from_compared(reading, float(seen.values[1])) == pytest.approx(above, rel=1e-9)


@pytest.mark.slow
def test_a_hum_too_small_to_be_seen_does_not_make_a_fault_unknown() -> None:
    """A unit with one fault, read well but for its hum, which is typed as if 4 nV could be seen."""
    stage = load_stage("filter-low")
    voltages = [Reading("dc voltage", at=name) for name, _ in stage.test_points if name != "0"]
    readings = [*voltages, Reading("gain", frequency=1e3), HUM]
    with Laboratory(workers=0) as bench:
        row = bench.values(stage, [Variant((Fault("R3", "open", 1.0),))], readings).values[0]
        typed = [from_compared(r, float(x)) for r, x in zip(readings, row, strict=True)]
        answers = []
        for hum in (None, 4e-9, 100e-9):
            pairs = zip(readings[:-1], typed, strict=False)
            measured = [Measured(r, value) for r, value in pairs]
            measured += [] if hum is None else [Measured(HUM, hum)]
            case = Case("invented", stage, tuple(measured))
            answers.append(weighing(case, bench).posterior)
    bare, low, high = answers
    assert low.unmodelled == pytest.approx(high.unmodelled, abs=1e-9)
    assert low.unmodelled < bare.unmodelled + 0.05
    assert np.isfinite(low.healthy)


def test_rails_that_cancel_as_drawn_leave_what_their_ripples_differ_by() -> None:
    """Known law: ripples of two rails stray apart, each log-normal, and hum is their difference.

    Beside the analyser's own microvolt, added as power. 32 units know a root mean square to an
    eighth, and a rare large difference is cut off.
    """
    stage, hum = load_stage("phono-opamp"), Reading("hum", frequency=100.0)
    around = doubted(stage)
    ripple = next(s for s in around if s.what == "ripple")
    with Laboratory(Memory(), workers=0) as bench:
        drawn = ensemble(stage, [hum], around, bench)
        (level,) = bench.values(stage, [Variant((), ((ripple, 1.0),))], [hum]).values[0]
    floor, apart = shows(hum), 10.0 ** (level / 20.0)
    alone = math.sqrt(apart**2 - floor**2) / math.expm1(ripple.sigma)
    one, other = np.exp(ripple.sigma * np.random.default_rng(1).normal(size=(2, 100_000)))
    away = np.hypot(alone * (one - other), floor) - floor
    (found,) = floors(drawn)
    assert drawn.healthy[0] == pytest.approx(20.0 * math.log10(floor), abs=0.1)  # they cancel
    assert found.beside == pytest.approx(math.sqrt(np.mean(away**2)), rel=0.35)
