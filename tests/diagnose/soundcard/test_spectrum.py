"""The spectrum while a step waits: lines of known size, where they are and what they are called.

Outside: the lines that were put in (a sine of peak A of full scale is 20 lg A dBFS, AES17, from
memory), and of white noise of known power that it has none.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.recording.picture import HARMONIC, MAINS, SIGNAL
from diagnose.show.level_figure import live_spectrum, take_spectrum
from diagnose.soundcard.spectrum import of_take, spectrum
from diagnose.soundcard.taken import Wave

RATE = 48e3
TIME = np.arange(24000) / RATE
Floats = np.ndarray


def wave(lines: dict[float, float], noise: float = 1e-7) -> Floats:
    """Sines of these peaks at these Hz, with noise, RMS."""
    made: Floats = np.random.default_rng(5).normal(0.0, noise, len(TIME))
    for k, (frequency, peak) in enumerate(lines.items()):
        made += peak * np.sin(2.0 * np.pi * frequency * TIME + k)
    return made


def test_a_tone_its_harmonics_and_the_mains_are_named_at_their_level() -> None:
    put = {997.3: 0.2, 1994.6: 2e-4, 2991.9: 1e-4, 50.0: 1e-3, 150.0: 3e-4}
    found = {line.frequency: line for line in spectrum(wave(put), RATE).lines}
    assert len(found) == len(put)
    for (frequency, peak), line in zip(sorted(put.items()), found.values(), strict=True):
        assert line.frequency == pytest.approx(frequency, abs=0.1)
        assert line.level(None)[0] == pytest.approx(20.0 * math.log10(peak), abs=0.1)
    assert [(line.kind, line.name) for line in found.values()] == [
        (MAINS, "50"), (MAINS, "150"), (SIGNAL, "997 Hz"), (HARMONIC, "2"), (HARMONIC, "3")]


def test_hum_of_a_mains_of_60_hertz_is_no_tone() -> None:
    lines = spectrum(wave({60.0: 0.1, 120.0: 0.01}), RATE, 60.0).lines
    assert [(line.kind, line.name) for line in lines] == [(MAINS, "60"), (MAINS, "120")]


@pytest.mark.parametrize("noise", [0.0, 1e-6, 1e-2])
def test_noise_and_silence_have_no_lines(noise: float) -> None:
    assert spectrum(wave({}, noise), RATE).lines == ()


def test_what_came_in_first_is_too_short_for_a_spectrum() -> None:
    assert spectrum(np.zeros(3), RATE).lines == ()
    assert "<svg" in live_spectrum(spectrum(np.zeros(3), RATE), 400.0)


def test_it_is_drawn_with_units_between_the_same_ends_whatever_comes_in() -> None:
    loud = live_spectrum(spectrum(wave({997.3: 0.2, 50.0: 1e-3}), RATE), 560.0)
    soft = live_spectrum(spectrum(wave({}, 1e-6), RATE), 560.0)
    for drawn in (loud, soft):
        assert 'data-reach="20 20000 -150 20"' in drawn
        assert "Hz" in drawn
        assert "dBFS" in drawn
        # kinds are told apart by marks and names, not by colour alone
        assert "mains lines, Hz" in drawn
    assert ">50</text>" in loud
    assert "997 Hz" in loud


def heard(lines: dict[float, float], tones: tuple[float, ...], swept: bool = False) -> Wave:
    """A take of these lines, of which these were played; 2 V RMS fill the card."""
    return Wave(wave(lines), RATE, tones, swept, 2.0)


def test_a_take_has_what_was_played_its_harmonics_and_the_mains_at_their_volts() -> None:
    put = {1000.0: 0.5, 2000.0: 5e-4, 50.0: 1e-3}
    found = of_take(heard(put, (1000.0,))).lines
    assert [(line.kind, line.name) for line in found] == [
        (MAINS, "50"), (SIGNAL, "1 kHz"), (HARMONIC, "2")]
    # a sine of peak A, of a full scale of 2 V RMS, is 2 A V RMS
    for (_, peak), line in zip(sorted(put.items()), found, strict=True):
        assert line.rms * math.sqrt(2.0) * 2.0 == pytest.approx(2.0 * peak, rel=0.01)
    drawn = take_spectrum(of_take(heard(put, (1000.0,))), 2.0, 560.0)
    for words in ("level, RMS", "harmonics, by number", "mains lines, Hz", "all that was heard"):
        assert words in drawn


def test_of_many_tones_none_is_taken_for_a_harmonic_and_a_sweep_has_no_lines() -> None:
    tones = (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
    found = of_take(heard(dict.fromkeys(tones, 0.1), tones)).lines
    assert {line.kind for line in found} == {SIGNAL}
    assert len(found) == len(tones)
    assert of_take(heard({50.0: 0.1, 1000.0: 0.1}, (), True)).lines == ()
    assert of_take(Wave(np.zeros(3), RATE, (), False, 2.0)).lines == ()
