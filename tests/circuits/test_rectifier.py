"""Closed forms of a rectifier held against plain ngspice, and against handbooks' formulas.

The netlists are written here: e.m.f., winding, diodes, reservoir, and a current source as the load.
A diode of n = 0.05 drops 40 to 50 mV, so that its drop need not be known.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuits.rectifier import SWING_OF_LINE, Rectifier, chosen

MAINS = 50.0
with_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)"
)


def simulated(made: Rectifier, amps: float, folder: Path, cycles: int = 60) -> tuple[float, float]:
    """Mean and peak to peak of the reservoir, V, by plain ngspice; full-wave on two halves."""
    halves = "" if made.pulses == 1 else (
        f"V2 y 0 SIN(0 {-made.emf} {MAINS} 0 0 90)\nR2 y b {made.ohms}\nD2 b raw ideal\n"
    )
    stop, period = cycles / MAINS, 1.0 / MAINS
    deck = folder / "supply.cir"
    deck.write_text(f"""reservoir
V1 x 0 SIN(0 {made.emf} {MAINS} 0 0 90)
R1 x a {made.ohms}
D1 a raw ideal
{halves}C1 raw 0 {made.farads} IC={0.97 * made.emf}
I1 raw 0 {amps}
.model ideal D(IS=1e-9 N=0.05)
.options reltol=1e-5
.tran {period / 400} {stop} {stop - period} {period / 400} UIC
.meas tran mean AVG v(raw) from={stop - period} to={stop}
.meas tran swing PP v(raw) from={stop - period} to={stop}
.end
""")
    ran = subprocess.run(
        ["ngspice", "-b", deck.name], cwd=folder, capture_output=True, text=True, timeout=60
    )
    found = dict(re.findall(r"^(mean|swing)\s*=\s*(\S+)", ran.stdout, re.MULTILINE))
    return float(found["mean"]), float(found["swing"])


@with_ngspice
@pytest.mark.parametrize("pulses", [1, 2])
@pytest.mark.parametrize("amps", [0.01, 0.1, 0.5])
def test_mean_and_ripple_are_those_of_plain_ngspice(
    pulses: int, amps: float, tmp_path: Path
) -> None:
    made = Rectifier(40.0, 3.0, 2200e-6, MAINS, pulses)
    mean, swing = made.at(amps)
    by_ngspice, ripple = simulated(made, amps, tmp_path)
    assert mean == pytest.approx(by_ngspice, abs=0.1)
    assert swing == pytest.approx(ripple, rel=0.03)


@with_ngspice
def test_a_supply_told_by_its_healthy_figures_is_right_at_six_times_the_current(
    tmp_path: Path,
) -> None:
    """A trimmer takes the current to 784 mA: the ripple goes from 26 to about 160 mV.

    The supply is one of 35 V whose lowest line is 26 mV RMS at 126 mA; what it does at 784 mA is
    plain ngspice's matter, and must follow from volts, ripple and current of the healthy unit.
    """
    amps, ohms = 0.126, 0.4
    real = Rectifier(35.6, ohms, 0.126 / (2.0 * MAINS * 26e-3 * SWING_OF_LINE), MAINS, 2)
    volts, swing = simulated(real, amps, tmp_path, 200)
    told = chosen(volts, swing, amps, ohms, MAINS, 2)
    after, ripple = told.at(0.784)
    by_ngspice, so_much = simulated(real, 0.784, tmp_path, 200)
    # I / (fC) alone would give 162 mV; the longer the rectifier conducts, the less
    assert 26e-3 * so_much / swing == pytest.approx(0.161, rel=0.12)
    assert ripple / swing == pytest.approx(so_much / swing, rel=0.03)
    assert after - volts == pytest.approx(by_ngspice - volts, rel=0.05)


@pytest.mark.parametrize(("pulses", "frequency"), [(1, 50.0), (2, 100.0)])
def test_a_large_reservoir_has_the_ripple_of_the_handbooks(
    pulses: int, frequency: float
) -> None:
    """I / (fC), every electronics handbook; a cycle less what the rectifier conducts."""
    made = Rectifier(40.0, 0.01, 10e-3, MAINS, pulses)
    _, swing = made.at(0.1)
    assert swing == pytest.approx(0.1 / (frequency * 10e-3), rel=0.08)
    _, twice = made.at(0.2)
    assert twice == pytest.approx(2.0 * swing, rel=0.03)


@pytest.mark.parametrize(
    ("pulses", "share", "volts"),
    [(2, 0.01, 0.93), (2, 0.05, 0.83), (2, 0.1, 0.75), (1, 0.05, 0.74)],
)
def test_the_mean_lies_on_schades_curves(pulses: int, share: float, volts: float) -> None:
    """Schade's curves (Proc. IRE 31, 1943, from memory): mean over peak at Rs/RL, ωCR large."""
    load = 1000.0
    made = Rectifier(100.0, share * load, 2000e-6, MAINS, pulses)
    mean = 80.0
    for _ in range(40):
        mean = 0.5 * (mean + made.at(mean / load)[0])
    assert mean / 100.0 == pytest.approx(volts, abs=0.03)


