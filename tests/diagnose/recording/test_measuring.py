"""Recordings of known content: every figure against what was put in.

Sources stand beside each; Fourier series and the products of a polynomial are handbook knowledge,
worked out again here. Hum patterns and levels of trade are common practice.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from circuits.errors import InputError
from diagnose.recording.measurement import Measurement
from diagnose.recording.measuring import Options, measure
from diagnose.recording.recognise import SIGNALS, SWEEP
from tests.recordings import RATE, F, distorted, noise, taken, times, tones, write


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def value(made: Measurement, name: str, channel: str = "") -> float:
    item = made.item(name, channel)
    assert not item.bound, name
    return item.value


def test_the_worked_example_of_distortion_and_noise(tmp_path: Path) -> None:
    """H2 1 %, H3 0.5 %, noise 0.1 %: THD 1.1180 %, THD+N 1.1225 %, SINAD 39.00 dB (computed)."""
    # noise of 0.1 % of the tone's RMS within the band of 19980 Hz
    rms = 1e-3 * 0.5 / math.sqrt(2.0) * math.sqrt(RATE / 2.0 / 19980.0)
    made = taken(tmp_path, distorted(0.5, {2: 0.01, 3: 0.005}) + noise(rms))
    assert made.signal == "sine"
    assert value(made, "thd") == pytest.approx(0.011180, rel=2e-3)
    assert value(made, "thd+n") == pytest.approx(0.011225, rel=2e-3)
    assert -db(value(made, "thd+n")) == pytest.approx(39.00, abs=0.02)
    assert value(made, "harmonic 2") == pytest.approx(-40.0, abs=0.05)
    assert value(made, "harmonic 3") == pytest.approx(-46.02, abs=0.05)
    assert value(made, "snr") == pytest.approx(60.0, abs=0.15)
    assert made.item("snr, A-weighted").value == pytest.approx(60.0 + 2.05, abs=0.2)
    assert made.item("harmonic 7").bound == "<"
    assert value(made, "frequency") == pytest.approx(F, abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "per_cent"),
    [("square", 48.343), ("triangle", 12.115), ("sawtooth", 80.307), ("clipped at 0.95", 1.924),
     ("clipped at 0.9", 4.220), ("clipped at 0.8", 8.979), ("clipped at 0.5", 23.294)],
)
def test_waves_of_the_handbook(name: str, per_cent: float, tmp_path: Path) -> None:
    """All harmonics together against the fundamental, from the Fourier series.

    What a band of 20 kHz holds of them: of 100 Hz, the first 199; beyond lie, of power over that
    of the fundamental, Σ 1/k² of a square wave or sawtooth, next to nothing of the others. THD
    proper is that of harmonics 2 to 10.
    """
    turn = (np.arange(1 << 16) + 0.5) / (1 << 16)
    one = {
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "triangle": 4.0 * np.abs(turn - 0.5) - 1.0,
        "sawtooth": 2.0 * turn - 1.0,
    }.get(name)
    if one is None:
        limit = float(name.rsplit(" ", 1)[1])
        one = np.clip(np.sin(2.0 * math.pi * turn), -limit, limit)
    series = 2.0 * np.fft.rfft(one)[1:200] / len(one)
    sizes = np.abs(series)
    whole = float((one**2).mean() * 2.0 / sizes[0] ** 2 - 1.0)
    assert math.sqrt(whole) == pytest.approx(per_cent / 100.0, rel=1e-4)
    wave = 0.4 * sum(
        abs(c) * np.cos(2.0 * math.pi * 100.0 * k * times() + np.angle(c))
        for k, c in enumerate(series, start=1)
    )
    made = taken(tmp_path, wave, told=Options(signal="sine"))
    inside = float(np.linalg.norm(sizes[1:]) / sizes[0])
    assert value(made, "thd+n") == pytest.approx(inside, rel=1e-4)
    # beyond the band: Σ 1/k² from 200 on is 1/200, half of it for odd orders
    beyond = {"square": 1.0 / 400.0, "sawtooth": 1.0 / 200.0}.get(name, 0.0)
    assert math.hypot(inside, math.sqrt(beyond)) == pytest.approx(per_cent / 100.0, rel=2e-3)
    assert value(made, "thd") == pytest.approx(np.linalg.norm(sizes[1:10]) / sizes[0], rel=1e-4)


def test_the_noise_of_16_bits(tmp_path: Path) -> None:
    """6.02·16 + 1.76 = 98.1 dB over all of half the rate; dither of two steps adds 4.77 dB."""
    made = taken(tmp_path, tones({F: 1.0 - 3e-5}), bits=16)
    expected = 6.02 * 16 + 1.76 - 4.77 + 10.0 * math.log10(RATE / 2.0 / 19980.0)
    assert value(made, "snr") == pytest.approx(expected, abs=0.2)


def test_levels_and_volts(tmp_path: Path) -> None:
    """AES17: a sine that just reaches full scale is 0 dBFS; told as +20 dBu, it is 7.746 V RMS."""
    wave = distorted(0.5, {2: 0.01})
    assert "V" not in {item.unit for item in taken(tmp_path, wave).items}
    made = taken(tmp_path, wave, told=Options(full_scale=7.746))
    assert [item.unit for item in made.items if item.name == "level"] == ["V", "dBFS"]
    assert made.items[0].value == pytest.approx(7.746 / 2.0, rel=1e-4)
    assert made.items[1].value == pytest.approx(-6.02, abs=0.005)
    thd = next(m for m in made.readings() if m.reading.quantity == "thd")
    assert thd.reading.level == ("output level", 3.873)
    assert thd.reading.frequency == 997.0


def test_without_volts_a_note_says_so_and_how_to_tell_them(tmp_path: Path) -> None:
    made = taken(tmp_path, distorted(0.5, {2: 0.01}) + tones({100.0: 1e-3}))
    assert any("--full-scale" in note for note in made.notes)
    kinds = {m.reading.quantity for m in made.readings()}
    # a hum has no place on a sheet without volts: neither absolute nor beside a level
    assert kinds == {"thd", "harmonic", "thd+n"}
    assert all(m.reading.level is None for m in made.readings())


@pytest.mark.parametrize(
    ("first", "second", "sizes", "expected"),
    [(19e3, 20e3, (0.5, 0.5), (0.00249, 0.000748)), (60.0, 7e3, (0.8, 0.2), (0.01594, 0.00382))],
)
def test_intermodulation_of_a_polynomial(
    first: float, second: float, sizes: tuple[float, float], expected: tuple[float, float],
    tmp_path: Path,
) -> None:
    """With x + .01 x² + .004 x³: d2 .249 %, d3 .0748 %; m2 1.594 %, m3 .382 % (trigonometry)."""
    for off in (1.0, 1.00031):
        x = tones({first * off: sizes[0], second * off: sizes[1]}, 4.0, 96000)
        wave = 0.7 * (x + 0.01 * x**2 + 0.004 * x**3)
        made = taken(tmp_path, wave, rate=96000)
        kind = "difference tone" if first > 1e3 else "modulation"
        assert made.signal == kind
        assert value(made, f"{kind}, second order") == pytest.approx(expected[0], rel=3e-3)
        assert value(made, f"{kind}, third order") == pytest.approx(expected[1], rel=3e-3)
        assert value(made, "imd") == pytest.approx(math.hypot(*expected), rel=3e-3)
    (reading,) = made.readings()
    assert reading.reading.tones == (first, second)
    assert reading.reading.ratio == 0.0


def test_crosstalk_and_its_limit(tmp_path: Path) -> None:
    driven = distorted(0.5, {2: 0.001})
    made = taken(tmp_path, driven, tones({F: 0.5 * 10.0 ** (-62.0 / 20.0)}))
    assert value(made, "crosstalk", "right") == pytest.approx(-62.0, abs=0.05)
    assert [m.reading.quantity for m in made.readings("right")] == ["crosstalk"]
    assert any("--driven both" in note for note in made.notes)
    quiet = made = taken(tmp_path, noise(1e-5), driven)
    item = quiet.item("crosstalk", "left")
    assert item.bound == "<"
    # noise of 1e-5 over 4 s hides what lies 100 dB below its own power or so
    assert -150.0 < item.value < -115.0
    both = taken(tmp_path, driven, 0.01 * driven, told=Options(driven="both"))
    assert value(both, "thd", "right") == pytest.approx(0.001, rel=0.01)
    assert both.item("balance, right over left").value == pytest.approx(-40.0, abs=0.01)


@pytest.mark.parametrize("degrees", [-170.0, -45.0, 0.3, 90.0])
def test_phase_and_balance_of_two_channels(degrees: float, tmp_path: Path) -> None:
    time = times(2.0)
    left = 0.5 * np.sin(2.0 * math.pi * F * time)
    right = 0.4 * np.sin(2.0 * math.pi * F * time + math.radians(degrees))
    made = taken(tmp_path, left, right)
    assert made.item("phase, right against left").value == pytest.approx(degrees, abs=0.01)
    assert made.item("balance, right over left").value == pytest.approx(db(0.8), abs=1e-3)


@pytest.mark.parametrize(
    ("orders", "says"),
    [({1: 1.0, 3: 0.4, 5: 0.2}, "stray pick-up"), ({2: 1.0, 4: 0.3, 6: 0.1}, "full-wave"),
     ({k: 1.0 / k for k in range(1, 9)}, "half-wave")],
)
@pytest.mark.parametrize("signal", [0.0, 0.5])
def test_the_pattern_of_hum_is_named(
    orders: dict[int, float], says: str, signal: float, tmp_path: Path
) -> None:
    """A mains of 49.97 Hz; half-wave ripple is a sawtooth, whose lines fall as 1/k."""
    lines = {49.97 * k: 3e-4 * a for k, a in orders.items()}
    made = taken(tmp_path, tones(lines | ({F: signal} if signal else {})) + noise(1e-5),
                 told=Options(full_scale=2.0))
    assert made.signal == ("sine" if signal else "silence")
    ((_, text),) = made.hum
    assert says in text
    for k, a in orders.items():
        found = value(made, f"hum at {50 * k} Hz")
        assert (found if signal else db(found)) == pytest.approx(
            db(3e-4 * a / signal) if signal else db(3e-4 * a * 2.0), abs=0.1
        )
    hum = [m.reading for m in made.readings() if m.reading.quantity == "hum"]
    assert hum[0].frequency == 50.0
    assert (hum[0].unit, hum[0].level is None) == (("dB", False) if signal else ("V", True))


def test_the_other_mains_is_noticed(tmp_path: Path) -> None:
    wave = tones({60.02: 1e-3, 180.06: 3e-4}) + noise(1e-5)
    assert any("--mains 60" in note for note in taken(tmp_path, wave).notes)
    made = taken(tmp_path, wave, told=Options(mains=60.0))
    assert not any("--mains" in note for note in made.notes)
    assert "pick-up" in made.hum[0][1]


def test_a_note_says_which_channel_it_is_of(tmp_path: Path) -> None:
    """The mains of 60 Hz hums in the right channel alone."""
    hum = tones({60.02: 1e-3, 180.06: 3e-4}) + noise(1e-5)
    made = taken(tmp_path, noise(1e-5, seed=5), hum)
    said = [note for note in made.notes if "--mains 60" in note]
    assert [note.partition(":")[0] for note in said] == ["right"]


def test_noise_in_volts(tmp_path: Path) -> None:
    """White noise of 1e-4 up to 24 kHz, full scale 2 V RMS of a sine, so 2.828 V a unit."""
    made = taken(tmp_path, noise(1e-4), told=Options(full_scale=2.0))
    assert made.signal == "silence"
    plain = 1e-4 * 2.0 * math.sqrt(2.0) * math.sqrt(19980.0 / (RATE / 2.0))
    assert value(made, "noise and hum") == pytest.approx(plain, rel=0.02)
    assert db(value(made, "noise and hum, A-weighted") / plain) == pytest.approx(-2.05, abs=0.2)
    # behind the detector, 4.0 dB above the RMS value: see the test of the detector
    peak, rms = (value(made, f"noise and hum, ITU-R 468 {w}")
                 for w in ("quasi-peak", "weighted, RMS"))
    assert db(peak / rms) == pytest.approx(4.0, abs=0.3)
    assert [m.reading.weighting for m in made.readings()[:2]] == ["", "A"]


def test_many_tones_as_bits(tmp_path: Path) -> None:
    """31 tones over noise of a known power: (dB − 1.76) / 6.02 bits."""
    lines = {float(f): 0.02 for f in np.geomspace(20.3, 19e3, 31)}
    made = taken(tmp_path, tones(lines) + noise(1e-4))
    assert made.signal == "tones"
    assert value(made, "tones") == 31
    below = db(1e-4 * math.sqrt(19980.0 / 24e3) / (0.02 * math.sqrt(31 / 2.0)))
    assert value(made, "distortion and noise under the tones") == pytest.approx(below, abs=0.1)
    assert value(made, "the same as bits") == pytest.approx((-below - 1.76) / 6.02, abs=0.02)


def test_a_square_wave(tmp_path: Path) -> None:
    """One pole at 4 kHz: ln 9 / 2π·4 kHz = 87.4 µs (its harmonics summed from the series)."""
    time, wave = times(2.0, 96000), np.zeros(192000)
    for k in range(1, 157, 2):
        response = 0.5 / (1.0 + 1j * k * 303.0 / 4e3) * 4.0 / (math.pi * k)
        wave += np.abs(response) * np.sin(2.0 * math.pi * k * 303.0 * time + np.angle(response))
    made = taken(tmp_path, wave, rate=96000, told=Options(full_scale=1.0))
    assert made.signal == "square"
    assert value(made, "rise time") == pytest.approx(87.4e-6, rel=0.02)
    assert value(made, "overshoot") < 0.005
    assert [m.reading.quantity for m in made.readings()] == ["rise time", "overshoot"]


def test_a_tone_that_starts_late_is_measured_where_it_is_steady(tmp_path: Path) -> None:
    wave = distorted(0.5, {3: 1e-4})
    wave[: round(1.1 * RATE)] *= 1e-4
    made = taken(tmp_path, wave)
    assert value(made, "harmonic 3") == pytest.approx(-80.0, abs=0.05)
    assert any("s of the recording are used" in note for note in made.notes)


def test_a_tone_that_wanders_keeps_its_harmonics(tmp_path: Path) -> None:
    """An oscillator that moves by 0.3 Hz in four seconds: read over a shorter stretch."""
    time = times()
    phase = 2.0 * math.pi * (1000.0 * time + 0.0375 * time**2)
    made = taken(tmp_path, 0.5 * np.sin(phase) + 5e-4 * np.sin(5.0 * phase))
    assert made.about["used"]["to"] - made.about["used"]["from"] < 2.5
    assert value(made, "harmonic 5") == pytest.approx(-60.0, abs=0.1)


def test_what_the_rate_does_not_hold_is_said(tmp_path: Path) -> None:
    """32 kHz hold harmonics 2 and 3 of 5 kHz, and a band of 14.4 kHz."""
    made = taken(tmp_path, tones({5e3: 0.5, 10e3: 5e-3}, rate=32000), rate=32000)
    assert {i.name for i in made.items if i.name.startswith("harmonic")} == {
        "harmonic 2", "harmonic 3"}
    assert sum("this rate" in note or "sampling rate" in note for note in made.notes) == 2
    whole = next(m.reading for m in made.readings() if m.reading.quantity == "thd+n")
    assert whole.band == (20.0, 14400.0)
    above = taken(tmp_path, tones({18e3: 0.5}), told=Options(signal="sine"))
    assert any("no harmonics" in note for note in above.notes)
    assert "thd" not in {i.name for i in above.items}


def test_clipping_by_the_recorder_is_said_and_that_of_the_unit_is_measured(tmp_path: Path) -> None:
    loud = 1.2 * np.sin(2.0 * math.pi * F * times())
    within = taken(tmp_path, np.clip(loud, -0.6, 0.6))
    beyond = taken(tmp_path, np.clip(loud, -1.0, 1.0))
    assert not any("clips" in note for note in within.notes)
    assert any("the recorder clips" in note for note in beyond.notes)


def test_one_channel_of_two(tmp_path: Path) -> None:
    waves = distorted(0.5, {2: 0.01}), distorted(0.4, {2: 0.001})
    made = taken(tmp_path, *waves, told=Options(channel="right"))
    assert made.channels == ()
    assert value(made, "thd") == pytest.approx(0.001, rel=1e-3)
    with pytest.raises(InputError, match="one channel"):
        taken(tmp_path, waves[0], told=Options(channel="left"))
    dead = taken(tmp_path, waves[0])
    path = write(tmp_path / "dead.wav", waves[0], 0.0 * waves[0])
    assert any("right channel holds nothing" in note for note in measure(path).notes)
    assert measure(path).item("thd", "left").value == pytest.approx(value(dead, "thd"), rel=1e-3)
    with pytest.raises(InputError, match="zeros"):
        measure(path, Options(channel="right"))


@pytest.mark.parametrize("told", [word for word in SIGNALS if word != SWEEP])
def test_a_signal_that_is_told_is_believed(told: str, tmp_path: Path) -> None:
    wave = tones(dict.fromkeys((1000.0, 1130.0, 5000.0, 5670.0), 0.1)) + noise(1e-4)
    if told == "square":
        with pytest.raises(InputError, match="square"):
            taken(tmp_path, noise(1e-4), told=Options(signal=told))
    else:
        assert taken(tmp_path, wave, told=Options(signal=told)).signal == told


def test_what_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be told") as caught:
        taken(tmp_path, tones({1000.0: 0.1, 2700.0: 0.09}))
    assert "--signal" in str(caught.value)
    with pytest.raises(InputError, match="no difference tone"):
        taken(tmp_path, tones({1000.0: 0.5}), told=Options(signal="difference tone"))
