"""Lines and noise against synthetic waves of known content, scipy.signal, and the older fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.signals import waveform
from circuits.signals.spectrum import (
    LOBE,
    TERMS,
    fit,
    floor_of,
    line_rms,
    near,
    noise_rms,
    peaks,
    quick_length,
    refine,
    taper,
    wander,
    window,
    without,
)

RATE = 96e3
COUNT = quick_length(400_000)
AUDIO = (20.0, 20e3)


def times(count: int = COUNT, rate: float = RATE) -> np.ndarray:
    return np.arange(count) / rate


def quantised(wave: np.ndarray, bits: int = 24, seed: int = 1) -> np.ndarray:
    """As a converter with dither leaves it: two uniform steps added before rounding."""
    random = np.random.default_rng(seed)
    scale = 2.0 ** (bits - 1)
    dither = random.random(len(wave)) - random.random(len(wave))
    return np.round(wave * scale + dither) / scale


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def test_side_lobes_lie_180_db_down_beyond_seven_steps() -> None:
    """H.-H. Albrecht 2001: the window of seven terms has −180.5 dB; by numpy's own FFT."""
    count, finer = 4096, 32
    found = np.abs(np.fft.rfft(window(count), finer * count))
    assert db(found[LOBE * finer :].max() / found[0]) < -180.0
    assert db(found[(LOBE - 1) * finer : LOBE * finer].max() / found[0]) > -180.0


def test_the_window_by_horner_is_the_sum_of_cosines() -> None:
    """Those of scipy.signal; its window of N + 1 points ends where ours begins again."""
    other = scipy.signal.windows.general_cosine(1001, TERMS, sym=True)[:-1]
    assert window(1000) == pytest.approx(other, abs=1e-14)


def test_quick_lengths_have_no_other_factors() -> None:
    def plain(count: int) -> bool:
        for factor in (2, 3, 5):
            while count % factor == 0:
                count //= factor
        return count == 1

    for count in range(1, 700):
        assert quick_length(count) == max(n for n in range(1, count + 1) if plain(n))


def test_power_is_that_of_a_periodogram() -> None:
    """scipy.signal.periodogram with the same window, as power a step."""
    wave = np.random.default_rng(2).standard_normal(6000)
    tapered = taper(wave, RATE)
    _, density = scipy.signal.periodogram(wave, RATE, window=window(6000), detrend="constant")
    assert tapered.power[1:-1] == pytest.approx(density[1:-1] * tapered.step, rel=1e-9)


def test_noise_in_a_band_is_that_of_welch() -> None:
    wave = np.random.default_rng(3).standard_normal(COUNT) * 1e-3
    coloured = scipy.signal.lfilter([1.0], [1.0, -0.9], wave)
    frequencies, density = scipy.signal.welch(coloured, RATE, nperseg=1 << 14)
    inside = (frequencies >= 20.0) & (frequencies <= 20e3)
    theirs = math.sqrt(float(density[inside].sum() * (frequencies[1] - frequencies[0])))
    tapered = taper(coloured, RATE)
    ours = noise_rms(without(tapered, []), tapered.step, AUDIO)
    # most of this noise lies below 1.5 kHz: 6000 steps of it, known to 2 % or so of their power
    assert db(ours / theirs) == pytest.approx(0.0, abs=0.25)


def test_a_weighting_of_white_noise_is_minus_2_05_db() -> None:
    tapered = taper(np.random.default_rng(4).standard_normal(COUNT), RATE)
    plain, weighted = (noise_rms(tapered.power, tapered.step, AUDIO, w) for w in ("", "A"))
    assert db(weighted / plain) == pytest.approx(-2.05, abs=0.05)
    # σ²·(19980 Hz / 48 kHz), white noise of σ = 1
    assert plain == pytest.approx(math.sqrt(19980.0 / 48e3), rel=0.01)


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@given(
    st.floats(300.0, 4000.0),
    st.floats(0.05, 0.9),
    st.lists(st.floats(-110.0, -20.0), min_size=9, max_size=9),
    st.floats(0.0, 6.28),
)
def test_harmonics_down_to_minus_110_db_at_24_bit(
    frequency: float, size: float, levels: list[float], phase: float
) -> None:
    """Within 0.05 dB at any frequency, on a step or off it, beside hum, with dither.

    A tone of 0.05 has harmonics of −110 dB at −136 dB of full scale, the noise of 24 bit in the
    lobe at −190 dB.
    """
    time = times()
    wave = size * np.sin(2.0 * math.pi * frequency * time + phase)
    wave += 1e-3 * np.sin(2.0 * math.pi * 50.017 * time)
    for order, level in enumerate(levels, start=2):
        wave += size * 10.0 ** (level / 20.0) * np.cos(2.0 * math.pi * order * frequency * time)
    wave = quantised(wave)
    tapered = taper(wave, RATE)
    exact = refine(wave, RATE, near(tapered, frequency, 1.0))
    assert exact == pytest.approx(frequency, abs=1e-5)
    found = fit(tapered, [exact * k for k in range(1, 11)])
    assert np.abs(found.amplitudes[0]) == pytest.approx(size, rel=1e-6)
    for order, level in enumerate(levels, start=2):
        assert db(waveform.harmonic(found, order)) == pytest.approx(level, abs=0.05)


