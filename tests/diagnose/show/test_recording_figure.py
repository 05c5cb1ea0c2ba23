"""The pictures of recordings, held against the lines, noise and edges that were put into them.

Closed forms: a sine of RMS V stands at V; a first-order low-pass rises from 10 to 90 % in
τ·ln 9 = 2.197 τ (any text on networks); an amplitude of A reaches A/√2 RMS.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.cli.main import main
from diagnose.recording.measurement import Curve, Measurement
from diagnose.recording.measuring import Options, measure
from diagnose.sheet.case import load_case
from diagnose.sheet.recordings import Recorded, recording_line, with_recording
from diagnose.show.answer_figure import answer_figure, measured_figure
from diagnose.show.figure import Panel, Series
from diagnose.show.recording_figure import panels_of, recording_figure
from diagnose.show.spectrum_bands import bands_of
from faultlib.simulate import Laboratory
from faultlib.store import Store

RATE, SECONDS = 48000, 2.0
TIME = np.arange(round(RATE * SECONDS)) / RATE
DATA = Path(__file__).resolve().parents[2] / "data"
# 1 V of a full-scale sine: samples are volts over √2


def sine(frequency: float, rms: float) -> np.ndarray:
    return math.sqrt(2.0) * rms * np.sin(2.0 * math.pi * frequency * TIME)


def write(path: Path, *channels: np.ndarray) -> Path:
    soundfile.write(path, np.stack(channels, 1) / math.sqrt(2.0), RATE, subtype="DOUBLE")
    return path


def noise(rms: float) -> np.ndarray:
    return rms * np.random.default_rng(1).normal(size=len(TIME))


def series(panel: Panel, label: str) -> Series:
    return next(s for s in panel.series if s.label == label)


def test_every_line_stands_at_its_volts_and_has_its_name(tmp_path: Path) -> None:
    wave = sine(1e3, 0.5) + sine(2e3, 2e-3) + sine(3e3, 5e-4) + sine(100.0, 3e-4) + noise(1e-5)
    path = write(tmp_path / "tone.wav", wave, 0.5 * wave)
    left, right = panels_of(measure(path, Options(full_scale=1.0)))
    assert (left.title, right.title) == ("spectrum, left", "spectrum, right")
    assert (left.x.unit, left.y.unit, left.y.logarithmic) == ("Hz", "V", True)
    for panel, share in ((left, 1.0), (right, 0.5)):
        tone, harmonics, mains = (
            series(panel, label) for label in ("signal", "harmonics, by number", "mains lines, Hz"))
        assert tone.names == ("1 kHz",)
        assert tone.y[0] == pytest.approx(0.5 * share, rel=1e-3)
        assert harmonics.names == ("2", "3")
        assert harmonics.x == pytest.approx((2e3, 3e3), rel=1e-6)
        assert harmonics.y == pytest.approx((2e-3 * share, 5e-4 * share), rel=0.02)
        assert mains.names == ("100",)
        assert mains.y[0] == pytest.approx(3e-4 * share, rel=0.02)
        # the line of the spectrum reaches the same tops, and no line is lost in thinning
        line = panel.series[0]
        for f, rms in ((1e3, 0.5), (2e3, 2e-3), (100.0, 3e-4)):
            near = max(y for x, y in zip(line.x, line.y, strict=True) if abs(x / f - 1.0) < 0.02)
            assert near == pytest.approx(rms * share, rel=0.1)


def test_white_noise_reads_as_in_the_band_that_is_stated(tmp_path: Path) -> None:
    path = write(tmp_path / "noise.wav", noise(1e-3))
    made = measure(path, Options(full_scale=1.0, signal="silence"))
    (picture,) = made.pictures
    # 1 mV over half the rate: the power in the stated band is its share of that
    expected = 1e-3 * math.sqrt(picture.width / (RATE / 2.0))
    # at the low end a place of the picture is a step, so nothing is picked out
    low = [y for x, y in zip(picture.x, picture.y, strict=True) if x < 60.0]
    mean = math.sqrt(2.0 * float(np.mean(np.square(low))))
    assert mean == pytest.approx(expected, rel=0.35)
    assert "noise reads as in a band of" in recording_figure(made).note


def test_without_full_scale_levels_are_relative_to_it(tmp_path: Path) -> None:
    path = write(tmp_path / "tone.wav", sine(1e3, 0.5))
    (panel,) = panels_of(measure(path))
    assert (panel.y.unit, panel.y.logarithmic) == ("dBFS", False)
    # 0.5 V of a full-scale sine of 1 V
    assert series(panel, "signal").y[0] == pytest.approx(20.0 * math.log10(0.5), abs=0.01)


def test_of_two_tones_the_products_are_named(tmp_path: Path) -> None:
    wave = sine(19e3, 0.2) + sine(20e3, 0.2) + sine(1e3, 1e-3) + sine(18e3, 2e-3) + noise(1e-6)
    (panel,) = panels_of(measure(write(tmp_path / "pair.wav", wave), Options(full_scale=1.0)))
    products = series(panel, "products")
    found = dict(zip(products.names, zip(products.x, products.y, strict=True), strict=True))
    assert found["f2−f1"] == pytest.approx((1e3, 1e-3), rel=0.02)
    assert found["2f1−f2"] == pytest.approx((18e3, 2e-3), rel=0.02)
    assert "2f2−f1" not in found  # nothing was put there
    assert series(panel, "2 tones").names == ("19 kHz", "20 kHz")


def test_many_tones_are_marked_each(tmp_path: Path) -> None:
    tones = [round(2.0 * 20.0 * 2.0 ** (k / 3.0)) / 2.0 for k in range(30)]
    turned = [math.sqrt(2.0) * 0.05 * np.sin(2.0 * math.pi * f * TIME + k * k)
              for k, f in enumerate(tones)]
    path = write(tmp_path / "many.wav", np.sum(turned, axis=0) + noise(1e-5))
    (panel,) = panels_of(measure(path, Options(full_scale=1.0)))
    marked = series(panel, "30 tones")
    assert marked.x == pytest.approx(tones, rel=1e-3)
    assert marked.y == pytest.approx([0.05] * 30, rel=0.03)


def test_an_edge_is_marked_where_it_is_at_10_and_90_per_cent(tmp_path: Path) -> None:
    tau, base = 100e-6, 200.0
    wave = np.zeros_like(TIME)
    for k in range(1, 115, 2):  # a square wave of ±0.4 V through a first-order low-pass
        turn = 2j * math.pi * k * base
        size = 4.0 / math.pi / k * 0.4 / (1.0 + turn * tau)
        wave = wave + np.imag(size * np.exp(turn * TIME))
    path = write(tmp_path / "square.wav", wave, 0.5 * wave)
    period, edge = panels_of(measure(path, Options(signal="square", full_scale=1.0)))
    assert (period.x.unit, period.y.unit) == ("s", "V")
    assert [s.label for s in period.series] == ["left", "right"]
    assert max(period.series[0].x) == pytest.approx(1.0 / base, rel=0.01)
    assert max(period.series[0].y) == pytest.approx(0.4, rel=0.02)
    assert max(period.series[1].y) == pytest.approx(0.2, rel=0.02)
    knees = series(edge, "10 and 90 % of the step")
    low = [x for x, name in zip(knees.x, knees.names, strict=True) if name == "10 %"]
    high = [x for x, name in zip(knees.x, knees.names, strict=True) if name == "90 %"]
    assert [b - a for a, b in zip(low, high, strict=True)] == pytest.approx(
        [math.log(9.0) * tau] * 2, rel=0.04)


def test_a_sheet_shows_its_recordings_and_the_limits_of_its_hum(tmp_path: Path) -> None:
    write(tmp_path / "silence.wav", sine(100.0, 3e-4) + noise(1e-5))
    sheet = tmp_path / "sheet.yaml"
    text = with_recording("record:\n  serial: 17", recording_line(
        Recorded("silence.wav", about="inputs shorted"), "1 V"), "silence.wav")
    sheet.write_text(f"stage: {DATA / 'coupling.yaml'}\n{text}\n  - {{file: gone.wav}}\n"
                     "limits: [{quantity: hum, frequency: 100 Hz, max: 100 uV}]\n",
                     encoding="utf-8")
    figure = measured_figure(load_case(sheet))
    (panel,) = figure.panels
    assert panel.title == "spectrum without signal: inputs shorted"
    (limit,) = panel.limits
    assert limit.start == 100.0
    assert limit.high == pytest.approx(1e-4)
    # what has gone is said, and costs the rest nothing
    assert "gone.wav is not drawn" in figure.note


STRAY = """\
stage: stray
ports: {input: in, output: out}
parts:
  C1: {kind: electrolytic, nodes: [in, out], value: 10u}
  R1: {kind: metal-film, nodes: [out, "0"], value: 10k}
