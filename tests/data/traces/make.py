"""The traces beside this file, made of closed forms: run it again to make them anew.

Ten shapes, each in a different way of writing a trace: heads, units, commas, marks between columns,
with times or without. The voltages are those of a converter of eight bits over the screen unless
stated, so that what is read has to live with steps. What each holds stands in `TRUE`, which the
tests read; nothing of it is a measurement of anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
Wave = np.ndarray
POINTS = 2500
"""Of most of them: what a simple scope keeps."""

TAU = 0.8e-6
"""s, of the one-pole edge."""
ZETA, NATURAL = 0.35, 2.0 * math.pi * 250e3
"""Damping and rad/s of the edge that rings."""
COUPLING, SQUARE = 8e-3, 100.0
"""s of the coupling capacitor, and Hz of the square wave that it tilts."""
SLEW, SWING = 13e6, 40.0
"""V/s and V of the edge that slews."""
LAG, AUDIO = -37.5, 20e3
"""Degrees by which the output follows the input, and Hz."""
RIPPLE, MAINS = 1.2, 50.0
"""V of full-wave rectified sine, from nought to top, and Hz."""
PEAK_V = 0.5
"""V of the sines."""
HUM = {50.0: 3.1e-3, 150.0: 0.8e-3, 250.0: 0.35e-3}
"""V RMS of mains lines at an output by pick-up."""
POLE = 16.0e3
"""Hz of the low-pass that the sweep went through."""

TRUE = {
    "one-pole.csv": {"rise": TAU * math.log(9.0)},
    "ringing.csv": {"overshoot": math.exp(-math.pi * ZETA / math.sqrt(1.0 - ZETA**2))},
    "tilt.csv": {"tilt": 1.0 - math.exp(-0.5 / (SQUARE * COUPLING)), "frequency": SQUARE},
    "slewing.csv": {"slew": SLEW, "step": SWING},
    "phase.csv": {"phase": LAG, "gain": 20.0 * math.log10(0.8), "frequency": AUDIO},
    "ripple.csv": {k * MAINS: 4.0 * RIPPLE / (math.pi * (k * k - 1.0)) / math.sqrt(2.0)
                   for k in (2, 4, 6)},
    "hum.csv": HUM,
    "generator-sweep.csv": {"pole": POLE},
    "three-channels.txt": {"phase": -90.0, "frequency": 1000.0},
    "half-wave.tsv": {100.0: 2.0 * 0.9 / (math.pi * 3.0) / math.sqrt(2.0),
                      50.0: 0.9 / 2.0 / math.sqrt(2.0)},
}
"""What is in each, from its closed form; ratios, V (RMS of lines), s, V/s and degrees."""


def on_screen(values: Wave, low: float, high: float, bits: int = 8) -> Wave:
    """What a converter makes of it whose range is the screen's."""
    step = (high - low) / 2**bits
    return low + step * np.clip(np.round((values - low) / step), 0, 2**bits - 1)


def written(name: str, lines: Iterable[str]) -> None:
    (HERE / name).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def one_pole() -> None:
    """A step of 1 V through one pole; a plain head with units in brackets."""
    time = (np.arange(POINTS) - 500) * 8e-9
    volts = on_screen(np.where(time >= 0.0, 1.0 - np.exp(-np.maximum(time, 0.0) / TAU), 0.0),
                      -0.2, 1.4)
    written("one-pole.csv", ["Time (s),CH1 (V)",
                             *(f"{t:.9g},{v:.5g}" for t, v in zip(time, volts, strict=True))])


def ringing() -> None:
    """Two poles that ring; pairs in columns of their own beside the first points."""
    time = (np.arange(POINTS) - 250) * 2e-8
    t = np.maximum(time, 0.0)
    damped = NATURAL * math.sqrt(1.0 - ZETA**2)
    wave = 1.0 - np.exp(-ZETA * NATURAL * t) * (
        np.cos(damped * t) + ZETA / math.sqrt(1.0 - ZETA**2) * np.sin(damped * t))
    volts = on_screen(np.where(time >= 0.0, 2.0 * wave, 0.0), -1.0, 4.0)
    pairs = [f"Record Length,{POINTS}.0,Points", "Sample Interval,2e-08,s", "Trigger Point,250,",
             "Source,CH2,", "Vertical Units,V,", "Horizontal Units,s,"]
    rows = [f"{pairs[k] if k < len(pairs) else ',,'},{x:011.9f},{v:.5f}"
            for k, (x, v) in enumerate(zip(time, volts, strict=True))]
    written("ringing.csv", rows)


