"""Signal tracing: what a technician would conclude from the same readings (common practice)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result, to_json
from diagnose.answer.trace import off, traced
from diagnose.inference.likelihood import Observed
from diagnose.inference.model_error import model_errors
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.entry import Measured
from diagnose.sheet.proposal import propose
from diagnose.show.text_answer import as_text
from faultlib.fault import Fault
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Store

UNIT = load_stage("receiver-chain")
POINTS = ("phono.out", "volume.out", "line.out", "tone.out", "output.out")
SMALL = load_stage(Path(__file__).parents[2] / "data" / "unit" / "pair.yaml")


def gains(points: Sequence[str] = POINTS, origin: str = "") -> list[Reading]:
    return [Reading("gain", frequency=1e3, at=point, origin=origin) for point in points]


def told(readings: Sequence[Reading], wrong: Sequence[int]) -> tuple[str, ...]:
    """What is said where the readings of these places are wrong."""
    deviations = np.array([10.0 if k in wrong else 0.5 for k in range(len(readings))])
    return traced(UNIT, readings, deviations)


def test_trouble_starts_between_the_last_right_point_and_the_first_wrong_one() -> None:
    assert told(gains(), [3, 4]) == (
        "signal tracing by gain: as it should be up to line.out, wrong from tone.out on",
    )


def test_wrong_from_the_first_point_on() -> None:
    assert told(gains(), range(5)) == (
        "signal tracing by gain: wrong from phono.out on, the first point read",
    )


def test_right_everywhere() -> None:
    assert told(gains(), []) == ("signal tracing by gain: as it should be at every point read",)


def test_the_unit_s_own_output_is_the_last_point() -> None:
    readings = [*gains(POINTS[:2]), Reading("gain", frequency=1e3)]
    assert told(readings, [2]) == (
        "signal tracing by gain: as it should be up to volume.out, wrong from output.out on",
    )


def test_one_point_is_no_tracing() -> None:
    assert told([Reading("gain", frequency=1e3)], [0]) == ()


def test_two_frequencies_are_two_quantities() -> None:
    """50 Hz is lost in the line amplifier; 1 kHz was never wrong, and does not hide it."""
    low = [Reading("response", frequency=50.0, reference=1e3, at=p) for p in POINTS]
    assert told([*gains(), *low], [7, 8, 9]) == (
        "signal tracing by response: as it should be up to volume.out, wrong from line.out on",
    )


def test_a_stage_read_by_itself_bounds_the_trouble() -> None:
    """From phono.out to tone.out is wrong; up to volume.out all was well."""
    readings = [*gains(POINTS[:2]), *gains(("tone.out",), origin="phono.out")]
    assert told(readings, [2]) == (
        "signal tracing by gain: as it should be up to volume.out, wrong from tone.out on",
    )
    readings = gains(("line.out",), origin="volume.out") + gains(("tone.out",), origin="line.out")
    assert told(readings, [1]) == (
        "signal tracing by gain: as it should be up to line.out, wrong from tone.out on",
    )


def test_a_point_inside_a_stage_counts() -> None:
    assert told(gains(("volume.w", "volume.out", "output.out")), [1, 2]) == (
        "signal tracing by gain: as it should be up to volume.w, wrong from volume.out on",
    )


def test_a_fault_that_mends_itself_is_a_misread_point() -> None:
    (text,) = told(gains(), [1])
    assert "wrong from volume.out on; yet right at line.out, tone.out, output.out" in text


def test_voltages_tell_of_their_own_stage() -> None:
    readings = [Reading("dc voltage", at=p) for p in ("phono.c1", "phono.c2", "tone.c2", "small")]
    assert told(readings, [2]) == ("direct voltages are off in tone (tone.c2), and right in phono, "
                                   "small",)
    assert told(readings, []) == ()


def test_a_single_stage_is_not_traced() -> None:
    stage = load_stage("tone-control")
    readings = [Reading("gain", frequency=1e3, at=p) for p in ("e1", "out")]
    assert traced(stage, readings, np.array([0.0, 9.0])) == ()


def test_deviations_are_in_units_of_what_good_units_show() -> None:
    """Tolerance, bench and the model's own error add as squares."""
    model = model_errors()[1]["gain"].sigma
    observed = Observed((Reading("gain", frequency=1e3),), np.array([13.5]), np.array([0.1]), ("",))
    (found,) = off(observed, np.array([10.0]), np.array([[0.3]]))
    assert found == pytest.approx(3.5 / math.hypot(0.3, 0.1, model), rel=1e-9)


