"""Signals to play against closed forms: level, frequencies, crest, and where pilots stand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.curves import riaa_db
from circuits.errors import InputError
from circuits.signals.pilot import find
from circuits.signals.sweep import planned, replay
from diagnose.stimulus.samples import layout, samples
from diagnose.stimulus.signal import Signal

RATE = 48000.0


def body(signal: Signal, rate: float = RATE) -> np.ndarray:
    """The signal without pilots and silences."""
    plan = layout(signal, rate)
    first, last = (round((plan.lead + at) * rate) for at in (plan.begin, plan.end))
    return samples(signal, rate)[0, first:last]


def lines(wave: np.ndarray, rate: float, frequencies: list[float]) -> np.ndarray:
    """Peak amplitudes of tones by the definition of the Fourier sum over whole periods."""
    time = np.arange(len(wave)) / rate
    return np.array([2.0 * abs(np.mean(wave * np.exp(-2j * math.pi * f * time)))
                     for f in frequencies])


def middle(wave: np.ndarray, seconds: float = 1.0) -> np.ndarray:
    count = round(seconds * RATE)
    first = (len(wave) - count) // 2
    return wave[first : first + count]


def test_a_sine_has_its_level_and_nothing_else() -> None:
    wave = middle(body(Signal("sine", 3.0, -20.0)))
    assert lines(wave, RATE, [1000.0])[0] == pytest.approx(0.1, rel=1e-9)
    assert math.sqrt(2.0 * float(np.square(wave).mean())) == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "tones", "ratio"),
    [("difference tone", [19000.0, 20000.0], 1.0), ("modulation", [60.0, 7000.0], 4.0)],
)
def test_two_tones_have_their_ratio_and_the_level_of_both(
    kind: str, tones: list[float], ratio: float
) -> None:
    """IEC 60268-3 (from memory): 19 and 20 kHz alike, and 60 Hz four times 7 kHz."""
    low, high = lines(middle(body(Signal(kind, 3.0, -12.0))), RATE, tones)
    assert low / high == pytest.approx(ratio, rel=1e-9)
    assert math.hypot(low, high) == pytest.approx(10.0 ** (-12.0 / 20.0), rel=1e-9)


def test_many_tones_are_thirty_and_alike() -> None:
    wave = middle(body(Signal("tones", 3.0, -20.0)))
    spectrum = np.abs(np.fft.rfft(wave)) * 2.0 / len(wave)
    tones = spectrum[spectrum > 1e-6]
    assert len(tones) == 30
    assert tones == pytest.approx(np.full(30, 0.1 / math.sqrt(30.0)), rel=1e-9)


def test_a_square_wave_is_its_fourier_series_up_to_its_band() -> None:
    """Amplitude 4/π·A/k, odd k alone; RMS of a square of ±A is A."""
    wave = middle(body(Signal("square", 3.0, -20.0)))
    size = 0.1 / math.sqrt(2.0)
    spectrum = np.abs(np.fft.rfft(wave)) * 2.0 / len(wave)
    for order in (1, 3, 21):
        assert spectrum[1000 * order] == pytest.approx(4.0 / math.pi * size / order, rel=1e-9)
    assert spectrum[[2000, 4000, 23000]].max() < 1e-12
    # the overshoot of a cut series, 8.95 % of the step (Gibbs)
    assert np.abs(wave).max() == pytest.approx(1.179 * size, rel=0.01)


def test_bursts_are_twenty_periods_of_five_hundred_and_steps_one_decibel() -> None:
    wave = body(Signal("bursts", 2.0, 0.0))
    loud = np.abs(wave[24000:48000].reshape(-1, 48)).max(axis=1)  # by periods
    assert (loud > 0.9).sum() == 20
    assert loud[30:-30] == pytest.approx(np.full(440, 0.1), rel=1e-6)
    steps = body(Signal("steps", 5.0, 0.0))
    sizes = [lines(steps[k * 24000 + 9600 : k * 24000 + 14400], RATE, [1000.0])[0]
             for k in range(10)]
    assert 20.0 * np.log10(sizes) == pytest.approx(np.arange(-9.0, 1.0), abs=1e-6)


def test_silence_is_silent_between_its_pilots() -> None:
    assert not body(Signal("silence", 2.0)).any()


def test_a_sweep_has_its_frequency_at_its_time() -> None:
    """f₁·e^(t/L), by counting crossings of zero."""
    signal = Signal("sweep", 5.0, 0.0)
    plan = planned((20.0, 20e3), 5.0, RATE)
    wave = body(signal)
    crossings = np.flatnonzero(np.diff(np.signbit(wave[: round(plan.when(2000.0) * RATE)])))
    assert len(crossings) / 2.0 == pytest.approx(plan.constant * (2000.0 - plan.first), abs=1.0)
    assert (plan.first * plan.constant) % 1.0 == pytest.approx(0.0, abs=1e-9)
    flat = np.abs(wave[round(plan.when(21.0) * RATE) : round(plan.when(19e3) * RATE)])
    assert flat.max() == pytest.approx(1.0, abs=1e-3)


def test_a_shaped_sweep_behind_the_replay_curve_is_the_plain_one() -> None:
    plain, shaped = (body(Signal("sweep", 3.0, -30.0, shaped=word)) for word in (False, True))
    # the levels at which it plays are the inverse of the curve of IEC 60098
    plan = planned((20.0, 20e3), 3.0, RATE)
    for frequency in (100.0, 1000.0, 10e3):
        place = round(float(plan.when(frequency)) * RATE)
        period = round(RATE / frequency)
        around = slice(place - period, place + period)
        gain = 20.0 * math.log10(np.abs(shaped[around]).max() / np.abs(plain[around]).max())
        assert gain == pytest.approx(-float(riaa_db(frequency)), abs=0.4)
    length = 1 << (len(plain).bit_length() + 1)
    back = np.fft.rfft(shaped, length) * replay(np.fft.rfftfreq(length, 1.0 / RATE))
    assert np.abs(np.fft.irfft(back, length)[: len(plain)] - plain).max() < 1e-4


@pytest.mark.parametrize("kind", ["sine", "tones", "sweep", "silence", "bursts"])
@pytest.mark.parametrize("rate", [8000.0, 44100.0])
def test_pilots_stand_where_the_layout_says(kind: str, rate: float) -> None:
    signal = Signal(kind, 2.0, channels="right", shaped=kind == "sweep", level=-30.0)
    made = samples(signal, rate)
    plan = layout(signal, rate)
    found = find(made, rate)
    assert made.shape == (2, round(plan.seconds * rate))
    assert not made[0].any()
    assert found.channel == 1
    assert found.start == pytest.approx(plan.lead, abs=0.01 / rate)
    assert found.apart == plan.apart
    assert found.ppm == pytest.approx(0.0, abs=0.01)
    assert found.shaped == signal.shaped


@pytest.mark.parametrize("kind", ["sine", "square", "difference tone", "modulation", "tones"])
def test_nothing_thumps(kind: str) -> None:
    """At either end the wave comes out of zero: no step of more than a thousandth of its peak."""
    frequencies = (60.0, 3e3) if kind == "modulation" else ()
    wave = body(Signal(kind, 2.0, 0.0 if kind == "sine" else -10.0, frequencies))
    peak = float(np.abs(wave).max())
    for end in (wave[:10], wave[::-1][:10]):
        assert abs(end[0]) < 1e-3 * peak
        assert np.abs(end).max() < 0.02 * peak


@pytest.mark.parametrize(
    ("signal", "rate", "said"),
    [
        (Signal("sinus"), RATE, "did you mean: sine"),
        (Signal("sine", channels="stereo"), RATE, "there is no channel"),
        (Signal("sine", level=3.0), RATE, "-140 dBFS to 0 dBFS"),
        (Signal("tones", level=0.0), RATE, "a level of -6.[0-9] dBFS or less"),
        (Signal("sweep", shaped=True, level=-10.0), RATE, "a level of -1[0-9.]+ dBFS or less"),
        (Signal("difference tone"), 8000.0, "19 kHz cannot be played at 8 kHz"),
        (Signal("sweep", band=(10.0, 20e3)), RATE, "20 Hz or more"),
        (Signal("sine", frequencies=(1.0, 2.0)), RATE, "takes one frequency"),
        (Signal("sine", shaped=True), RATE, "belongs to a sweep"),
        (Signal("sine"), 4000.0, "8 kHz to 192 kHz"),
        (Signal("sine", 0.1), RATE, "0.5 s to 600 s"),
        (Signal("tones", band=(5e3, 100.0)), RATE, "from a low frequency to a high one"),
    ],
)
def test_what_cannot_be_played_says_what_could(signal: Signal, rate: float, said: str) -> None:
    with pytest.raises(InputError, match=said):
        samples(signal, rate)