stray current: {out: {50 Hz: 1 uA}}
"""
"""A current that a lead beside the mains carries into a node: Ohm's law makes hum of it."""


@pytest.mark.parametrize("signal", ["silence", "sine"])
def test_mains_lines_of_a_good_unit_have_their_band(tmp_path: Path, signal: str) -> None:
    """Through 10 µF and 10 kΩ side by side, 1 µA at 50 Hz are 318 µV."""
    tone = sine(1e3, 0.5) if signal == "sine" else 0.0
    write(tmp_path / "heard.wav", tone + sine(50.0, 3e-4) + sine(100.0, 1e-4) + noise(1e-6))
    (tmp_path / "stray.yaml").write_text(STRAY, encoding="utf-8")
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text("stage: stray.yaml\nrecordings:\n  - {file: heard.wav, full scale: 1 V}\n"
                     "limits: [{quantity: hum, frequency: 50 Hz, max: 1 mV}]\n", encoding="utf-8")
    with Laboratory(Store(None), workers=0) as bench:
        (panel,) = answer_figure(load_case(sheet), None, bench).panels
    if signal == "sine":
        # beside a signal hum is more by itself: neither limit nor band is of it
        assert panel.bands == ()
        assert panel.limits == ()
        return
    (band,) = panel.bands
    assert band.apart
    wanted = 1e-6 / abs(1e-4 + 2j * math.pi * 50.0 * 10e-6)
    at = band.x.index(50.0)
    assert band.low[at] < wanted < band.high[at]
    assert band.high[at] < 2.0 * wanted
    assert panel.limits[0].high == pytest.approx(1e-3)


