"""What is said on a terminal and on the page alike."""

from __future__ import annotations

import pytest

from diagnose.answer.result import Severity
from diagnose.show import wording


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (None, None, "any value"),
        (None, 0.5, "below 500 mV"),
        (0.0, None, "above 0 V"),
        (0.5, 1.6, "500 mV to 1.6 V"),
    ],
)
def test_an_end_that_is_open_is_not_zero(low: float | None, high: float | None, text: str) -> None:
    assert wording.span(low, high, "V") == text


def test_no_more_of_a_direct_voltage_than_a_meter_shows() -> None:
    # 10 µV is the last place of a 4½-digit meter on its 200 mV range: common practice
    assert wording.span(5e-11, 1.0, "V", "dc voltage at out") == "0 V to 1 V"
    assert wording.span(5e-11, 1.0, "V") == "50 pV to 1 V"


def test_a_number_without_a_unit_does_not_run_into_the_words_before_it() -> None:
    pure = Severity(quantity="current gain", value=60.0, low=80.0, high=40.0, unit="")
    assert wording.size(pure) == "current gain: 60 (90 % sure: 40 to 80)"
    drawn = Severity(quantity="at", value=1e-7, low=5e-8, high=2e-7, unit="F")
    assert wording.size(drawn) == "at 100 nF (90 % sure: 50 nF to 200 nF)"
    assert wording.size(None) == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [(" the two alike ", "The two alike."), ("open?", "Open?"), ("It is.", "It is.")],
)
def test_a_sentence_ends_once(text: str, said: str) -> None:
    assert wording.sentence(text) == said
