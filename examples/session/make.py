"""Make the recordings and sweeps of an invented session at the bench, and say what a meter shows.

    python examples/session/make.py [FOLDER]

The amplifier does not exist. It is a unit that the shipped stage file does not quite describe
(`diagnose.studies.foreign_units`: other devices, layout and values), drawn from a seed and
simulated, with one fault in its right channel, `PLANTED`. Both channels hang on the same supply.
Written are the sweeps of both channels, and two recordings in stereo whose digital full scale is
`FULL_SCALE`:
the inputs terminated, and a tone of 1 kHz. The sheet beside this file was filled in from them.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from circuits.bench.take import take
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.channels import is_shared
from diagnose.studies.foreign_units import foreign, normal_draw
from faultlib.fault import Fault
from faultlib.simulate import Variant, unit
from faultlib.tolerance import Spread

Floats = NDArray[np.float64]

STAGE = "phono-two-transistor"
PLANTED = Fault("C10", "capacitance loss", 0.12)
"""The supply decoupling of the right channel has 12 % of its capacitance left."""
SHARED = ("vcc",)
SEED = 5
GENERATOR = 5e-3
"""V RMS."""
FULL_SCALE = 1.0
"""V RMS of a sine that just reaches digital full scale of the recorder."""
RATE, SECONDS = 48000, 4.0
MAINS = 49.98
"""Hz; the mains is never quite 50 Hz."""
LINES = (1, 2, 3, 4)
"""Multiples of the mains that the recordings hold."""
METER = ("c1", "e1", "c2", "e2", "vd")
"""Test points in the order in which they were read."""
THIRDS = tuple(float(f"{1000.0 * 10.0 ** (k / 10.0):.3g}") for k in range(-17, 14))
"""Hz, thirds of an octave from 20 Hz to 20 kHz."""
_SWEEP_NOISE = 0.03
"""dB, how well an analyser repeats itself."""
BANDS = np.geomspace(10.0, 23e3, 24)
"""Hz, edges of the bands by whose noise the recording's is shaped."""
_RECORDER = 0.5e-6
"""V RMS, noise of the recorder itself."""
_TOLD = 3
"""Digits that a meter of 3½ digits always has."""


@dataclass(frozen=True)
class Channel:
    """One channel of the unit, as the virtual bench reads it.

    Attributes
    ----------
    volts : mapping of str to float
        Direct voltage of every point of `METER`.
    gain : mapping of float to float
        dB by frequency.
    hum : mapping of int to float
        V RMS by multiple of the mains.
    noise : (n,) array
        V RMS in each of the `BANDS`.
    harmonics : (2,) array
        Second and third of the tone, as ratios to it.
    """

    volts: Mapping[str, float]
    gain: Mapping[float, float]
    hum: Mapping[int, float]
    noise: Floats
    harmonics: Floats


def session() -> tuple[dict[str, Channel], np.random.Generator]:
    """Both channels of the invented unit, and the random numbers that readings go on with."""
    random = np.random.default_rng(SEED)
    made = foreign(load_stage(STAGE), random)
    left, right = normal_draw(made, random), normal_draw(made, random)
    built = {
        "left": unit(made, Variant((), left)),
        "right": unit(made, Variant((PLANTED,), _on_supply_of(left, right))),
    }
    return {name: _read(stage) for name, stage in built.items()}, random


def _on_supply_of(
    left: tuple[tuple[Spread, float], ...], right: tuple[tuple[Spread, float], ...]
) -> tuple[tuple[Spread, float], ...]:
    """The right channel's deviations, where the supply that both share is the left one's."""
    supply = {(s.target, s.what): z for s, z in left if is_shared(s.target, SHARED)}
    return tuple((s, supply.get((s.target, s.what), z)) for s, z in right)


