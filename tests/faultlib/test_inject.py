"""Putting faults into a stage: pure, complete, and of one topology along the size."""

from __future__ import annotations

import math
from copy import deepcopy

import pytest

from circuits.errors import InputError
from circuits.stage import Part, Rail, Stage
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.fault import Fault
from faultlib.inject import DEFECT, inject
from tests.data.every_kind import every_kind

STAGE = every_kind()
EVERY = hypotheses(STAGE)
CHARGE = 1.602176634e-19
"""C, exact in the SI since 2019."""


def named(h: Hypothesis) -> str:
    return f"{h.kind}:{h.mode.name}"


def wiring(stage: Stage) -> list[tuple[str, str, tuple[str, ...], tuple[str, ...]]]:
    return [(p.name, p.kind, p.nodes, tuple(k for k, _ in p.parameters)) for p in stage.parts]


@pytest.mark.parametrize("h", EVERY, ids=named)
def test_every_mode_of_every_kind_injects(h: Hypothesis) -> None:
    """Something changes, the healthy stage does not, and a size changes numbers only."""
    before = deepcopy(STAGE)
    grid = h.mode.grid(6)  # an even count: halfway, a misadjusted control is where it was
    faulty = [inject(STAGE, h.fault(float(size))) for size in grid]
    assert before == STAGE
    assert all(stage != STAGE for stage in faulty)
    assert all(wiring(stage) == wiring(faulty[0]) for stage in faulty)
    if h.mode.sized:
        assert len({stage.key() for stage in faulty}) == len(grid)
    assert [p.name for p in faulty[0].parts][: len(STAGE.parts)] == [p.name for p in STAGE.parts]
    for part in faulty[0].parts:
        assert part.value is None or (math.isfinite(part.value) and part.value >= 0.0)


@pytest.mark.parametrize("h", EVERY, ids=named)
def test_only_the_faulty_part_changes(h: Hypothesis) -> None:
    faulty = inject(STAGE, h.fault(float(h.mode.grid(3)[0])))
    for part in STAGE.parts:
        assert (faulty.part(part.name) == part) or part.name == h.part
    for defect in faulty.parts[len(STAGE.parts) :]:
        assert defect.kind == DEFECT
        assert defect.name.startswith(h.part + ".")
        assert len(defect.nodes) == 2
        assert defect.value is not None
        assert defect.value > 0.0


SMALL = Stage(
    name="small",
    parts=(
        Part("C1", "electrolytic", ("in", "b"), 10e-6, esr=0.5),
        Part("R1", "carbon-film", ("vcc", "b"), 10e3),
        Part("Q1", "npn", ("c", "b", "0"), parameters=(("BF", 300.0), ("KF", 1e-16))),
        Part("RV1", "trimmer", ("c", "out"), 1e3),
    ),
    rails=(Rail("vcc", 24.0, ((100.0, 4e-3),)),),
    pickup=((50.0, 1e-7),),
    stray=(("b", ((50.0, 1e-10), (150.0, 5e-11))),),
)


def test_operations_by_hand() -> None:
    """Each kind of change, worked out by hand."""
    dry = inject(SMALL, Fault("C1", "capacitance loss", 0.1)).part("C1")
    assert dry.value == pytest.approx(1e-6)
    assert inject(SMALL, Fault("C1", "high esr", 20.0)).part("C1").esr == pytest.approx(20.5)
    assert inject(SMALL, Fault("R1", "open")).part("R1").value == 1e9
    weak = inject(SMALL, Fault("Q1", "low gain", 0.1)).part("Q1")
    assert weak.parameter("BF") == pytest.approx(30.0)
    assert inject(SMALL, Fault("RV1", "misadjusted", 0.2)).part("RV1").position == 0.2
    assert inject(SMALL, Fault("vcc", "low", 0.5)).rail("vcc").volts == 12.0
    assert inject(SMALL, Fault("vcc", "ripple high", 10.0)).rail("vcc").ripple[0] == (
        100.0, pytest.approx(0.04)
    )
    dirty = inject(SMALL, Fault("pickup", "stray pick-up high", 10.0))
    assert dirty.pickup[0][1] == pytest.approx(1e-6)
    assert [level for _, level in dirty.stray[0][1]] == pytest.approx([1e-9, 5e-10])


def test_a_series_defect_moves_the_pin() -> None:
    faulty = inject(SMALL, Fault("Q1", "base open"))
    assert faulty.part("Q1").nodes == ("c", "Q1.base", "0")
    assert faulty.part("Q1.base") == Part(
        "Q1.base", DEFECT, ("b", "Q1.base"), 1e9, role="defect of Q1"
    )


def test_a_shunt_defect_lies_across_the_pins() -> None:
    leak = inject(SMALL, Fault("Q1", "collector-base leakage", 2e5)).part("Q1.collector-base")
    assert (leak.kind, leak.nodes, leak.value) == (DEFECT, ("c", "b"), 2e5)


def test_a_variable_resistor_has_its_wiper_at_the_top() -> None:
    faulty = inject(SMALL, Fault("RV1", "poor contact", 1e4))
    assert faulty.part("RV1.wiper").nodes == ("c", "RV1.wiper")
    assert faulty.part("RV1").nodes == ("RV1.wiper", "out")


def test_a_noisy_transistor_has_its_corner_where_shot_noise_meets_flicker_noise() -> None:
    """SPICE's equations: 2q·IB = KF·IB / f with AF = 1, on top of the healthy device's own KF."""
    faulty = inject(SMALL, Fault("Q1", "noisy", 1e4)).part("Q1")
    assert faulty.parameter("KF") == pytest.approx(1e-16 + 2.0 * CHARGE * 1e4, rel=1e-6)
    assert faulty.parameter("AF") == 1.0


def test_faults_of_two_parts_compose_in_any_order() -> None:
    """An aged unit often has two dry capacitors."""
    one, two = Fault("C1", "leakage", 1e5), Fault("Q1", "emitter open")
    both = inject(SMALL, (one, two))
    other = inject(SMALL, [two, one])
    assert set(both.parts) == set(other.parts)
    assert inject(inject(SMALL, one), two) == both
    assert inject(SMALL, ()) == SMALL


def test_one_part_may_fail_in_two_ways_but_not_twice_in_one_place() -> None:
    dry = inject(SMALL, (Fault("C1", "capacitance loss", 0.2), Fault("C1", "high esr", 50.0)))
    assert dry.part("C1").value == pytest.approx(2e-6)
    assert dry.part("C1").esr == pytest.approx(50.5)
    with pytest.raises(InputError, match="another fault"):
        inject(SMALL, (Fault("C1", "leakage", 1e5), Fault("C1", "short")))


@pytest.mark.parametrize("size", [0.0, -0.5, math.nan, math.inf])
def test_impossible_sizes_are_refused(size: float) -> None:
    with pytest.raises(InputError, match="cannot have the size"):
        inject(SMALL, Fault("C1", "capacitance loss", size))


def test_unknown_names_are_refused_with_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean: C1"):
        inject(SMALL, Fault("C11", "open"))
    with pytest.raises(InputError, match="did you mean: leakage"):
        inject(SMALL, Fault("C1", "leackage"))
