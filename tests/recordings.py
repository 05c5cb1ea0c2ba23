"""Synthetic recordings, written as a recorder writes them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from diagnose.recording.measurement import Measurement
from diagnose.recording.measuring import Options, measure

RATE = 48000
SECONDS = 4.0
F = 997.123
"""Hz; on no step of any spectrum here."""
Wave = np.ndarray


def times(seconds: float = SECONDS, rate: int = RATE) -> Wave:
    return np.arange(round(seconds * rate)) / rate


def tones(lines: Mapping[float, float], seconds: float = SECONDS, rate: int = RATE) -> Wave:
    """Sines of the given frequencies and peak amplitudes, each with a phase of its own."""
    time = times(seconds, rate)
    made = np.zeros_like(time)
    for frequency, size in lines.items():
        made += size * np.sin(2.0 * math.pi * frequency * time + frequency)
    return made


def noise(rms: float, seconds: float = SECONDS, rate: int = RATE, seed: int = 11) -> Wave:
    """White, of that RMS value up to half the rate."""
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * rate))


def dithered(wave: Wave, bits: int = 24) -> Wave:
    random = np.random.default_rng(12)
    return wave + (random.random(wave.shape) - random.random(wave.shape)) * 2.0 ** (1 - bits)


def write(
    path: Path, *channels: Wave, rate: int = RATE, subtype: str = "PCM_24", form: str = "WAV"
) -> Path:
    soundfile.write(path, np.stack(channels, axis=1), rate, subtype=subtype, format=form)
    return path


def taken(path: Path, *channels: Wave, rate: int = RATE, bits: int = 24,
          told: Options | None = None) -> Measurement:
    """Write the channels with dither, and measure the file."""
    waves = [dithered(c, bits) for c in channels]
    return measure(write(path / "x.wav", *waves, rate=rate, subtype=f"PCM_{bits}"), told)


def distorted(size: float, harmonics: dict[int, float], frequency: float = F) -> Wave:
    return tones({frequency: size} | {frequency * k: size * a for k, a in harmonics.items()})
