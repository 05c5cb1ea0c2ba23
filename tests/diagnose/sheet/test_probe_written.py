"""The probe of a sheet and of a reading: what may be written, and what it comes to.

Source: an a.c. input of 1 Mohm with some 100 pF of cable, and a times-ten probe of 10 Mohm and
about 15 pF, are common practice.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from circuits.conditions import written
from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.sheet.case import Case, load_case

GAIN = "{quantity: gain, frequency: 1 kHz, at: c1, value: 20 dB%s}"
HUM = "{quantity: hum, frequency: 50 Hz, at: c1, value: 2 mV%s}"


def sheet(folder: Path, top: str, reading: str) -> Case:
    path = folder / "case.yaml"
    path.write_text(f"stage: phono-two-transistor\n{top}\nreadings: [{reading}]\n", "utf-8")
    return load_case(path)


@pytest.mark.parametrize(
    ("top", "entry", "probe"),
    [
        ("", GAIN % "", ()),
        ("probe: times ten", GAIN % "", ()),  # that is the usual one of a signal
        ("probe: times ten", HUM % "", (10e6, 15e-12)),
        ("probe: direct", GAIN % "", (1e6, 100e-12)),
        ("probe: Direct", HUM % "", ()),
        ("", GAIN % ", probe: 1 Mohm 100 pF", (1e6, 100e-12)),
        ("", GAIN % ', probe: "10 Mohm, 12 pF"', (10e6, 12e-12)),
        ("", GAIN % ", probe: 10M || 12p", None),
        ("", GAIN % ", probe: 2.2 Mohm", (2.2e6, 0.0)),
        ("probe: direct", GAIN % ", probe: none", (math.inf, 0.0)),
    ],
)
def test_what_a_probe_comes_to(
    tmp_path: Path, top: str, entry: str, probe: tuple[float, ...] | None
) -> None:
    if probe is None:
        with pytest.raises(InputError, match="no probe"):
            sheet(tmp_path, top, entry)
        return
    (measured,) = sheet(tmp_path, top, entry).readings
    assert measured.reading.probe == pytest.approx(probe)


@pytest.mark.parametrize(
    "wrong", ["10 V", "100 pF", "3 ohm", "10 Mohm 1 F", "", "10 Mohm 12 pF 3", "times nine"]
)
def test_what_is_no_probe_is_refused_where_it_stands(tmp_path: Path, wrong: str) -> None:
    with pytest.raises(InputError) as raised:
        sheet(tmp_path, f"probe: {wrong!r}", GAIN % "")
    assert raised.value.place is not None
    assert raised.value.place.line == 2


def test_the_probe_of_a_sheet_is_not_that_of_its_output(tmp_path: Path) -> None:
    """The load stands for what is connected there; and a meter has none."""
    output = "{quantity: gain, frequency: 1 kHz, value: 35 dB}"
    (measured,) = sheet(tmp_path, "probe: direct", output).readings
    assert measured.reading == Reading("gain", frequency=1e3)
    volts = "{quantity: dc voltage, at: c1, value: 2 V}"
    (measured,) = sheet(tmp_path, "probe: direct", volts).readings
    assert measured.reading == Reading("dc voltage", at="c1")


def test_a_table_says_it_as_well(tmp_path: Path) -> None:
    path = tmp_path / "case.csv"
    path.write_text("stage,phono-two-transistor\nprobe,direct\n"
                    "quantity,at,frequency,value,probe\ngain,c1,1 kHz,20 dB,\n"
                    "gain,e1,1 kHz,2 dB,10 Mohm 12 pF\n", "utf-8")
    first, second = (measured.reading for measured in load_case(path).readings)
    assert dict(written(first))["probe"] == ("direct",)
    assert dict(written(second))["probe"] == ("10 Mohm 12 pF",)
    assert second.label() == "gain at 1 kHz to e1, probe of 10 MΩ and 12 pF"