# -- the whole way on a small unit -----------------------------------------------------------------

READINGS = (
    Reading("dc voltage", at="first.out"),
    Reading("dc voltage", at="second.out"),
    Reading("gain", frequency=20.0, at="first.out"),
    Reading("gain", frequency=20.0, at="second.out"),
    Reading("gain", frequency=1e3, at="first.out"),
    Reading("gain", frequency=1e3, at="second.out"),
)


def ranked(fault: Fault, unit: Stage = SMALL) -> Result:
    with Laboratory(Store(None), workers=0) as bench:
        (row,) = bench.values(unit, [Variant((fault,))], READINGS).values
        measured = tuple(
            Measured(r, from_compared(r, float(x))) for r, x in zip(READINGS, row, strict=True)
        )
        return rank(Case("trial", unit, measured), bench)


@pytest.mark.slow
def test_the_faulty_stage_has_the_probability() -> None:
    result = ranked(Fault("second.R1", "drift up", 3.0))
    stages = dict(result.stages)
    assert set(stages) == {"first", "second", "main"}
    assert result.stages[0][0] == "second"
    # one reading of six tells; that it was misread keeps a few per cent
    assert stages["second"] > 0.85
    named = sum(s.probability for s in result.suspects) + result.rest
    assert sum(stages.values()) == pytest.approx(named, abs=1e-6)
    assert any(note.startswith("direct voltages are off in second") for note in result.notes)


def test_stages_stand_in_the_document_and_in_the_text() -> None:
    result = ranked(Fault("first.C1", "capacitance loss", 0.01))
    assert result.stages[0][0] == "first"
    assert to_json(result)["stages"][0]["stage"] == "first"
    assert "Where in the unit:" in as_text(result)
    assert any("wrong from first.out on" in note for note in result.notes)


def test_a_supply_competes_with_the_stages() -> None:
    """Both stages' voltages fall alike, which no part of either could do."""
    result = ranked(Fault("main", "low", 0.6))
    assert result.stages[0][0] == "main"
    assert result.stages[0][1] > 0.9


def test_a_blank_sheet_follows_the_signal_first() -> None:
    """Through all stages in their order; then what is at rest in each (common practice)."""
    with Laboratory(Store(None), workers=0) as bench:
        asked = [reading for reading, _ in propose(SMALL, bench)]
        alone = [reading for reading, _ in propose(load_stage("line-two-transistor"), bench)]
    assert asked[:2] == [Reading("gain", frequency=1e3, at="first.out"),
                         Reading("gain", frequency=1e3)]
    assert len(set(asked)) == len(asked)
    assert alone[0].quantity == "dc voltage"


def test_a_case_of_a_unit_is_read(tmp_path: Path) -> None:
    sheet = tmp_path / "case.yaml"
    sheet.write_text(
        "stage: receiver-chain\nvalues: {phono.C3: 100u}\nmains: 60 Hz\nreadings:\n"
        "  - {quantity: gain, frequency: 1 kHz, from: phono.out, at: tone.in, value: -9 dB}\n"
        "  - {quantity: gain, frequency: 1 kHz, at: out, value: 52 dB}\n"
        "  - {quantity: dc voltage, at: tone.vcc, value: 24 V}\n"
        "checks:\n  - {part: tone.C11, found: good}\n"
        "  - {part: small reservoir, found: replaced}\n",
        encoding="utf-8",
    )
    case = load_case(sheet)
    assert case.stage.part("phono.C3").value == pytest.approx(100e-6)
    first, second, third = (m.reading for m in case.readings)
    assert (first.origin, first.at) == ("phono.out", "tone.in")
    # names that stand for another node
    assert (second.at, third.at) == ("output.out", "small")
    assert [c.part for c in case.checks] == ["tone.C11", "small reservoir"]
