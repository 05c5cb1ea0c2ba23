"""What follows from readings: worked figures computed from the definitions.

Damping factor and distortion as IEC 60268-3 defines them (from memory); rise time and tilt of
first-order networks in closed form; levels from the definition of the decibel.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from diagnose.answer.derived import (
    Derived,
    derived,
    full_power_bandwidth,
    impedance_from_two_loads,
    lower_corner,
    upper_corner,
)
from diagnose.sheet.case import load_case


def follows(tmp_path: Path, readings: str, stage: str = "output-complementary") -> list[Derived]:
    path = tmp_path / "case.yaml"
    entries = "".join(f"  - {{{entry}}}\n" for entry in readings.strip().split("\n"))
    path.write_text(f"stage: {stage}\nreadings:\n{entries}")
    return list(derived(load_case(path)))


def one(tmp_path: Path, readings: str) -> Derived:
    (made,) = follows(tmp_path, readings)
    return made


@pytest.mark.parametrize(("drop", "factor"), [(0.1, 86.4), (0.5, 16.9), (1.0, 8.20)])
def test_the_drop_from_open_to_loaded_is_a_damping_factor(drop: float, factor: float) -> None:
    """R_L / Z_o, the drop from the definition: 86.4, 16.9 and 8.20 for 0.1, 0.5 and 1 dB."""
    ohms = impedance_from_two_loads(1.0, math.inf, 10.0 ** (-drop / 20.0), 8.0)
    assert 8.0 / ohms == pytest.approx(factor, rel=2e-3)


def test_output_impedance_from_two_loads(tmp_path: Path) -> None:
    """0.080 ohm: 2.80040 V across 8 ohm, 2.77294 V across 4 ohm."""
    assert impedance_from_two_loads(2.80040, 8.0, 2.77294, 4.0) == pytest.approx(0.080, rel=1e-3)
    drop = 20.0 * math.log10(2.80040 / 2.77294)
    ohms, factor = follows(tmp_path, f"""
quantity: gain, frequency: 1 kHz, load: 8 ohm, value: 20 dB, uncertainty: 0.001 dB
quantity: gain, frequency: 1 kHz, load: 4 ohm, value: {20.0 - drop:.5f} dB, uncertainty: 0.001 dB
""")
    assert ohms.value == pytest.approx(0.080, rel=1e-3)
    assert factor.value == pytest.approx(100.0, rel=1e-3)  # 8 ohm over it
    assert ohms.measured is not None
    assert ohms.measured.reading.quantity == "output impedance"
    # 0.001 dB on each against a drop of 0.0852 dB: √2·0.001/0.0852 = 1.7 %
    assert ohms.measured.uncertainty == pytest.approx(0.017, rel=0.05)


def test_two_gains_that_the_meter_does_not_part_tell_nothing(tmp_path: Path) -> None:
    made = follows(tmp_path, """
