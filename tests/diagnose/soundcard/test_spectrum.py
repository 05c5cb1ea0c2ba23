"""The spectrum while a step waits: lines of known size, where they are and what they are called.

Outside: the lines that were put in (a sine of peak A of full scale is 20 lg A dBFS, AES17, from
memory), and of white noise of known power that it has none.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.recording.picture import HARMONIC, MAINS, SIGNAL
from diagnose.show.level_figure import live_spectrum
from diagnose.soundcard.spectrum import spectrum

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
