"""Expected figures on a sheet: in the words of readings, with a tolerance. All are invented."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from circuits.quantities import QUANTITIES
from circuits.reading import Reading
from diagnose.answer.as_expected import expected_lines
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.csv_sheet import CSV
from diagnose.sheet.expected import ANY_LEVEL, TOLERANCES
from diagnose.sheet.given import case_of
from diagnose.web.checked import check
from diagnose.web.opened import from_file
from diagnose.web.sheet import from_page, to_page
from diagnose.web.written import written

STAGE = Path(__file__).resolve().parents[2] / "data" / "small.yaml"


def case(lines: str, more: str = "") -> Case:
    return case_of(f"stage: {STAGE}\n{more}expected:\n{lines}")


def test_a_printed_tolerance_is_taken_as_a_limit() -> None:
    """Spread evenly: limit / √3, and so is half a unit of the last digit (JCGM 100, 4.3.7)."""
    first, second, third, fourth = case("""
  - {quantity: dc voltage, at: c1, value: 14.0 V, within: 5 %}
  - {quantity: dc voltage, at: e1, value: 14.0 V ±0.7 V}
  - {quantity: gain, frequency: 1 kHz, value: 35.0 dB +/- 1.5 dB}
  - {quantity: supply current, rail: vcc, value: 1.40 mA, within: ±15 %}
""").expected
    for one in (first, second):
        assert one.figure.value == 14.0
        assert one.tolerance == pytest.approx(0.7)
        assert one.figure.uncertainty == pytest.approx(math.hypot(0.7, 0.05) / math.sqrt(3.0))
    assert (first.within, second.within, third.within, fourth.within) == (
        "5 %", "0.7 V", "1.5 dB", "15 %")
    assert third.figure.uncertainty == pytest.approx(math.hypot(1.5, 0.05) / math.sqrt(3.0))
    assert fourth.tolerance == pytest.approx(0.15)


def test_volts_without_a_tolerance_are_within_ten_per_cent() -> None:
    """Common practice; about zero within 50 mV, which offsets are set to."""
    far, zero, junction, between = case("""
  - {quantity: dc voltage, at: c1, value: 14.00 V}
  - {quantity: dc voltage, at: e1, value: 0 V}
  - {quantity: dc voltage, at: e2, value: 0.100 V}
  - {quantity: dc voltage, at: b1, from: e1, value: 0.640 V}
""").expected
    assert (far.tolerance, far.within) == (pytest.approx(1.4), "10 %")
    assert (zero.tolerance, zero.within) == (0.05, "50 mV")
    assert (junction.tolerance, junction.within) == (0.05, "50 mV")
    assert (between.tolerance, between.within) == (pytest.approx(0.064), "10 %")


def test_every_quantity_has_a_tolerance_of_its_own_kind() -> None:
    assert set(TOLERANCES) <= set(QUANTITIES)
    for name, about in QUANTITIES.items():
        decibels = about.scale in ("dB", "level")
        assert TOLERANCES.get(name, ANY_LEVEL).endswith("dB") == decibels


def test_an_uncertainty_is_a_standard_one_as_everywhere_on_a_sheet() -> None:
    """Twice it covers 95 % (JCGM 100, 6.3.3)."""
    (one,) = case("  - {quantity: dc voltage, at: c1, value: 14 V, uncertainty: 0.3 V}\n").expected
    assert (one.figure.uncertainty, one.tolerance) == (0.3, 0.6)


def test_a_figure_beside_a_reading_is_taken_as_that_is() -> None:
    """With the reading's own meter; a list has the manual's, and not that of the sheet."""
    made = case("  - {quantity: dc voltage, at: e1, value: 2 V}\n", """meter: 1 Mohm
readings:
  - {quantity: dc voltage, at: c1, value: 11.3 V, expected: 12 V}
  - {quantity: gain, frequency: 1 kHz, value: , expected: 35 dB ±1 dB}
""")
    assert [m.reading.at for m in made.readings] == ["c1"]
    assert [e.reading for e in made.expected] == [
        Reading("dc voltage", at="e1"), Reading("dc voltage", at="c1", meter=1e6),
        Reading("gain", frequency=1e3),
    ]
    assert [e.beside for e in made.expected] == [False, True, True]


def test_a_curve_may_be_expected() -> None:
    made = case("  - {quantity: response, reference: 1 kHz, within: 2 dB, "
                "points: {20 Hz: -1 dB, 20 kHz: -3 dB}}\n")
    assert [(e.reading.frequency, e.figure.value, e.within) for e in made.expected] == [
        (20.0, -1.0, "2 dB"), (20e3, -3.0, "2 dB")]


TWO = f"""stage: {STAGE}
suspect: left
channels:
  left:
    readings:
      - {{quantity: gain, frequency: 1 kHz, value: 33 dB, expected: 35 dB}}
  right:
    readings:
      - {{quantity: gain, frequency: 1 kHz, value: 35.2 dB, expected: 35 dB}}
