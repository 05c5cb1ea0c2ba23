"""A slip among sound readings is named, and nothing is named where there is none.

The outside truth is the slip that is put in: a decimal point lost, the commonest at a bench (common
practice), among readings that a closed form gives.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.answer.ranking import rank
from diagnose.answer.read_again import read_again
from diagnose.answer.result import to_json
from diagnose.inference.infer import weighing
from diagnose.sheet.case import Case, load_case
from diagnose.show.text_answer import as_text
from diagnose.show.wording import READ_AGAIN
from faultlib.simulate import Laboratory
from faultlib.store import Store

ROOT = Path(__file__).resolve().parents[3]
SHEET = f"""
stage: {ROOT / "tests" / "data" / "coupling.yaml"}
readings:
  - {{quantity: gain, frequency: 10 Hz, value: -5.48 dB}}
  - {{quantity: gain, frequency: 20 Hz, value: -2.13 dB}}
  - {{quantity: gain, frequency: 40 Hz, value: -0.64 dB}}
  - {{quantity: gain, frequency: 1 kHz, value: 0.0 dB}}
  - {{quantity: gain, frequency: 10 kHz, value: 0 dB}}
"""
"""1 uF left of 10 uF into 10 kohm: corner 15.92 Hz; -20 log10(sqrt(1 + (15.92/f)^2)), by hand."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Laboratory:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(COUNT_VARIABLE, "0")
        return Laboratory(Store(tmp_path_factory.mktemp("store")))


def slipped(was: str, now: str, tmp_path: Path) -> Case:
    assert was in SHEET
    path = tmp_path / "sheet.yaml"
    path.write_text(SHEET.replace(was, now), encoding="utf-8")
    return load_case(path)


@pytest.mark.slow
def test_a_slip_is_named_alone_and_before_the_suspects(bench: Laboratory, tmp_path: Path) -> None:
    reading = "gain at 40 Hz"
    result = rank(slipped("-0.64 dB", "-6.4 dB", tmp_path), bench)
    assert [one.reading for one in result.again] == [reading]
    text = as_text(result)
    assert text.index(READ_AGAIN) < text.index(reading) < text.index("Basis of this result")
    assert reading not in text[text.index("Basis of this result"):]
    (told,) = to_json(result)["read again"]
    assert told["reading"] == reading
    # the dry capacitor that the others show gives what was read before the point was lost
    assert told["cause"] == "C1 capacitance loss"
    assert told["predicted"] == pytest.approx(-0.64, abs=0.3)


@pytest.mark.parametrize(("was", "now", "named"), [
    ("0.0 dB", "0.0 dB", set()), ("0.0 dB", "30 dB", {"gain at 1 kHz"}),
])
def test_nothing_else_is_named(
    was: str, now: str, named: set[str], bench: Laboratory, tmp_path: Path
) -> None:
    made = weighing(slipped(was, now, tmp_path), bench)
    assert {one.reading for one in read_again(made)} == named