def test_a_line_has_its_phase() -> None:
    time = times(30_000)
    wave = 0.4 * np.cos(2.0 * math.pi * 440.3 * time + 1.0)
    found = fit(taper(wave, RATE), [440.3])
    assert found.amplitudes[0] == pytest.approx(0.4 * np.exp(1j), abs=1e-9)


def test_crowded_lines_are_told_apart() -> None:
    """Three lines within a lobe of each other, and one near zero: the least squares proper.

    The fit of `circuits.signals.waveform` on the same points, without a window, is the other
    opinion.
    """
    time = times(10_000)
    lines = {15.0: 0.3, 1000.0: 1.0, 1025.0: 0.01, 1060.0: 0.002}
    wave = sum(a * np.sin(2.0 * math.pi * f * time + f) for f, a in lines.items())
    found = fit(taper(wave, RATE), list(lines))
    other = waveform.lines(time, wave, list(lines), drift=0)
    for frequency, size in lines.items():
        assert found.at(frequency) == pytest.approx(size, abs=1e-7)
        assert found.at(frequency) == pytest.approx(other.at(frequency), abs=1e-7)


def test_frequencies_are_refined_as_the_older_way_does() -> None:
    time = times(20_000)
    wave = np.sin(2.0 * math.pi * 997.123 * time)
    start = near(taper(wave, RATE), 997.0, 5.0)
    assert refine(wave, RATE, start) == pytest.approx(997.123, abs=1e-7)
    assert waveform.tuned(time, wave, start) == pytest.approx(997.123, abs=1e-7)


def test_hum_lines_beside_a_strong_tone() -> None:
    """Within 0.1 dB, 30 to 100 dB below a tone of nearly full scale, at 16 bit and at 24."""
    time = times()
    for bits, levels in ((16, (-30.0, -60.0, -80.0)), (24, (-60.0, -80.0, -100.0))):
        wave = 0.9 * np.sin(2.0 * math.pi * 1000.37 * time)
        frequencies = [50.03 * k for k in (1, 2, 3)]
        for frequency, level in zip(frequencies, levels, strict=True):
            wave += 0.9 * 10.0 ** (level / 20.0) * np.sin(2.0 * math.pi * frequency * time)
        tapered = taper(quantised(wave, bits), RATE)
        rest = without(tapered, [1000.37, *frequencies])
        for frequency, level in zip(frequencies, levels, strict=True):
            rms, noise = line_rms(tapered, rest, near(tapered, frequency, 0.5))
            assert db(rms * math.sqrt(2.0) / 0.9) == pytest.approx(level, abs=0.1)
            assert noise < rms / 3.0


def test_noise_without_a_line_is_the_noise() -> None:
    noise = 1e-4 * np.random.default_rng(6).standard_normal(COUNT)
    wave = noise + 0.9 * np.sin(2.0 * math.pi * 3001.7 * times())
    alone, beside = taper(noise, RATE), taper(wave, RATE)
    ours = noise_rms(without(beside, [3001.7]), beside.step, AUDIO)
    assert db(ours / noise_rms(alone.power, alone.step, AUDIO)) == pytest.approx(0.0, abs=0.01)


def test_peaks_are_the_lines_and_nothing_else() -> None:
    noise = 1e-4 * np.random.default_rng(7).standard_normal(COUNT)
    time = times()
    lines = {60.2: 0.01, 1000.0: 0.5, 1003.0: 0.02, 30011.1: 0.001}
    wave = noise + sum(a * np.sin(2.0 * math.pi * f * time) for f, a in lines.items())
    found = peaks(taper(wave, RATE))
    assert [round(f, 1) for f, _ in found] == [1000.0, 1003.0, 60.2, 30011.1]
    assert [a for _, a in found] == pytest.approx([0.5, 0.02, 0.01, 0.001], rel=0.01)


def test_the_floor_is_the_mean_of_noise_however_many_lines_stand_on_it() -> None:
    noise = np.random.default_rng(8).standard_normal(COUNT)
    time = times()
    wave = noise + sum(30.0 * np.sin(2.0 * math.pi * 500.0 * k * time) for k in range(1, 90))
    floor = floor_of(taper(wave, RATE).power)
    expected = 2.0 / COUNT
    assert 10.0 * np.log10(np.median(floor) / expected) == pytest.approx(0.0, abs=0.3)
    # the lowest fifth of some hundred independent steps is known to 1 dB; this is the worst of 780
    assert np.abs(10.0 * np.log10(floor / expected)).max() < 4.0


def test_a_tone_that_wanders_is_seen_to() -> None:
    """Frequency rising by 0.5 Hz over the whole; between the middles of eight parts, 6/8 of it."""
    time = times()
    span = COUNT / RATE
    sweep = np.sin(2.0 * math.pi * (1000.0 * time + 0.25 * time**2 / span))
    assert wander(sweep, RATE, 1000.25) == pytest.approx(0.5 * 6.0 / 8.0, rel=0.01)
    assert wander(np.sin(2.0 * math.pi * 1000.1 * time), RATE, 1000.1) < 1e-6