"""


def test_both_channels_may_have_the_same_figure_and_no_other() -> None:
    made = case_of(TWO)
    assert len(made.expected) == 1
    assert [(x.channel, x.result, x.measured) for x in expected_lines(made)] == [
        ("left", "off", 33.0), ("right", "as expected", 35.2)]
    with pytest.raises(Exception, match="expected twice"):
        case_of(TWO[::-1].replace("Bd 53", "Bd 63", 1)[::-1])


@pytest.mark.parametrize(
    ("value", "result"),
    [("14.1 V", "as expected"), ("12.60 V", "as expected"), ("12.55 V", "uncertain"),
     ("9.1 V", "off"), ("< 12 V", "off"), ("< 14 V", "uncertain"), ("> 12 V", "uncertain")],
)
def test_what_was_measured_is_told_beside(value: str, result: str) -> None:
    """14 V ± 10 % is 12.6 V to 15.4 V; a meter is sure to some 0.7 % (20 mV of 0.1 V here)."""
    made = case("  - {quantity: dc voltage, at: c1, value: 14 V}\n",
                f'readings:\n  - {{quantity: dc voltage, at: c1, value: "{value}"}}\n')
    (line,) = expected_lines(made)
    assert (line.result, line.expected, line.within) == (result, 14.0, "10 %")


def test_the_same_power_in_other_words_is_the_same() -> None:
    """1 W into 8 ohm are 2.83 V; and what nobody simulates is shown all the same."""
    made = case("""
  - {quantity: thd, frequency: 1 kHz, power: 1 W, load: 8 ohm, value: 0.10 %}
  - {quantity: crosstalk, frequency: 1 kHz, value: -60 dB}
""", """readings:
  - {quantity: thd, frequency: 1 kHz, output level: 2.83 V, load: 8 ohm, value: 0.11 %}
""")
    first, second = expected_lines(made)
    assert (first.measured, first.result) == (pytest.approx(0.11), "as expected")
    assert (second.measured, second.result) == (None, "")
    assert [e.weighed for e in made.expected] == [True, False]


TABLE = """stage,{stage}
quantity,at,frequency,value,expected,unit
dc voltage,c1,,11300,14000 ±700,mV
dc voltage,e1,,,2 V,
gain,,1 kHz,33,35 ± 1.5,dB
"""


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_table_has_a_column_for_it(separator: str, tmp_path: Path) -> None:
    path = tmp_path / f"sheet{CSV[0]}"
    path.write_text(TABLE.format(stage=STAGE).replace(",", separator), encoding="utf-8")
    made = load_case(path)
    assert [m.value for m in made.readings] == [pytest.approx(11.3), 33.0]
    assert [(e.figure.value, e.within) for e in made.expected] == [
        (pytest.approx(14.0), "700 mV"), (2.0, "10 %"), (35.0, "1.5 dB")]


def test_the_page_has_a_field_for_it_and_keeps_the_list(tmp_path: Path) -> None:
    text = f"""stage: {STAGE.name}
readings:
  - {{quantity: dc voltage, at: c1, value: 11.3 V, expected: 12 V ±5 %}}
expected:
  - {{quantity: gain, frequency: 1 kHz, value: 35 dB, within: 1 dB}}  # page 4
"""
    (tmp_path / STAGE.name).write_bytes(STAGE.read_bytes())
    sheet = from_page(to_page(from_file(text, "sheet.yaml")))
    assert sheet.readings[0].expected == "12 V ±5 %"
    again = written(sheet)
    assert "# page 4" in again.text
    path = tmp_path / "again.yaml"
    path.write_text(again.text, encoding="utf-8")
    assert set(load_case(path).expected) == set(case_of(text, tmp_path).expected)
    found = check(sheet, tmp_path)
    assert found.problems == ()
    assert dict(found.understood)["readings/0/expected"] == "12 V"


def test_a_mistake_on_the_page_is_told_beside_its_field(tmp_path: Path) -> None:
    (tmp_path / STAGE.name).write_bytes(STAGE.read_bytes())
    text = (f"stage: {STAGE.name}\nreadings:\n"
            "  - {quantity: dc voltage, at: c1, value: 11.3 V, expected: 12 ohm}\n")
    assert [p.field for p in check(from_file(text, "x"), tmp_path).problems] == [
        "readings/0/expected"]


def test_channels_that_share_a_row_share_the_figure(tmp_path: Path) -> None:
    sheet = from_file(TWO, "two.yaml")
    assert [(e.values, e.expected) for e in sheet.readings] == [(("33 dB", "35.2 dB"), "35 dB")]
    path = tmp_path / "two.yaml"
    path.write_text(written(sheet).text, encoding="utf-8")
    assert load_case(path).expected == case_of(TWO).expected