quantity: gain, frequency: 1 kHz, load: 8 ohm, value: 20 dB
quantity: gain, frequency: 1 kHz, load: 4 ohm, value: 20 dB
""")
    assert made == []


@pytest.mark.parametrize(
    ("reading", "name", "value", "unit"),
    [
        # 8/0.5 = 16; a damping factor of 25 at 8 ohm is 0.32 ohm
        ("quantity: output impedance, frequency: 1 kHz, value: 0.5", "damping factor at 1 kHz, "
         "into 8 Ω", 16.0, ""),
        ("quantity: damping factor, frequency: 1 kHz, value: 25", "output impedance at 1 kHz",
         0.32, "ohm"),
        # 12.649 V across 8 ohm is 20 W
        ("quantity: maximum output, frequency: 1 kHz, thd: 1 %, value: 12.649 V",
         "maximum output at 1 kHz", 20.0, "W"),
        # 1 % is -40.00 dB, 0.2 % is -53.98 dB
        ("quantity: thd, frequency: 1 kHz, value: 1 %", "thd at 1 kHz", -40.0, "dB"),
        ("quantity: imd, tones: [60 Hz, 7 kHz], value: 0.2 %", "imd", -53.98, "dB"),
        # 16 bit are 98.09 dB
        ("quantity: many-tone floor, value: -98.09 dB", "many-tone floor", 16.0, "bit"),
        # 3.5 µs ↔ 100 kHz, 20 kHz ↔ 17.5 µs
        ("quantity: rise time, value: 3.5 us", "upper corner (-3 dB)", 1e5, "Hz"),
        ("quantity: rise time, value: 17.5 us", "upper corner (-3 dB)", 2e4, "Hz"),
        # a corner of 2 Hz tilts 100 Hz by 6.09 %
        ("quantity: tilt, frequency: 100 Hz, value: 6.09 %", "lower corner (-3 dB)", 2.0, "Hz"),
    ],
)
def test_worked_figures(
    tmp_path: Path, reading: str, name: str, value: float, unit: str
) -> None:
    made = one(tmp_path, reading)
    assert made.name.startswith(name)
    assert made.value == pytest.approx(value, rel=2e-3)
    assert made.unit == unit
    assert made.formula


def test_closed_forms() -> None:
    """Rise time ln 9/2π; exp(-π f_L/f) is what is left of the top of a square wave; 2π f V peak."""
    assert upper_corner(1e-6) == pytest.approx(math.log(9.0) / (2.0 * math.pi) / 1e-6)
    assert lower_corner(1.0 - math.exp(-math.pi * 5.0 / 50.0), 50.0) == pytest.approx(5.0)
    # 100 W into 8 ohm at 20 kHz: 5.03 V/µs
    assert full_power_bandwidth(5.03e6, math.sqrt(100.0 * 8.0)) == pytest.approx(20e3, rel=1e-3)


def test_the_bandwidth_at_full_output(tmp_path: Path) -> None:
    made = follows(tmp_path, """
quantity: slew rate, value: 5.03 V/us
quantity: maximum output, frequency: 1 kHz, thd: 1 %, value: 100 W
""")
    assert {d.name: d.value for d in made}["bandwidth at full output"] == pytest.approx(2e4, 1e-3)


def test_harmonics_add_up_to_the_distortion(tmp_path: Path) -> None:
    """H2 1 %, H3 0.5 %: 1.1180 %; with noise of 0.1 % THD+N is 1.1225 %."""
    made = follows(tmp_path, """
quantity: harmonic, order: 2, frequency: 1 kHz, value: 1 %
quantity: harmonic, order: 3, frequency: 1 kHz, value: 0.5 %
""")
    assert [d.value for d in made] == [pytest.approx(0.011180, rel=1e-4)]
    assert made[0].measured is not None
    assert made[0].measured.bound == ">"  # the others were not read
    lines = [f"quantity: harmonic, order: {k}, frequency: 1 kHz, value: 1 %" for k in range(2, 11)]
    whole = one(tmp_path, "\n".join(lines))
    assert whole.value == pytest.approx(0.03)  # √9 of them
    assert whole.measured is not None
    assert whole.measured.bound == ""
    noise = follows(tmp_path, """
quantity: thd, frequency: 1 kHz, value: 1.1180 %
quantity: thd+n, frequency: 1 kHz, value: 1.1225 %
""")
    part = next(d for d in noise if d.name.startswith("hum and noise"))
    assert part.value == pytest.approx(0.001, rel=0.01)


def test_what_was_read_is_not_derived(tmp_path: Path) -> None:
    made = follows(tmp_path, """
quantity: output impedance, frequency: 1 kHz, value: 0.5
quantity: damping factor, frequency: 1 kHz, load: 8 ohm, value: 14
""")
    assert made == []


def test_a_line_load_has_no_damping_factor(tmp_path: Path) -> None:
    reading = "quantity: output impedance, frequency: 1 kHz, value: 1k"
    assert follows(tmp_path, reading, "phono-two-transistor") == []


def test_balance_from_the_gain_of_both_channels(tmp_path: Path) -> None:
    path = tmp_path / "case.yaml"
    path.write_text(
        "stage: phono-two-transistor\nsuspect: left\nchannels:\n"
        "  right: {readings: [{quantity: gain, frequency: 1 kHz, value: 35.0 dB}]}\n"
        "  left: {readings: [{quantity: gain, frequency: 1 kHz, value: 36.2 dB}]}\n"
    )
    (made,) = derived(load_case(path))
    assert made.value == pytest.approx(-1.2)  # right less left
    assert (made.unit, made.channel) == ("dB", "")
