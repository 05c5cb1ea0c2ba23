"""What a value says besides its size: how far it was read, and that it lies beyond the meter.

A value rounded to a step is spread evenly over it: standard deviation step / √12 (JCGM 100:2008,
4.3.7, from memory). ``OL`` is what hand meters show above their range (common practice).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from circuits.reading import compared
from diagnose.inference.infer import observe
from diagnose.sheet.case import load_case
from diagnose.sheet.entry import OPEN, usual
from tests.diagnose.sheet.test_case import DATA, one, sheet

VOLTS = "quantity: dc voltage, at: c1, value: "
OHMS = "quantity: resistance, between: [c1, \"0\"], value: "


@pytest.mark.parametrize(
    ("written", "step"),
    [("1.4 V", 0.1), ("1.400 V", 0.001), ("24 V", 1.0), ("300 mV", 1e-3), ("1e-3 V", 1e-3)],
)
def test_the_digits_written_are_part_of_the_uncertainty(
    tmp_path: Path, written: str, step: float
) -> None:
    found = one(tmp_path, VOLTS + written)
    assert found.digits == pytest.approx(step / math.sqrt(12.0), rel=1e-6)
    meter = math.sqrt(usual(found) ** 2 - found.digits**2)
    assert meter == pytest.approx(math.hypot(0.005, 0.007 * found.value), rel=1e-6)
    assert observe([found]).bench[0] == pytest.approx(math.hypot(meter, step / math.sqrt(12.0)))


@pytest.mark.parametrize(
    ("entry", "moved"),
    [("quantity: gain, frequency: 1 kHz, value: 35 dB", 0.5),
     ("quantity: ripple, at: vcc, frequency: 100 Hz, value: 2 mV", 20.0 * math.log10(2.5 / 2.0)),
     ("quantity: supply current, rail: vcc, value: 1.4 mA", math.log(1.45 / 1.4)),
     ("quantity: maximum output, frequency: 1 kHz, thd: 1 %, load: 8 ohm, value: 20 W",
      10.0 * math.log10(20.5 / 20.0))],
)
def test_digits_on_the_compared_scale(tmp_path: Path, entry: str, moved: float) -> None:
    assert one(tmp_path, entry).digits == pytest.approx(moved / math.sqrt(3.0), rel=1e-6)


@pytest.mark.parametrize("entry", [
    VOLTS + "1.4 V, uncertainty: 2 mV",  # the sheet says how sure it is
    VOLTS + "0 V",  # the meter showed nothing, nobody knows to which digit
    VOLTS + "\"< 1 V\"",  # a limit is a limit
])
def test_where_digits_say_nothing(tmp_path: Path, entry: str) -> None:
    assert one(tmp_path, entry).digits == 0.0


@pytest.mark.parametrize("entry", [
    VOLTS + "11.32 V", VOLTS + "1.402 V", "quantity: gain, frequency: 1 kHz, value: 35.4 dB",
    "quantity: supply current, rail: vcc, value: 1.42 mA", OHMS + "47.2k",
])
def test_the_digits_that_a_meter_shows_hardly_count(tmp_path: Path, entry: str) -> None:
    """Three or four of them, as a hand meter has: less sure by less than a twentieth."""
    found = one(tmp_path, entry)
    meter = math.sqrt(usual(found) ** 2 - found.digits**2)
    assert meter < usual(found) < 1.05 * meter


def test_rows_of_one_curve_have_the_digits_of_the_finest(tmp_path: Path) -> None:
    """A meter that shows hundredths wrote 0.4 for 0.40, and 0 for 0.00."""
    case = sheet(tmp_path, """readings:
  - {quantity: response, reference: 1 kHz, points: {20 Hz: -1.25 dB, 1 kHz: 0 dB, 9 kHz: 0.4 dB}}
""")
    digits = [m.digits for m in case.readings]
    np.testing.assert_allclose(digits, 0.005 / math.sqrt(3.0), rtol=1e-6)


@pytest.mark.parametrize("word", ["OL", "ol", "O.L", "0L", "0.L", "open", "Open"])
def test_above_the_range_of_an_ohmmeter(tmp_path: Path, word: str) -> None:
    found = one(tmp_path, OHMS + word)
    assert (found.value, found.bound, found.digits) == (OPEN, ">", 0.0)


def test_the_range_may_be_stated(tmp_path: Path) -> None:
    found = one(tmp_path, OHMS + "OL, range: 2 Mohm")
    assert (found.value, found.bound) == (2e6, ">")
    assert one(tmp_path, OHMS + "4k7, range: 20k").value == 4700.0
    with pytest.raises(InputError, match="more than the meter's range"):
        one(tmp_path, OHMS + "47k, range: 20k")
    for nothing in ("0", "-2 Mohm"):
        with pytest.raises(InputError, match="shows nothing"):
            one(tmp_path, OHMS + f"OL, range: {nothing}")


def test_only_an_ohmmeter_shows_it(tmp_path: Path) -> None:
    for entry in (VOLTS + "OL", VOLTS + "1 V, range: 2 V"):
        with pytest.raises(InputError):
            one(tmp_path, entry)


def test_a_table_says_it_too(tmp_path: Path) -> None:
    (tmp_path / "small.yaml").write_text((DATA / "small.yaml").read_text())
    table = tmp_path / "sheet.csv"
    table.write_text("stage,small.yaml\nquantity,at,between,value,unit,range\n"
                     "resistance,,c1 to 0,OL,ohm,\nresistance,,b1 to 0,0L,ohm,2M\n"
                     "dc voltage,c1,,1.4,V,\n")
    first, second, volts = load_case(table).readings
    assert (first.value, first.bound) == (OPEN, ">")
    assert (second.value, second.bound) == (2e6, ">")
    assert volts.digits == pytest.approx(0.1 / math.sqrt(12.0))


def test_what_is_open_keeps_the_bound_and_what_is_not_breaks_it(tmp_path: Path) -> None:
    observed = observe([one(tmp_path, OHMS + "OL")])
    reading = observed.readings[0]
    row = np.array([[compared(reading, ohms)] for ohms in (1e12, 47e3)])
    kept, broken = observed.departures(row)[:, 0]
    assert kept == 0.0
    assert broken == pytest.approx(math.log(OPEN / 47e3), abs=1e-4)
