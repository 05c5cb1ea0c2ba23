"""Bench sheets: what they say is what the case holds; a blank one comes back as asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.load import load_stage, series_resistance
from circuits.reading import Reading
from diagnose.sheet.case import Case, Check, Measured, load_case

DATA = Path(__file__).parents[2] / "data"
STAGE = load_stage("small.yaml", DATA)


def by_label(case: Case) -> dict[str, Measured]:
    return {measured.reading.label(): measured for measured in case.readings}


def sheet(tmp_path: Path, body: str) -> Case:
    path = tmp_path / "case.yaml"
    (tmp_path / "small.yaml").write_text((DATA / "small.yaml").read_text())
    path.write_text("stage: small.yaml\n" + body)
    return load_case(path)


def one(tmp_path: Path, entry: str) -> Measured:
    (measured,) = sheet(tmp_path, f"readings:\n  - {{{entry}}}\n").readings
    return measured


def test_a_case_holds_what_its_sheet_says() -> None:
    case = load_case(DATA / "sheet.yaml")
    assert case.name == "Record input of the hall amplifier hums"
    assert case.path == DATA / "sheet.yaml"
    read = by_label(case)
    assert read["dc voltage at c1"].value == 11.3
    assert read["supply current of vcc"].value == 1.4e-3
    assert read["gain at 1 kHz"].uncertainty == 0.2
    assert read["response at 20 Hz"].reading == Reading("response", frequency=20.0, reference=1e3)
    assert read["response at 10 kHz"].value == -0.6
    assert "response at 15 kHz" not in read  # left empty
    assert read["riaa deviation at 20 Hz"].value == -0.42
    assert read["riaa deviation at 20 kHz"].value == 0.31
    thd = read["thd at 1 kHz, 20 mW into 8 Ω"]
    assert thd.value == 0.0024
    assert thd.uncertainty == pytest.approx(0.4238, abs=1e-4)  # 5 % is 20·log10(1.05) dB
    assert read["harmonic 2 at 1 kHz, 1 V"].value == -61.0
    assert read["hum at 60 Hz"].value == pytest.approx(79.4e-6, rel=1e-3)  # 10^(-82/20) V
    assert read["hum at 120 Hz, 300 mV"].bound == "<"
    assert read["hum at 120 Hz, 300 mV"].value == -90.0
    noise = read["noise, A-weighted, 20 Hz to 20 kHz"]
    assert noise.reading.band == (20.0, 20e3)
    assert noise.value == 30e-6
    imd = read["imd of 60 Hz and 7 kHz, 1 V"].reading
    assert (imd.tones, imd.ratio) == ((60.0, 7e3), 4.0)
    most = read["maximum output at 1 kHz, 1 % thd, into 8 Ω"]
    assert most.value == 4.0  # 2 W into 8 ohm
    assert most.reading.thd == 0.01
    assert read["resistance between c1 and 0"].value == 12e3
    assert len(case.readings) == 13 + 1 + 2  # a line each, two response points, three of a file
    assert case.checks == (Check("C3", "good", "capacitance and ESR"),)
    assert case.observations == ("intermittent", "worse when warm")
    assert read["thd at 1 kHz, 20 mW into 8 Ω"].place.line == 11


def test_values_and_mains_change_the_stage() -> None:
    stage = load_case(DATA / "sheet.yaml").stage
    assert stage.part("C2").value == 220e-9
    assert stage.part("R3").value == 12e3
    assert stage.part("R1") == STAGE.part("R1")
    # stray lines are multiples of the mains: 50 and 150 Hz become 60 and 180 Hz
    assert [round(f, 9) for f, _ in stage.pickup] == [60.0, 180.0]
    assert [round(f, 9) for f, _ in stage.rails[0].ripple] == [120.0, 240.0]
    assert [level for _, level in stage.pickup] == [level for _, level in STAGE.pickup]


def test_another_value_has_its_usual_esr_unless_the_stage_states_one(tmp_path: Path) -> None:
    stage = sheet(tmp_path, "values: {C1: 47u, C3: 100u}\n").stage
    assert stage.part("C1").esr == series_resistance("electrolytic", 47e-6)
    assert stage.part("C3").esr == 0.3


def test_limits(tmp_path: Path) -> None:
    case = load_case(DATA / "sheet.yaml")
    thd, riaa = case.limits
    read = by_label(case)
    assert thd.covers(read["thd at 1 kHz, 20 mW into 8 Ω"].reading)
    assert not thd.passes(0.0024)
    assert thd.passes(0.002)
    assert riaa.covers(read["riaa deviation at 20 kHz"].reading)
    assert riaa.passes(0.5)
    assert not riaa.passes(-0.51)
    assert not riaa.covers(replace(read["riaa deviation at 20 kHz"].reading, frequency=30e3))
    assert not riaa.covers(read["gain at 1 kHz"].reading)
    (gain,) = sheet(
        tmp_path, "limits: [{quantity: gain, frequency: 1 kHz, value: 35 dB, within: ±1 dB}]\n"
    ).limits
    assert (gain.low, gain.high) == (34.0, 36.0)
    (offset,) = sheet(tmp_path, "limits: [{quantity: dc voltage, at: c1, within: 50 mV}]\n").limits
    assert (offset.low, offset.high) == (-0.05, 0.05)
    (rated,) = sheet(
        tmp_path, "limits: [{quantity: resistance, between: [c1, e1], value: 10k, within: 5 %}]\n"
    ).limits
    assert (rated.low, rated.high) == (9500.0, 10500.0)


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        # a relative 5 % on each compared scale; 0.1 dB is a ratio of 1.0116
        ("quantity: dc voltage, at: c1, value: 2 V, uncertainty: 5 %", 0.1),
        ("quantity: dc voltage, at: c1, value: -2 V, uncertainty: 10 mV", 0.01),
        ("quantity: resistance, between: [c1, e1], value: 2k, uncertainty: 5 %", 0.05),
        ("quantity: resistance, between: [c1, e1], value: 2k, uncertainty: 100 ohm", 0.05),
        ("quantity: resistance, between: [c1, e1], value: 2k, uncertainty: 0.1 dB", 0.011513),
        ("quantity: gain, frequency: 1k, value: 30 dB, uncertainty: 5 %", 0.423786),
        ("quantity: gain, frequency: 1k, value: 30 dB, uncertainty: 0.3", 0.3),
        ("quantity: noise, value: 1 mV, uncertainty: 50 uV", 0.423786),
        ("quantity: noise, value: 1 mV, uncertainty: 1 dB", 1.0),
        ("quantity: thd, frequency: 1k, value: 0.2 %, uncertainty: 5", 0.423786),
        ("quantity: phase, frequency: 1k, value: 30, uncertainty: 2 deg", 2.0),
    ],
)
def test_uncertainty_on_the_compared_scale(tmp_path: Path, entry: str, expected: float) -> None:
    assert one(tmp_path, entry).uncertainty == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("entry", "value", "bound"),
    [
        ("quantity: THD, frequency: 1 kHz, value: -60 dB", 1e-3, ""),
        ("quantity: thd, frequency: 1 kHz, value: '< 0.01 %'", 1e-4, "<"),
        ("quantity: resistance, between: [c1, '0'], value: '>20M'", 20e6, ">"),
        ("quantity: harmonic, order: 3, frequency: 1k, value: 0.1 %", -60.0, ""),
        ("quantity: noise, value: -100 dBV", 1e-5, ""),
        ("quantity: hum, frequency: 50, power: 1 W, load: 8, value: -70", -70.0, ""),
        ("quantity: damping factor, frequency: 1 kHz, value: 40", 40.0, ""),
        ("quantity: rise time, output level: 1 V, value: 3.1 us", 3.1e-6, ""),
        ("quantity: overshoot, value: 12 %", 0.12, ""),
        ("quantity: maximum output, frequency: 1k, thd: 1 %, load: 8 ohm, value: 14.1 V", 14.1, ""),
        ("quantity: noise, band: 20 Hz to 20 kHz, value: 1 uV", 1e-6, ""),
    ],
)
def test_values_as_people_write_them(
    tmp_path: Path, entry: str, value: float, bound: str
) -> None:
    if "hum" in entry:  # a load is no condition of a hum: the stage's own is meant
        entry = entry.replace("load: 8, ", "")
    measured = one(tmp_path, entry)
    assert measured.value == pytest.approx(value)
    assert measured.bound == bound


@pytest.mark.parametrize(
    "text",
    [
        "frequency,value\n20,-1.5\n1000,0\n",
        "20,-1.5\n1000,0\n",
        "Frequency (kHz)\tLevel (dB)\n0,02\t-1,5\n1\t0\n",
        "f [Hz];dB\r\n20;-1,5\r\n\r\n# a remark\r\n1000;0,000\r\n",
        "\ufefffrequency,value\n20 Hz,-1.5 dB\n1 kHz,0 dB\n",
    ],
)
def test_sweeps_as_programs_write_them(tmp_path: Path, text: str) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "s.csv").write_text(text, encoding="utf-8", newline="")
    case = sheet(
        tmp_path, "readings: [{quantity: response, reference: 1k, file: sub/s.csv}]\n"
    )
    assert [(m.reading.frequency, m.value) for m in case.readings] == [(20.0, -1.5), (1e3, 0.0)]
    assert case.readings[1].place.file.endswith("s.csv")


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("frequency,value\n20,-1.5,3\n", 2),
        ("frequency,value\n20,much\n", 2),
        ("frequency,value\n20\n", 2),
        ("frequency,value\n20,1\n20,2\n", 3),
        ("frequency;value\n1.000;2,5\n1,000;3\n", 3),
        ("frequency,value\n-20,1\n", 2),
    ],
)
def test_a_bad_row_is_shown(tmp_path: Path, text: str, where: int) -> None:
    (tmp_path / "s.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        sheet(tmp_path, "readings: [{quantity: response, reference: 1k, file: s.csv}]\n")
    place = caught.value.place
    assert place is not None
    assert place.file.endswith("s.csv")
    assert place.line == where


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    (tmp_path / "s.csv").write_text("20,1\n")
    (inner / "s.csv").symlink_to(tmp_path / "s.csv")
    with pytest.raises(InputError, match="out of the folder"):
        sheet(inner, "readings: [{quantity: response, reference: 1k, file: s.csv}]\n")


def test_two_channels(tmp_path: Path) -> None:
    case = sheet(
        tmp_path,
        "channels:\n"
        "  left: {readings: [{quantity: gain, frequency: 1k, value: 30 dB}]}\n"
        "  right: {readings: [{quantity: gain, frequency: 1k, value: 20 dB}]}\n"
        "suspect: right\n",
    )
    assert [m.value for m in case.readings] == [20.0]
    assert [m.value for m in case.reference] == [30.0]
    assert [name for name, _ in case.channels] == ["left", "right"]
    assert case.suspect == "right"
    assert case.name == "case"


def test_a_damping_factor_is_of_a_load(tmp_path: Path) -> None:
    """IEC 60268-3 (from memory): rated load over output impedance; without a load there is none."""
    bare = (DATA / "small.yaml").read_text().replace("load: 100k\n", "")
    (tmp_path / "bare.yaml").write_text(bare)
    path = tmp_path / "case.yaml"
    entry = "stage: bare.yaml\nreadings:\n  - {quantity: damping factor, frequency: 1 kHz, %s}\n"
    path.write_text(entry % "value: 20")
    with pytest.raises(InputError, match="needs the load"):
        load_case(path)
    path.write_text(entry % "load: 8 ohm, value: 20")
    assert load_case(path).readings[0].value == 20.0


def test_an_error_in_the_stage_is_shown_in_the_stage(tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text("stage: x\nports: {input: in, output: out}\nparts: {}\n")
    (tmp_path / "case.yaml").write_text("stage: bad.yaml\n")
    with pytest.raises(InputError) as caught:
        load_case(tmp_path / "case.yaml")
    assert caught.value.place is not None
    assert caught.value.place.file.endswith("bad.yaml")
