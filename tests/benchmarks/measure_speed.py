"""How long ``diagnose measure`` takes over a recording of 10 s, 24 bit, 96 kHz, two channels.

Once as a function, reading the file included, and once as a whole command in a process of its
own; processor time beside the time on the clock, since a busy machine answers late. Then how far
figures of known content come out. Run: `python tests/benchmarks/measure_speed.py [rounds]`.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

from diagnose.recording.measuring import measure

ROOT = Path(__file__).resolve().parents[2]
GOAL = 1.0
RATE, SECONDS = 96000, 10
TONE = 997.123
HARMONICS = {2: -60.0, 3: -80.0, 5: -100.0, 7: -110.0}
HUM = {1: -70.0, 2: -80.0, 3: -100.0}


def waves(kind: str) -> np.ndarray:
    """Two channels of known content with dither."""
    random = np.random.default_rng(1)
    t = np.arange(RATE * SECONDS) / RATE
    hum = sum(10.0 ** (d / 20.0) * np.sin(2 * np.pi * 50.017 * k * t) for k, d in HUM.items())
    if kind == "sine":
        one = np.sin(2 * np.pi * TONE * t) + hum
        for k, d in HARMONICS.items():
            one += 10.0 ** (d / 20.0) * np.cos(2 * np.pi * k * TONE * t)
    elif kind == "silence":
        one = 0.05 * hum + 2e-5 * random.standard_normal(len(t))
    else:
        one = np.sin(2 * np.pi * 19000.3 * t) / 2 + np.sin(2 * np.pi * 20000.7 * t) / 2
        one += 0.01 * one**2
    dither = random.random((len(t), 2)) - random.random((len(t), 2))
    return np.stack([0.5 * one, 0.45 * one], axis=1) + dither * 2.0**-23


def used() -> float:
    """Processor time of this process and of those it has waited for, s."""
    return sum(
        r.ru_utime + r.ru_stime
        for r in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}, {rounds} rounds")
    print(f"{'signal':16} {'':9} {'median s':>9} {'least s':>8} {'cpu s':>7} {'goal s':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("sine", "silence", "difference tone"):
            path = Path(folder) / f"{kind}.wav"
            soundfile.write(path, waves(kind), RATE, subtype="PCM_24")
            command = [sys.executable, "-m", "diagnose", "measure", str(path), "--json"]
            runs = {
                "function": lambda path=path: measure(path),
                "command": lambda command=command: subprocess.run(
                    command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL
                ),
            }
            for name, run in runs.items():
                taken, before = [], used()
                for _ in range(rounds):
                    start = time.perf_counter()
                    run()
                    taken.append(time.perf_counter() - start)
                over = "" if median(taken) <= GOAL else "  over"
                print(f"{kind:16} {name:9} {median(taken):9.2f} {min(taken):8.2f} "
                      f"{(used() - before) / rounds:7.2f} {GOAL:7.1f}{over}")
        made = measure(Path(folder) / "sine.wav")
    off = [made.item(f"harmonic {k}", "left").value - d for k, d in HARMONICS.items()]
    print(f"harmonics of {min(HARMONICS.values()):g} dB and up: off by {max(map(abs, off)):.4f} dB")
    off = [made.item(f"hum at {50 * k} Hz", "left").value - d for k, d in HUM.items()]
    print(f"hum of {min(HUM.values()):g} dB and up: off by {max(map(abs, off)):.4f} dB at most")


if __name__ == "__main__":
    main()
