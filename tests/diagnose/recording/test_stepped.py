"""Level steps through a unit that clips, against the closed form of a clipped sine."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as scipy_signal
from scipy.optimize import brentq

from diagnose.recording.measurement import sheet_lines
from diagnose.recording.measuring import Options, measure
from diagnose.stimulus.samples import samples
from diagnose.stimulus.signal import Signal
from tests.recordings import RATE, dithered, noise, write

CLIP = 0.4


def clipped(size: float) -> tuple[float, float]:
    """Distortion (2 to 10) and RMS of a clipped sine of that peak, by its Fourier sum."""
    turn = 2.0 * math.pi * (np.arange(20000) + 0.5) / 20000
    lines = 2.0 * np.abs(np.fft.rfft(np.clip(size * np.sin(turn), -CLIP, CLIP))) / 20000
    return (math.sqrt(float(np.square(lines[2:11]).sum())) / float(lines[1]),
            math.sqrt(float(np.square(lines[1:]).sum()) / 2.0))


@pytest.mark.slow
def test_maximum_output_is_that_of_a_clipped_sine(tmp_path: Path) -> None:
    """Within 0.1 dB at 1 and at 10 %, though steps lie 1 dB apart."""
    fine = scipy_signal.resample_poly(samples(Signal("steps", 8.0, -3.0), float(RATE))[0], 4, 1)
    wave = scipy_signal.resample_poly(np.clip(fine, -CLIP, CLIP), 1, 4)
    path = write(tmp_path / "x.wav", dithered(wave + noise(1e-5, len(wave) / RATE)))
    made = measure(path, Options(full_scale=40.0))
    assert made.signal == "steps"
    for wanted, word in ((0.01, "1 %"), (0.1, "10 %")):
        size = brentq(lambda a: clipped(a)[0] - wanted, 1.0001 * CLIP, 3.0 * CLIP)  # noqa: B023
        volts = clipped(size)[1] * math.sqrt(2.0) * 40.0
        read = made.item(f"maximum output at {word} thd").value
        assert 20.0 * math.log10(read / volts) == pytest.approx(0.0, abs=0.1)
    assert "quantity: maximum output, frequency: 1 kHz, thd: 1 %" in sheet_lines(made)


def test_a_steady_tone_is_no_steps(tmp_path: Path) -> None:
    wave = samples(Signal("sine", 3.0, -20.0), float(RATE))[0]
    assert measure(write(tmp_path / "x.wav", dithered(wave))).signal == "sine"


def test_steps_that_do_not_clip_have_no_maximum(tmp_path: Path) -> None:
    wave = samples(Signal("steps", 3.0, -20.0), float(RATE))[0]
    made = measure(write(tmp_path / "x.wav", dithered(wave)))
    assert made.item("steps").value == 6.0
    assert made.item("greatest level").value == pytest.approx(-20.0, abs=0.01)
    assert not any("maximum output" in item.name for item in made.items)
