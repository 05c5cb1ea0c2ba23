"""Readings under drive of many units: harmonic balance and poles over transient runs.

Units are the healthy one and every fault of the catalogue at three sizes. Of each the question
whether it swings by itself is answered, and then one tone of 1 kHz at the stage's usual level is
read; of some of them thirty tones of the same crest. Both ways are timed in one process, on its own
processor time, one after the other; that the machine is busy slows both. What the batch leaves to
ngspice is counted and its time is in the batch's. Run: `python tests/benchmarks/driven_speed.py
[one of so many units]`.
"""

from __future__ import annotations

import math
import os
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from circuits.batch.engine import Many
from circuits.bench import distortion, driven, switching
from circuits.bench.driven import Driven
from circuits.bench.engine import Engine
from circuits.bench.steps import Steps, abreast, alone
from circuits.bench.supply import resolved
from circuits.errors import EngineError
from circuits.load import load_stage
from circuits.stage import Stage
from faultlib.catalogue import hypotheses
from faultlib.inject import inject

STAGES = ("phono-two-transistor", "line-two-transistor", "output-complementary")
SHARES = (0.1, 0.5, 0.9)
"""Of the range of a fault's sizes."""
TONES = driven.many_tones((20.0, 20e3))
FEWER = 4
"""Units for each of which thirty tones are run: a run of them takes as long as fifty of one."""

_T = TypeVar("_T")


def units(stage: Stage, every: int) -> list[Stage]:
    """The healthy unit, and some of those with a fault."""
    faults = dict.fromkeys(
        h.drawn(share) for h in hypotheses(stage) for share in SHARES
    )
    return [stage, *(inject(stage, fault, stage) for fault in list(faults)[::every])]


def level(stage: Stage) -> Steps[Driven]:
    """One tone at the usual level."""
    generator = distortion.Generator(stage, driven.tone(1e3), 0.0)
    return distortion.at_level(generator, stage.signal[0])


def many_tones(stage: Stage) -> Steps[Driven]:
    """Thirty tones at the crest of that."""
    assert TONES.comb is not None
    how, value = stage.signal[0]
    generator = distortion.Generator(stage, TONES, 0.0)
    return distortion.at_level(generator, (how, value * math.sqrt(2.0) / TONES.comb.crest))


def seconds(work: Callable[[], object]) -> float:
    """Of processor time."""
    start = time.process_time()
    work()
    return time.process_time() - start


def one_by_one(flows: Sequence[Steps[_T]]) -> None:
    run = Engine().run
    for flow in flows:
        try:
            alone(flow, run)
        except EngineError:
            continue


def both(flows: Sequence[Callable[[], Steps[_T]]], many: Many) -> tuple[float, float]:
    """Seconds of flows one by one, and abreast."""
    return (seconds(lambda: one_by_one([flow() for flow in flows])),
            seconds(lambda: abreast([flow() for flow in flows], many.run)))


def main() -> None:
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    print(f"load {os.getloadavg()[0]:.1f}; ms of processor time a unit")
    print(f"{'stage':22} {'units':>5}  {'swings':>6} {'poles':>6} {'times':>6}  "
          f"{'run':>6} {'balance':>7} {'times':>6}  {'both':>6}  left to ngspice, "
          "and thirty tones likewise")
    for name in STAGES:
        stage = resolved(load_stage(name))
        some = units(stage, every)
        swings = both([partial(switching.probe, unit) for unit in some], Many(Engine().run))
        many = Many(Engine().run)
        tones = both([partial(level, unit) for unit in some], many)
        ms = [1e3 * t / len(some) for t in (*swings, *tones)]
        fewer, of_many = some[::FEWER], Many(Engine().run)
        run, balance = both([partial(many_tones, unit) for unit in fewer], of_many)
        print(f"{name:22} {len(some):5}  {ms[0]:6.2f} {ms[1]:6.2f} {ms[0] / ms[1]:6.1f}  "
              f"{ms[2]:6.2f} {ms[3]:7.2f} {ms[2] / ms[3]:6.1f}  "
              f"{(ms[0] + ms[2]) / (ms[1] + ms[3]):6.1f}  {dict(many.count.others)}")
        print(f"{'  thirty tones':22} {len(fewer):5}  {'':20}  {1e3 * run / len(fewer):6.1f} "
              f"{1e3 * balance / len(fewer):7.2f} {run / balance:6.1f}  {'':6}  "
              f"{dict(of_many.count.others)}", flush=True)


if __name__ == "__main__":
    main()
