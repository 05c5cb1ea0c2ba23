"""A slip among sound readings is named, and nothing is named where there is none.

The outside truth is the slip that is put in: a decimal point lost, the commonest at a bench (common
practice), among readings of the published example, which is sound.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result, to_json
from diagnose.sheet.case import load_case
from diagnose.show.text_answer import as_text
from diagnose.show.wording import READ_AGAIN
from faultlib.simulate import Laboratory
from faultlib.store import Store

pytestmark = pytest.mark.slow
ROOT = Path(__file__).resolve().parents[3]
EXAMPLE = ROOT / "examples" / "hall-record-hum.yaml"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Laboratory:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(COUNT_VARIABLE, "0")
        return Laboratory(Store(tmp_path_factory.mktemp("store")))


def ranked(was: str, now: str, bench: Laboratory, tmp_path: Path) -> Result:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert was in text
    path = tmp_path / "sheet.yaml"
    path.write_text(text.replace(was, now), encoding="utf-8")
    return rank(load_case(path), bench)


def test_a_slip_is_named_alone_and_before_the_suspects(bench: Laboratory, tmp_path: Path) -> None:
    assert ranked("1.49 V", "1.49 V", bench, tmp_path).again == ()
    for was, now, reading in (
        ("0.201 V", "2.01 V", "dc voltage at e1"),
        ("10 kHz: 0.3 dB", "10 kHz: 3.0 dB", "riaa deviation at 10 kHz"),
        ("1.12 kohm", "1.12 Mohm", "output impedance at 1 kHz"),
    ):
        result = ranked(was, now, bench, tmp_path)
        assert [one.reading for one in result.again] == [reading]
        text = as_text(result)
        assert text.index(READ_AGAIN) < text.index(reading) < text.index("Basis of this result")
        assert reading not in text[text.index("Basis of this result"):]
        (told,) = to_json(result)["read again"]
        assert told["reading"] == reading
        # what it should have read: the sound reading, as near as a good unit keeps it
        assert abs(told["healthy"] / told["measured"]) < 0.2


def test_where_each_fault_stumbles_over_another_reading_these_are_named(
    bench: Laboratory, tmp_path: Path
) -> None:
    """1.3 V of hum fit a bad earth, which then lacks its third line, or nothing: one of both."""
    result = ranked("1.3 mV", "1.3 V", bench, tmp_path)
    assert {one.reading for one in result.again} == {"hum at 50 Hz", "hum at 150 Hz"}