def test_without_load_the_reservoir_has_the_peak() -> None:
    made = Rectifier(40.0, 3.0, 2200e-6, MAINS, 2)
    assert made.at(0.0) == (40.0, 0.0)
    assert made.at(1e-6)[0] == pytest.approx(40.0, abs=0.05)


def test_the_voltage_falls_with_every_ampere_down_to_a_dead_short() -> None:
    made = Rectifier(40.0, 3.0, 470e-6, MAINS, 2)
    volts = [made.at(amps)[0] for amps in (0.0, 0.01, 0.1, 0.5, 1.0, 2.0, 5.0, 20.0)]
    assert volts == sorted(volts, reverse=True)


@pytest.mark.parametrize("pulses", [1, 2])
@pytest.mark.parametrize("ripple", [0.05, 1.0, 4.0])
def test_what_is_chosen_gives_what_was_asked_for(pulses: int, ripple: float) -> None:
    made = chosen(36.0, ripple, 0.054, 30.0, MAINS, pulses)
    volts, swing = made.at(0.054)
    assert volts == pytest.approx(36.0, rel=1e-3)
    assert swing == pytest.approx(ripple, rel=1e-2)


@given(
    volts=st.floats(0.1, 1e3), share=st.floats(1e-6, 3.0), amps=st.floats(1e-6, 100.0),
    drop=st.floats(1e-6, 10.0), pulses=st.sampled_from([1, 2]),
)
def test_no_figures_are_too_odd_for_numbers(
    volts: float, share: float, amps: float, drop: float, pulses: int
) -> None:
    """A winding whose resistance takes ten times the voltage among them; nobody builds that."""
    made = chosen(volts, share * volts, amps, drop * volts / amps, MAINS, pulses)
    read = [x for part in (1e-3, 1.0, 10.0) for x in made.at(part * amps)]
    assert np.isfinite([*read, *made.lines(amps, 3), made.rms(amps)]).all()


def test_a_sawtooth_of_one_volt_has_a_lowest_line_of_so_much() -> None:
    """The RMS of the n-th line of a sawtooth of p volts peak to peak is p / (nπ√2) (Fourier)."""
    count = 4096
    line = sum((k / count - 0.5) * math.sin(2.0 * math.pi * k / count) for k in range(count))
    assert abs(2.0 * line / count) / math.sqrt(2.0) == pytest.approx(1.0 / SWING_OF_LINE, rel=1e-3)


def by_small_steps(made: Rectifier, amps: float, count: int) -> list[float]:
    """Lines of the charging current, A RMS, of an ideal rectifier stepped through time."""
    steps, cycles = 20_000, 40
    times = np.arange(steps) / (steps * made.mains)
    emf = made.emf * np.cos(2.0 * np.pi * made.mains * times)
    emf = np.abs(emf) if made.pulses == 2 else emf
    volts, step, flows = 0.95 * made.emf, float(times[1]), np.zeros(steps)
    for _ in range(cycles):
        for k in range(steps):
            flow = max((emf[k] - volts) / made.ohms, 0.0)
            flows[k] = flow
            volts += (flow - amps) / made.farads * step
    lines = np.abs(np.fft.rfft(flows)) / steps * math.sqrt(2.0)
    return [float(lines[made.pulses * n]) for n in range(1, count + 1)]


@pytest.mark.parametrize("pulses", [1, 2])
def test_lines_of_the_charging_current_are_those_of_small_steps(pulses: int) -> None:
    made = Rectifier(40.0, 1.0, 2200e-6, MAINS, pulses)
    expected = by_small_steps(made, 0.3, 6)
    np.testing.assert_allclose(made.lines(0.3, 6), expected, rtol=0.01, atol=2e-3)


def test_narrow_pulses_have_the_same_in_every_line() -> None:
    """√2·I, the Fourier series of a comb; no pulse that lasts has as much (triangle inequality)."""
    narrow = Rectifier(40.0, 1e-3, 2200e-6, MAINS, 2).lines(0.01, 4)
    np.testing.assert_allclose(narrow, math.sqrt(2.0) * 0.01, rtol=0.02)
    wide = Rectifier(40.0, 20.0, 2200e-6, MAINS, 2).lines(0.5, 4)
    assert max(wide) < math.sqrt(2.0) * 0.5
    assert wide[3] < 0.5 * wide[0]
