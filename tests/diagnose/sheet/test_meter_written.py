"""The meter of a sheet and of a reading: what may be written, and what it comes to in ohms.

Source: the sensitivity of an analogue meter, in ohm per volt of the range that it is on, is common
practice: 20 kohm/V on its 10 V range is 200 kohm.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.conditions import written
from circuits.errors import InputError
from circuits.reading import VOLTMETER, Reading
from diagnose.sheet.case import Case, load_case

VOLTS = "{quantity: dc voltage, at: c1, value: 1.4 V%s}"


def sheet(folder: Path, top: str, reading: str, name: str = "case.yaml") -> Case:
    path = folder / name
    path.write_text(f"stage: phono-two-transistor\n{top}\nreadings: [{reading}]\n", "utf-8")
    return load_case(path)


@pytest.mark.parametrize(
    ("top", "beside", "ohms"),
    [
        ("", "", 0.0),
        ("meter: 10 Mohm", "", 0.0),
        ("meter: 1 Mohm", "", 1e6),
        ("", ", meter: 1 Mohm", 1e6),
        ("meter: 1 Mohm", ", meter: 11 Mohm", 11e6),
        ("", ", meter: 20 kohm/V, range: 10 V", 200e3),
        ("meter: 20 kohm/V", ", range: 2.5 V", 50e3),
        ("meter: 20 kohm/V", ", meter: 10 Mohm", 0.0),
        ("meter: 20 kohm/V", ", meter: 1000 ohm/V, range: 50 V", 50e3),
    ],
)
def test_what_a_meter_comes_to(tmp_path: Path, top: str, beside: str, ohms: float) -> None:
    (measured,) = sheet(tmp_path, top, VOLTS % beside).readings
    assert measured.reading.meter == pytest.approx(ohms)
    assert VOLTMETER == 10e6


@pytest.mark.parametrize("top", ["meter: 20 kohm/V", ""])
def test_an_analogue_meter_needs_its_range(tmp_path: Path, top: str) -> None:
    beside = "" if top else ", meter: 20 kohm/V"
    with pytest.raises(InputError, match="has a range") as raised:
        sheet(tmp_path, top, VOLTS % beside)
    assert raised.value.place is not None


def test_a_meter_that_is_none_is_refused_where_it_stands(tmp_path: Path) -> None:
    with pytest.raises(InputError) as raised:
        sheet(tmp_path, "meter: 3 V", VOLTS % "")
    assert raised.value.place is not None
    assert raised.value.place.line == 2


def test_other_readings_have_none(tmp_path: Path) -> None:
    gain = "{quantity: gain, frequency: 1 kHz, value: 35 dB}"
    (measured,) = sheet(tmp_path, "meter: 1 Mohm", gain).readings
    assert measured.reading == Reading("gain", frequency=1e3)


def test_a_table_says_it_as_well(tmp_path: Path) -> None:
    path = tmp_path / "case.csv"
    path.write_text("stage,phono-two-transistor\nmeter,20 kohm/V\n"
                    "quantity,at,value,range\ndc voltage,c1,1.4 V,2.5 V\n", "utf-8")
    (measured,) = load_case(path).readings
    assert measured.reading.meter == pytest.approx(50e3)
    assert written(measured.reading) == (("at", ("c1",)), ("meter", ("50 kohm",)))
