"""Sweeps that were played and recorded: curves, bounds, sheets. What was put in is the truth.

The unit is a closed form: a polynomial, x + a·x²/A + b·x³/A², before a filter. Recordings are
those of ``diagnose signal``, as a player and a recorder with clocks of their own would make them.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as scipy_signal

from circuits.errors import InputError
from diagnose.cli.main import main
from diagnose.recording.measurement import Measurement, curve_table, sheet_lines
from diagnose.recording.measuring import Options, measure
from diagnose.sheet.case import load_case
from diagnose.sheet.sweep_file import read_sweep
from diagnose.show.text_measurement import measure_text
from diagnose.stimulus.samples import layout, samples
from diagnose.stimulus.signal import Signal
from tests.recordings import RATE, dithered, noise, write

pytestmark = pytest.mark.slow

DATA = Path(__file__).resolve().parents[2] / "data"
LEVEL = 10.0 ** (-20.0 / 20.0)
SECOND, THIRD = 0.02, 0.04
"""Of the polynomial: harmonics of 1 % each, relative to a fundamental 3 % up."""
GROWN = 1.0 + 0.75 * THIRD


@cache
def played(steady: bool = False, shaped: bool = False, channels: str = "mono") -> np.ndarray:
    return samples(Signal("sweep", 5.0, -20.0 if not shaped else -26.0, channels=channels,
                          steady=steady, shaped=shaped), float(RATE))


@cache
def unit(steady: bool) -> np.ndarray:
    x = scipy_signal.resample_poly(played(steady)[0], 4, 1)
    return scipy_signal.resample_poly(
        x + SECOND * x**2 / LEVEL + THIRD * x**3 / LEVEL**2, 1, 4
    )


def read(folder: Path, *waves: np.ndarray, told: Options | None = None) -> Measurement:
    return measure(write(folder / "x.wav", *map(dithered, waves)), told)


def test_a_unit_is_read_as_it_is(tmp_path: Path) -> None:
    """Gain, response of a first-order filter, and harmonics from 200 Hz on."""
    b, a = scipy_signal.butter(1, 5000.0, fs=RATE)
    wave = scipy_signal.lfilter(b, a, unit(False)) + noise(1e-5, len(unit(False)) / RATE)
    made = read(tmp_path, wave, told=Options(full_scale=2.0))
    assert made.signal == "sweep"
    assert made.alignment is not None
    assert abs(made.alignment.ppm) < 0.1
    gain = {f: abs(scipy_signal.freqz(b, a, [f], fs=RATE)[1][0]) for f in (50.0, 1e3, 8e3, 16e3)}
    assert made.item("level at 1 kHz").unit == "V"
    assert made.item("level at 1 kHz").value == pytest.approx(
        2.0 * LEVEL * GROWN * gain[1e3], rel=2e-3)
    response = made.curve("response")
    for f in (50.0, 8e3, 16e3):
        assert response.at(f) == pytest.approx(20.0 * math.log10(gain[f] / gain[1e3]), abs=0.05)
    for f in (200.0, 1e3, 3150.0):
        h1, h2, h3 = (abs(scipy_signal.freqz(b, a, [k * f], fs=RATE)[1][0]) for k in (1, 2, 3))
        second = 20.0 * math.log10(SECOND / 2.0 / GROWN * h2 / h1)
        third = 20.0 * math.log10(THIRD / 4.0 / GROWN * h3 / h1)
        assert made.curve("harmonic 2").at(f) == pytest.approx(second, abs=0.05)
        assert made.curve("harmonic 3").at(f) == pytest.approx(third, abs=0.05)
        assert made.curve("thd").at(f) == pytest.approx(
            math.hypot(10.0 ** (second / 20.0), 10.0 ** (third / 20.0)), rel=0.01)
    # a cubic has no fourth: within the noise, and told as a bound
    assert set(made.curve("harmonic 4").bounds) == {"<"}
    assert min(made.curve("thd").frequencies) == 200.0
    assert any("below 200 Hz cannot be read from a sweep" in note for note in made.notes)


def test_below_200_hz_steady_tones_tell(tmp_path: Path) -> None:
    """With hum 60 dB down, which lies 4 Hz beside their harmonics; as sines of the same unit."""
    time = np.arange(len(unit(True))) / RATE
    wave = unit(True) + 1e-4 * np.sin(2.0 * math.pi * 50.01 * time)
    made = read(tmp_path, wave)
    thd = made.curve("thd")
    assert thd.frequencies[:5] == (23.0, 35.0, 65.0, 127.0, 200.0)
    expected = math.hypot(SECOND / 2.0, THIRD / 4.0) / GROWN
    assert thd.values == pytest.approx([expected] * len(thd.values), rel=0.01)
    assert made.curve("harmonic 3").at(35.0) == pytest.approx(
        20.0 * math.log10(THIRD / 4.0 / GROWN), abs=0.05)
    assert not any("cannot be read from a sweep" in note for note in made.notes)
    # the same unit, driven by a sine
    sine = samples(Signal("sine", 2.0, -20.0), float(RATE))[0]
    x = scipy_signal.resample_poly(sine, 4, 1)
    bent = scipy_signal.resample_poly(x + SECOND * x**2 / LEVEL + THIRD * x**3 / LEVEL**2, 1, 4)
    steady = read(tmp_path, bent)
    assert thd.at(1e3) == pytest.approx(steady.item("thd").value, rel=0.005)


def test_what_lies_in_the_noise_is_a_bound(tmp_path: Path) -> None:
    """Noise 46 dB below the sweep hides harmonics of 1 % where the floor says so, nowhere else."""
    made = read(tmp_path, unit(False) + noise(5e-4, len(unit(False)) / RATE))
    second = made.curve("harmonic 2")
    truth = 20.0 * math.log10(SECOND / 2.0 / GROWN)
    for value, bound, floor in zip(second.values, second.bounds, second.floors, strict=True):
        if bound:
            assert value == pytest.approx(floor + 6.02, abs=0.01)
            assert value > truth - 12.0
        else:
            assert value == pytest.approx(truth, abs=20.0 * math.log10(1.0 + 4.0 * 10.0 ** (
                (floor - truth) / 20.0)))
    assert set(made.curve("harmonic 5").bounds) == {"<"}
    assert "h2" in measure_text(made)


def test_a_shaped_sweep_reads_the_deviation_from_riaa(tmp_path: Path) -> None:
    """Through a network of 3180, 318 and 75 µs, and through one whose 75 µs are 90."""
    x = played(shaped=True)[0]
    length = 1 << (len(x) - 1).bit_length()
    s = 2j * math.pi * np.fft.rfftfreq(length, 1.0 / RATE)

    def through(treble: float) -> Measurement:
        curve = (1.0 + s * 318e-6) / ((1.0 + s * 3180e-6) * (1.0 + s * treble))
        return read(tmp_path, np.fft.irfft(np.fft.rfft(x, length) * curve, length)[: len(x)] * 8.0)

    good = through(75e-6)
    assert good.alignment is not None
    assert good.alignment.shaped
    assert good.curve("riaa deviation").values == pytest.approx([0.0] * 31, abs=0.05)
    bad = through(90e-6).curve("riaa deviation")

    def pole(f: float, t: float) -> float:
        return -10.0 * math.log10(1.0 + (2.0 * math.pi * f * t) ** 2)

    wanted = pole(1e4, 90e-6) - pole(1e4, 75e-6) - pole(1e3, 90e-6) + pole(1e3, 75e-6)
    assert bad.at(1e4) == pytest.approx(wanted, abs=0.02)


def test_one_channel_driven_shows_crosstalk(tmp_path: Path) -> None:
    left = played()[0]
    right = 1e-3 * left + noise(1e-6, len(left) / RATE)
    made = read(tmp_path, left, right)
    assert made.curve("crosstalk", "right").at(1e3) == pytest.approx(-60.0, abs=0.1)
    assert any("only the left channel is taken as driven" in note for note in made.notes)
    both = read(tmp_path, left, right, told=Options(driven="both"))
    assert both.item("balance at 1 kHz, right over left").value == pytest.approx(-60.0, abs=0.1)
    assert both.curve("phase, right against left").at(1e3) == pytest.approx(0.0, abs=0.1)


def test_without_pilots_it_is_found_all_the_same(tmp_path: Path) -> None:
    signal = Signal("sweep", 5.0, -20.0, pilots=False)
    wave = samples(signal, float(RATE))[0]
    wave = np.concatenate([np.zeros(12345), wave])
    made = read(tmp_path, wave + noise(1e-5, len(wave) / RATE))
    assert made.alignment is None
    assert made.curve("response").values == pytest.approx([0.0] * 31, abs=0.05)
    with pytest.raises(KeyError):
        made.curve("phase")


@pytest.mark.parametrize("kind", ["sine", "difference tone", "tones", "square", "silence"])
def test_pilots_align_every_signal(kind: str, tmp_path: Path) -> None:
    """Recorded late, by a clock that runs 80 ppm fast: resampled by its spectrum."""
    signal = Signal(kind, 2.0, -20.0)
    wave = samples(signal, float(RATE))[0]
    ratio = 1.0 + 80e-6
    whole = np.zeros(250000)  # 80 ppm of it are 20 samples
    whole[7000 : 7000 + len(wave)] = wave
    late = scipy_signal.resample(whole, 250020) + noise(1e-5, 250020 / RATE)
    made = read(tmp_path, late)
    assert made.signal == kind
    assert made.alignment is not None
    assert made.alignment.ppm == pytest.approx(80.0, abs=0.2)
    begin = (layout(signal, float(RATE)).lead + 7000.0 / RATE) * ratio
    assert made.alignment.start == pytest.approx(begin, abs=0.2 / RATE)
    assert any("80 ppm faster" in note for note in made.notes)
    if kind == "sine":
        assert made.item("frequency").value == pytest.approx(1000.0 / ratio, rel=1e-6)


def test_a_lost_pilot_is_said(tmp_path: Path) -> None:
    wave = samples(Signal("sine", 2.0, -20.0), float(RATE))[0]
    made = read(tmp_path, wave[: -round(0.9 * RATE)])
    assert made.signal == "sine"
    assert any("one pilot but not a second" in note for note in made.notes)


def test_a_sheet_takes_the_curves(tmp_path: Path) -> None:
    """As lines that are pasted, and as a file that it names; bounds stay bounds."""
    wave = unit(False) + noise(1e-4, len(unit(False)) / RATE)
    made = read(tmp_path, wave, told=Options(full_scale=2.0))
    head = f"stage: {DATA / 'small.yaml'}\n"
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(head + sheet_lines(made), encoding="utf-8")
    case = load_case(sheet)
    wanted = made.readings()
    assert len(wanted) == 30 + 3 + 6
    got = {m.reading.key(): m for m in case.readings}
    for sent in wanted:
        one = got[sent.reading.key()]
        assert one.bound == sent.bound
        assert one.value == pytest.approx(sent.value, rel=1e-3, abs=6e-4)
    (tmp_path / "curves.csv").write_text(curve_table(made), encoding="utf-8")
    rows = read_sweep(tmp_path / "curves.csv", "thd").rows
    assert len(rows) == len(made.curve("thd").frequencies)
    sheet.write_text(head + "readings:\n  - {quantity: response, reference: 1 kHz, file: "
                     "curves.csv}\n  - {quantity: thd, file: curves.csv}\n", encoding="utf-8")
    assert any(m.reading.quantity == "thd" for m in load_case(sheet).readings)


def test_the_command_writes_the_table_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "x.wav", dithered(played()[0]))
    table = tmp_path / "curves.csv"
    assert main(["measure", str(path), "-o", str(table), "--yaml"]) == 0
    out, err = capsys.readouterr()
    assert "quantity: response" in out
    assert 'column: "response"' in err
    before = table.read_text(encoding="utf-8")
    assert main(["measure", str(path), "-o", str(table)]) == 2
    assert "exists and was not touched" in capsys.readouterr().err
    assert table.read_text(encoding="utf-8") == before
    sine = write(tmp_path / "sine.wav", 0.1 * np.sin(np.arange(RATE) * 0.13))
    assert main(["measure", str(sine), "-o", str(tmp_path / "y.csv")]) == 2
    assert "holds no sweep" in capsys.readouterr().err
    with pytest.raises(InputError, match="there is no sweep"):
        measure(sine, Options(signal="sweep"))
