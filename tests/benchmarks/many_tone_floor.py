"""The floor under many tones of many units: the batch against two runs of ngspice.

    .venv/bin/python tests/benchmarks/many_tone_floor.py [one of so many units] [stage …]

Units are the healthy one and faults of the catalogue at three sizes, driven to the crest of the
stage's usual sine. One run is as a reading is taken without the batch. The other one judges: it
has twenty periods to settle, no drift taken away and twice the steps. Floors below −100 dB are left
out, and of units that are all but dead those below what an analyser adds. What the batch leaves to
ngspice is counted, and compared with nothing. It takes a quarter of an hour.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np

from circuits.batch.engine import Many
from circuits.bench import driven
from circuits.bench.driven import Driven, Tones
from circuits.bench.engine import Engine
from circuits.bench.mains import HUM_FLOOR
from circuits.bench.steps import abreast, alone
from circuits.bench.supply import resolved
from circuits.errors import EngineError
from circuits.load import load_stage, stage_names
from circuits.signals import manytone
from circuits.stage import Stage
from tests.benchmarks.driven_speed import units

AUDIO = (20.0, 20e3)
TONES = driven.many_tones(AUDIO)
COMB = manytone.comb(AUDIO)
JUDGE = replace(TONES, settle=20, step=TONES.step / 2.0)
HEARD = -100.0
"""dB, below which floors are left out."""


def floor(found: Driven) -> float:
    """What lies between the tones over these, dB; less than any where an analyser adds more."""
    signal, rest = (
        manytone.between(found.time, found.output, COMB, AUDIO) if found.cycle is None
        else manytone.between_lines(found.cycle.lines[:, 0], COMB, AUDIO)
    )
    return 20.0 * math.log10(rest / signal) if rest > HUM_FLOOR else -math.inf


def ran(stage: Stage, tones: Tones, crest: float, drift: int, found: Driven) -> float:
    """The floor by a transient run on rails where they stood for another."""
    usual, manytone.DRIFT = manytone.DRIFT, drift
    try:
        run = driven.drive(stage, tones, crest, 0.0, found.start if drift == 0 else ())
        return floor(alone(run, Engine().run))
    except EngineError:
        return math.nan
    finally:
        manytone.DRIFT = usual


def main() -> None:
    """Print a row a stage."""
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    names = sys.argv[2:] or [n for n in stage_names() if load_stage(n).signal]
    print(f"{'stage':28} {'units':>5} {'left':>4}  dB off a reading's run, off the judge: "
          "median, largest")
    for name in names:
        stage = resolved(load_stage(name))
        crest = 2.0 * stage.signal[0][1] / COMB.crest
        some, many = units(stage, every), Many(Engine().run)
        off: list[tuple[float, float]] = []
        runs = abreast([driven.drive(unit, TONES, crest) for unit in some], many.run)
        for unit, found in zip(some, runs, strict=True):
            if isinstance(found, EngineError) or found.cycle is None or floor(found) < HEARD:
                continue
            mine = floor(found)
            off.append((abs(mine - ran(unit, TONES, crest, manytone.DRIFT, found)),
                        abs(mine - ran(unit, JUDGE, crest, 0, found))))
        both = np.array(off).reshape(-1, 2).T
        said = "  ".join(f"{np.nanmedian(x):.2f} {np.nanmax(x):.2f}" for x in both if x.size)
        print(f"{name:28} {len(some):5} {len(some) - many.count.batched:4}  {said}", flush=True)


if __name__ == "__main__":
    main()
