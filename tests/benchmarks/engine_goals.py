"""What the engine's users wait for, each beside its goal: whole commands in processes of their own.

    .venv/bin/python tests/benchmarks/engine_goals.py [rank] [coverage] [growth]

Rankings from nothing on all cores and on one of them, then once more from the store; the coverage
of a stage of 46 parts; and what a ranking costs as a circuit grows: a row of the same stage, once,
twice and more, over (faults times parts). A busy machine answers late: its load is printed, and the
processor time, which depends on it less. Times hang on the machine; ratios do so less.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from circuits.load import load_stage  # noqa: E402
from faultlib.catalogue import hypotheses  # noqa: E402
from tests import own_circuit  # noqa: E402
from tests.benchmarks.goal_sheets import grown, sheets  # noqa: E402

WARM, COVERAGE, CORES, GROWTH = 0.35, 5.0, 1.8, 1.3
"""Goals: seconds of a warm ranking and of coverage, gain of four cores over one or of two over one
as far as it is seen here, and how much the cost of a fault and part may grow."""
TIMES = (1, 2, 4, 8)
"""How often the stage stands in a row: some 20 to 160 parts."""


def seconds(store: str, *words: str, cores: int = 0) -> tuple[float, float]:
    """Time of a command on the wall, and of all its processes on the processors."""
    environment = {**os.environ, "AMP_DIAGNOSE_CACHE": store, "PYTHONPATH": str(ROOT)}
    some = set(sorted(os.sched_getaffinity(0))[:cores]) if cores else os.sched_getaffinity(0)
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "diagnose", *words], env=environment, check=True,
                   stdout=subprocess.DEVNULL, preexec_fn=lambda: os.sched_setaffinity(0, some))
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _said(seen: float, goal: float) -> str:
    return f"{seen:7.2f} of {goal:g}{'' if seen <= goal else '  over'}"


def rankings(folder: Path) -> None:
    """Each sheet from nothing on all cores and on one, and from the store."""
    print(f"{'ranking':36} {'s, goal':>20} {'CPU s':>7} {'warm s, goal':>20} {'cores':>6}")
    for one in sheets(folder, ROOT / "examples"):
        with tempfile.TemporaryDirectory() as store, tempfile.TemporaryDirectory() as other:
            wall, cpu = seconds(store, "rank", str(one.path))
            warm, _ = seconds(store, "rank", str(one.path))
            alone, _ = seconds(other, "rank", str(one.path), cores=1)
        print(f"{one.name:36} {_said(wall, one.goal):>20} {cpu:7.1f} {_said(warm, WARM):>20} "
              f"{alone / wall:6.2f}", flush=True)
    print(f"cores: one core's time over that of {len(os.sched_getaffinity(0))}; four against one "
          f"is to be {CORES:g}")


def coverage() -> None:
    """Of the stage of 46 parts, what a blank sheet's readings find."""
    with tempfile.TemporaryDirectory() as store:
        wall, cpu = seconds(store, "coverage", str(own_circuit.STAGE))
    print(f"coverage of 46 parts: {_said(wall, COVERAGE)} s, {cpu:.1f} s of processors")


def growth(folder: Path) -> None:
    """The cost of a ranking over faults times parts, as a circuit grows."""
    costs = []
    for many in TIMES:
        path, stage = grown(folder, many)
        made = load_stage(str(stage))
        faults, parts = len(hypotheses(made)), len(made.parts)
        with tempfile.TemporaryDirectory() as store:
            _, cpu = seconds(store, "rank", str(path))
        costs.append(cpu / (faults * parts))
        print(f"{parts:4} parts, {faults:4} faults: {cpu:7.1f} s of processors, "
              f"{1e3 * costs[-1]:.2f} ms a fault and part", flush=True)
    print(f"from end to end: {costs[-1] / costs[0]:.2f} times of {GROWTH:g}")


def main() -> None:
    """Print what was asked for, or all of it."""
    asked = sys.argv[1:] or ["rank", "coverage", "growth"]
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as name:
        if "rank" in asked:
            rankings(Path(name))
        if "coverage" in asked:
            coverage()
        if "growth" in asked:
            growth(Path(name))


if __name__ == "__main__":
    main()