def tilt() -> None:
    """A square wave behind a coupling capacitor; semicolons and decimal commas, ms and mV."""
    time = np.arange(POINTS) * 14e-6
    half = 0.5 / SQUARE
    start = 2.0 / (1.0 + math.exp(-half / COUPLING))
    place = np.mod(time + 1.7e-3, 2.0 * half)
    wave = np.where(place < half, 1.0, -1.0) * start * np.exp(-np.mod(place, half) / COUPLING) / 2.0
    volts = on_screen(wave, -1.6, 1.6)
    written("tilt.csv", ["Zeit;Kanal A", "(ms);(mV)", "",
                         *(f"{t * 1e3:.6f};{v * 1e3:.3f}".replace(".", ",")
                           for t, v in zip(time, volts, strict=True))])


def slewing() -> None:
    """A large square wave whose edges are straight; no times, an interval above."""
    time = np.arange(4000) * 20e-9
    period = 40e-6
    place = np.mod(time + 4e-6, period)
    ramp = SWING / SLEW
    up = np.clip(place / ramp, 0.0, 1.0)
    down = np.clip((place - period / 2.0) / ramp, 0.0, 1.0)
    volts = on_screen(SWING * (up - down - 0.5), -25.6, 25.6)
    written("slewing.csv", ["# Sampling Rate: 50 MSa/s", "# Coupling: DC", "CH1_V",
                            *(f"{v:.3f}" for v in volts)])


def phase() -> None:
    """Input and output of a tone; a row of units, the output smaller and later."""
    time = (np.arange(POINTS) - 1250) * 80e-9
    turn = 2.0 * math.pi * AUDIO * time
    source = on_screen(PEAK_V * np.sin(turn + 0.4), -0.6, 0.6)
    output = on_screen(0.8 * PEAK_V * np.sin(turn + 0.4 + math.radians(LAG)), -0.6, 0.6)
    rows = zip(time, source, output, strict=True)
    written("phase.csv", ["x-axis,1,2", "second,Volt,Volt",
                          *(f"{t:+.8E},{a:+.5E},{b:+.5E}" for t, a, b in rows)])


def ripple() -> None:
    """Full-wave ripple on a direct voltage, that the screen was moved to; a counted column."""
    step = 40e-6
    time = np.arange(POINTS) * step
    volts = 30.0 + on_screen(RIPPLE * np.abs(np.sin(2.0 * math.pi * MAINS * time + 0.7)), -0.1, 1.5)
    written("ripple.csv", ["X,CH1,Start,Increment",
                           f"Sequence,Volt,-5.0e-02,{step:.6e}",
                           *(f"{k},{v:.4f},," for k, v in enumerate(volts))])


def hum() -> None:
    """Pick-up at an output with the noise of the scope; blanks between columns, times in ms."""
    time = np.arange(POINTS) * 80e-6
    wave = sum(math.sqrt(2.0) * rms * np.sin(2.0 * math.pi * f * time + f)
               for f, rms in HUM.items())
    noise = 0.2e-3 * np.random.default_rng(5).standard_normal(POINTS)
    volts = on_screen(wave + noise, -8e-3, 8e-3)
    rows = zip(time * 1e3, volts * 1e3, strict=True)
    written("hum.csv", ["time[ms]\tout[mV]", *(f"{t:.4f}\t{v:.4f}" for t, v in rows)])


def generator_sweep() -> None:
    """What a generator with a sweep leaves: amplitude and phase of a low-pass."""
    frequency = np.geomspace(20.0, 50e3, 35)
    ratio = 1.0 / (1.0 + 1j * frequency / POLE)
    written("generator-sweep.csv", [
        "Frequency (Hz),Amplitude (Vpp),Phase (deg)",
        *(f"{f:.6g},{2.0 * abs(h):.5f},{math.degrees(float(np.angle(h))):.3f}"
          for f, h in zip(frequency, ratio, strict=True))])


def three_channels() -> None:
    """Three sines at quarter turns, none of them named; times with few digits, that stand still."""
    step = 2e-6
    time = np.arange(POINTS) * step
    turn = 2.0 * math.pi * 1000.0 * time
    waves = [on_screen(np.sin(turn - k * math.pi / 2.0), -1.28, 1.28) for k in range(3)]
    written("three-channels.txt", [
        f"Sample Interval = {step:g} s", "Time,Channel 1,Channel 2,Channel 3", "s,V,V,V",
        *(f"{t:.5f},{a:.3f},{b:.3f},{c:.3f}" for t, a, b, c in zip(time, *waves, strict=True))])


def half_wave() -> None:
    """Half-wave ripple; tabs, decimal commas, nothing named."""
    time = np.arange(POINTS) * 40e-6
    volts = on_screen(0.9 * np.maximum(np.sin(2.0 * math.pi * MAINS * time), 0.0), -0.1, 1.1)
    written("half-wave.tsv", [f"{t:.6f}\t{v:.4f}".replace(".", ",")
                              for t, v in zip(time, volts, strict=True)])


ALL: tuple[Callable[[], None], ...] = (
    one_pole, ringing, tilt, slewing, phase, ripple, hum, generator_sweep, three_channels,
    half_wave,
)

if __name__ == "__main__":
    for one in ALL:
        one()
