"""Many units together over ngspice one by one: readings at rest, how fast and how alike.

Units are the healthy one and every fault of the catalogue at three sizes; of each are read voltages
at five nodes, gain, response, output impedance, hum and noise, as `diagnose rank` reads them. Both
ways are timed in one process, on its own processor time; what the batch leaves to ngspice is in its
time, and counted. `apart` is the largest difference of any reading of any unit from ngspice with
tight options (with its own it stops some parts in a thousand short), in units of what a usual
instrument errs by (`circuits.quantities`); its voltages under a voltmeter are good to half a per
cent (`circuits.bench.metered`), the batch's exact.
Run: `python tests/benchmarks/batch_speed.py [stages]`.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from circuits.bench.analysis import Analysis, Results
from circuits.bench.engine import Engine
from circuits.bench.steps import Run, alone
from circuits.circuit import Circuit
from circuits.errors import EngineError, InputError
from circuits.load import load_stage
from circuits.reading import Reading, all_compared
from circuits.stage import Stage
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.measure import Read, Sheet, _reading, measured
from faultlib.variant import Variant

STAGES = ("phono-two-transistor", "phono-shunt-feedback", "line-two-transistor",
          "output-complementary", "output-quasi-complementary")
PLACES = np.array([0.0, 0.5, 1.0])
"""Of sizes, from mild to worst."""


def readings(stage: Stage) -> tuple[Reading, ...]:
    """An evening's readings at rest."""
    rails = {rail.name for rail in stage.rails}
    ends = dict.fromkeys(node for part in stage.parts for node in part.nodes)
    nodes = [node for node in ends if node != "0" and node not in rails][:5]
    return (
        *(Reading("dc voltage", at=node) for node in nodes),
        Reading("gain", frequency=1e3),
        *(Reading("response", frequency=f, reference=1e3) for f in (20.0, 100.0, 5e3, 20e3)),
        *(Reading("output impedance", frequency=f) for f in (50.0, 1e3)),
        *(Reading("hum", frequency=f) for f in (50.0, 100.0, 150.0)),
        Reading("noise", weighting="A"),
    )


def variants(stage: Stage) -> list[Variant]:
    """The healthy unit, and every fault at three sizes."""
    found = [Variant()]
    for one in hypotheses(stage):
        sizes = [0.0] if one.mode.range is None else one.mode.range.at(PLACES).tolist()
        found += [Variant((Fault(one.part, one.mode.name, size),)) for size in sizes]
    return found


def tight(net: Circuit, asked: Sequence[Analysis]) -> Results:
    """ngspice with options that leave nothing of a solution open."""
    options = ("reltol=1e-6", "vntol=1e-9", "abstol=1e-15")
    return Engine().run(replace(net, options=options), asked)


def one_by_one(sheet: Sheet, units: Sequence[Variant], run: Run) -> list[object]:
    """What ngspice reads of each unit, or why it reads nothing."""
    found: list[object] = []
    for unit in units:
        try:
            found.append(alone(_reading(sheet, unit), run))
        except (EngineError, InputError) as error:
            found.append(error)
    return found


def row(outcome: object, count: int) -> np.ndarray:
    """Values of an outcome; no numbers where there is none."""
    return np.array(outcome.values) if isinstance(outcome, Read) else np.full(count, np.nan)


def main() -> None:
    """Print a row a stage."""
    print(f"{'stage':28}units  ngspice    batch   ratio  left  apart  of")
    for name in sys.argv[1:] or STAGES:
        stage = load_stage(name)
        sheet = stage, readings(stage)
        units = variants(stage)
        start = time.process_time()
        one_by_one(sheet, units, Engine().run)
        between = time.process_time()
        together = measured(sheet, units)
        end = time.process_time()
        count = len(sheet[1])
        single = one_by_one(sheet, units, tight)
        a, b = (np.array([row(one, count) for one in each]) for each in (single, together))
        far, worst = 0.0, ""
        for k, reading in enumerate(sheet[1]):
            about = reading.about
            x, y = all_compared(reading, a[:, k]), all_compared(reading, b[:, k])
            error = about.uncertainty + about.relative * np.abs(x)
            with np.errstate(invalid="ignore"):
                off = np.nan_to_num(np.abs(x - y) / error)
            if off.max() > far:
                far = float(off.max())
                worst = f"{units[int(off.argmax())].label()}, {reading.label()}"
        left = sum(isinstance(one, Read) and one.apart for one in together)
        ms = [1e3 * t / len(units) for t in (between - start, end - between)]
        print(f"{name:28}{len(units):5} {ms[0]:6.2f} ms {ms[1]:5.2f} ms {ms[0] / ms[1]:6.1f} "
              f"{left:5} {far:6.2f}  {worst}")


if __name__ == "__main__":
    main()