def _read(stage: Stage) -> Channel:
    drive = ("input level", GENERATOR)
    families = (
        [Reading("dc voltage", at=node) for node in METER],
        [Reading("gain", frequency=f) for f in THIRDS],
        [Reading("hum", frequency=k * 50.0) for k in LINES],
        [Reading("noise", band=(float(a), float(b))) for a, b in pairwise(BANDS)],
        [Reading("harmonic", order=k, frequency=1e3, level=drive) for k in (2, 3)],
    )
    values = np.array(take(stage, [reading for family in families for reading in family]))
    volts, gain, hum, noise, harmonics = np.split(
        values, np.cumsum([len(family) for family in families])[:-1]
    )
    return Channel(
        dict(zip(METER, volts.tolist(), strict=True)),
        dict(zip(THIRDS, gain.tolist(), strict=True)),
        dict(zip(LINES, hum.tolist(), strict=True)),
        noise, 10.0 ** (harmonics / 20.0),
    )


def silence(channel: Channel, random: np.random.Generator) -> Floats:
    """What the output gives with the input terminated, V: noise and hum."""
    count = round(SECONDS * RATE)
    frequencies = np.fft.rfftfreq(count, 1.0 / RATE)
    middle = np.log(np.sqrt(BANDS[:-1] * BANDS[1:]))
    density = np.log(channel.noise**2 / np.diff(BANDS))
    power = np.exp(np.interp(np.log(np.maximum(frequencies, 1.0)), middle, density))
    power += _RECORDER**2 / (RATE / 2.0)
    power[0] = 0.0
    lines = random.normal(size=(2, len(frequencies)))
    # a one-sided power density S is a mean square of S·rate·n/2 in each line of the transform
    wave = np.fft.irfft((lines[0] + 1j * lines[1]) * np.sqrt(power * RATE * count / 4.0), count)
    for order, volts in channel.hum.items():
        wave = wave + _sine(order * MAINS, volts, float(random.uniform(0.0, 2.0 * math.pi)))
    return wave


def tone(channel: Channel, random: np.random.Generator) -> Floats:
    """What the output gives with 1 kHz from the generator, V."""
    volts = GENERATOR * 10.0 ** (channel.gain[1000.0] / 20.0)
    wave = silence(channel, random) + _sine(1e3, volts, 0.0)
    for order, ratio in zip((2, 3), channel.harmonics, strict=True):
        wave = wave + _sine(order * 1e3, volts * float(ratio), 0.0)
    return wave


def _sine(frequency: float, volts: float, phase: float) -> Floats:
    time = np.arange(round(SECONDS * RATE)) / RATE
    return math.sqrt(2.0) * volts * np.sin(2.0 * math.pi * frequency * time + phase)


def record(path: Path, left: Floats, right: Floats) -> None:
    """Write volts as a recorder does, 24 bit."""
    samples = np.stack([left, right], axis=1) / (FULL_SCALE * math.sqrt(2.0))
    soundfile.write(path, samples, RATE, subtype="PCM_24")


def sweep(path: Path, channel: Channel, random: np.random.Generator) -> None:
    """Write the output's level against frequency, as an analyser does."""
    rows = ["Frequency (Hz),Level (dBV)"]
    for frequency, gain in channel.gain.items():
        level = gain + 20.0 * math.log10(GENERATOR) + _SWEEP_NOISE * float(random.normal())
        rows.append(f"{frequency:g},{level:.2f}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def make(folder: Path) -> dict[str, Channel]:
    """Write everything into a folder that exists.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict of str to Channel
        What was read, by the name of the channel.
    """
    channels, random = session()
    for name, channel in channels.items():
        sweep(folder / f"{name}-response.csv", channel, random)
    for name, wave in (("hall-silence.wav", silence), ("hall-tone.wav", tone)):
        left, right = (wave(channel, random) for channel in channels.values())
        record(folder / name, left, right)
    return channels


def main() -> None:
    """Make the files beside this one, or in the folder that is named."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for name, channel in make(folder).items():
        shown = ", ".join(f"{at} {volts:.{_TOLD}g} V" for at, volts in channel.volts.items())
        sys.stdout.write(f"{name}: {shown}\n")


if __name__ == "__main__":
    main()