def test_harmonics_of_a_good_unit_stand_under_the_tone_that_was_recorded(tmp_path: Path) -> None:
    path = write(tmp_path / "tone.wav", sine(1e3, 0.5) + sine(2e3, 5e-4) + noise(1e-6))
    made = measure(path, Options(full_scale=8.0))
    stage = load_stage("output-complementary")
    # half of 8 V are 2 W into 8 ohm
    second = Reading("harmonic", order=2, frequency=1e3, level=("power", 2.0))
    good = {second: (-90.0, -70.0), replace(second, order=3, level=("power", 4.0)): (-99.0, -80.0),
            replace(second, order=4, frequency=2e3): (-99.0, -80.0)}
    (band,) = bands_of(made, "", good, stage, "good units")
    # of the third another level is known, of the fourth another tone
    assert band.x == (2e3,)
    # 90 dB and 70 dB below 4 V
    assert (band.low[0], band.high[0]) == pytest.approx((1.265e-4, 1.265e-3), rel=0.01)
    assert bands_of(measure(path, Options()), "", good, stage, "good units") == ()


@pytest.mark.parametrize(("entry", "told"), [
    ("{full scale: 1 V}", "file"), ("{file: ../x.wav}", "leads out of the folder"),
    ("{file: x.csv}", "no recording"), ("{file: x.wav, full scale: 1 ohm}", "ohm"),
    ("{file: x.wav, colour: red}", "colour"),
])
def test_a_recording_that_is_none_is_refused_with_its_place(
    entry: str, told: str, tmp_path: Path
) -> None:
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(f"stage: {DATA / 'coupling.yaml'}\nrecordings:\n  - {entry}\n",
                     encoding="utf-8")
    with pytest.raises(InputError, match=told) as refused:
        load_case(sheet)
    assert "sheet.yaml:3:" in str(refused.value)


def test_a_recording_told_anew_stands_once() -> None:
    text = ""
    for volts in ("1 V", "2 V"):
        for file in ("a.wav", "b.wav"):
            text = with_recording(text, recording_line(Recorded(file), volts), file)
    assert text.splitlines() == ["recordings:", "  - {file: a.wav, full scale: 2 V}",
                                 "  - {file: b.wav, full scale: 2 V}"]


@pytest.mark.slow
def test_the_command_draws_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "tone.wav", sine(1e3, 0.5) + sine(2e3, 1e-3) + noise(1e-6))
    assert main(["measure", str(path), "-o", str(tmp_path / "tone.svg")]) == 0
    drawn = (tmp_path / "tone.svg").read_text(encoding="utf-8")
    for words in ("level, dBFS", "frequency, Hz", "harmonics, by number", "1 kHz"):
        assert words in drawn
    assert main(["measure", str(path), "-o", str(tmp_path / "tone.pdf")]) == 2
    assert ".svg" in capsys.readouterr().err


def test_curves_of_a_sweep_have_both_channels_on_one_plot_each() -> None:
    x = (20.0, 1e3, 20e3)
    curves = (
        Curve("response", "dB", "left", x, (-0.5, 0.0, -1.0), ("", "", "")),
        Curve("response", "dB", "right", x, (-3.0, 0.0, -1.0), ("", "", "")),
        Curve("thd", "%", "left", x, (1e-3, 1e-4, 2e-4), ("", "<", "")),
    )
    made = Measurement({"file": "sweep.wav"}, "sweep", None, (), curves=curves)
    response, thd = panels_of(made)
    assert [(s.label, s.x, s.y) for s in response.series] == [
        ("left", x, (-0.5, 0.0, -1.0)), ("right", x, (-3.0, 0.0, -1.0))]
    assert (response.y.unit, thd.y.unit, thd.y.logarithmic) == ("dB", "%", True)
    assert thd.series[0].bounds == ("", "<", "")
    with pytest.raises(InputError, match="no picture"):
        recording_figure(Measurement({"file": "trace.csv"}, "trace", None, ()))
