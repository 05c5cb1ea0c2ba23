"""What a cluster costs beside its work, with one worker and two: prints a table.

    .venv/bin/python tests/benchmarks/cluster_speed.py [--units N] [STAGE]
    .venv/bin/python tests/benchmarks/cluster_speed.py --gain [--units N] [STAGE]

Random good and faulty units of one stage at rest, solved in chunks as a ranking's are, by processes
of this machine and by a cluster on it (`--cluster local:1`, `local:2`), which is started before the
clock. Processor time of all processes stands beside wall time, since a busy machine has no wall
time worth a word. Then what one chunk costs that has nothing to do: scheduling; what is sent and
comes back a chunk: transfer; and what keeping a unit costs: the store.

With ``--gain`` it prints what two workers gain over one in wall time, the best of three runs each:
of units that are simulated, and of random units that are ranked (`diagnose score`). That means
something only on a machine that has two cores to spare, so it says what others had of them.
"""

from __future__ import annotations

import argparse
import math
import os
import pickle
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from circuits.bench.chunk import LEAST
from circuits.bench.workers import Pool
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import draw_benches, score
from faultlib.catalogue import hypotheses
from faultlib.machines import machines
from faultlib.measure import Sheet, measured_anew
from faultlib.simulate import Laboratory
from faultlib.store import Memory, Store, mark
from faultlib.tolerance import draw
from faultlib.variant import Variant

RANKED, TIMES = 40, 3
"""Random units that are ranked, and runs of which the best counts, for what workers gain."""
EMPTY = 400
"""Chunks without work, by which scheduling is measured."""
TICK = os.sysconf("SC_CLK_TCK")


def nothing(_shared: object, items: list[bytes]) -> list[bytes]:
    """No work at all."""
    return items


def processor(root: int) -> float:
    """Seconds that a process and all below it have had, the dead that were waited for included."""
    parents: dict[int, list[int]] = {}
    spent: dict[int, float] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            parents.setdefault(int(words[1]), []).append(int(entry.name))
            spent[int(entry.name)] = sum(map(int, words[11:15])) / TICK
    below, open_ = 0.0, [root]
    while open_:
        one = open_.pop()
        below += spent.get(one, 0.0)
        open_ += parents.get(one, [])
    return below


@contextmanager
def clock(told: Callable[[float, float], None]) -> Iterator[None]:
    wall, cpu = time.perf_counter(), processor(os.getpid())
    yield
    told(time.perf_counter() - wall, processor(os.getpid()) - cpu)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stage", nargs="?", default="phono-two-transistor")
    parser.add_argument("--units", type=int, default=800)
    parser.add_argument("--gain", action="store_true", help="only what two workers gain over one")
    values = parser.parse_args()
    stage = load_stage(values.stage)
    random = np.random.default_rng(3)
    pool = list(hypotheses(stage))
    units = [Variant((pool[k % len(pool)].drawn(float(random.uniform())),), draw(stage, random))
             for k in range(values.units)]
    sheet: Sheet = (stage, sheet_of(stage))
    if values.gain:
        gains(sheet, units)
        return
    print(f"{values.stage}, {len(units)} units, {len(sheet[1])} readings")
    print(f"{'':>12} | units a chunk | wall s | processor s | of the work alone")
    outcomes: dict[str, object] = {}
    for size in (LEAST, 1):
        # one unit a chunk is dear: a part of them tells
        some = units if size > 1 else units[: len(units) // 8]
        work = work_alone(sheet, some, size)
        print(f"{'work alone':>12} | {size:13} | {work:6.1f} | {work:11.1f} | 1.00", flush=True)
        for name in ("pool:1", "pool:2", "local:1", "local:2"):
            outcomes[name] = timed(name, sheet, some, size, work)
        same = all(pickle.dumps(o) == pickle.dumps(outcomes["pool:1"]) for o in outcomes.values())
        print(f"{'':>12} | the same everywhere to the last digit: {same}")
    costs(sheet, units)


def sheet_of(stage: Stage) -> tuple[Reading, ...]:
    """Usual readings at rest."""
    return (*(Reading("dc voltage", at=node) for node in stage.nodes),
            *(Reading("gain", frequency=f) for f in (20.0, 1e3, 20e3)),
            Reading("input impedance", frequency=1e3), Reading("output impedance", frequency=1e3))


def work_alone(sheet: Sheet, units: list[Variant], size: int) -> float:
    """Processor time of the work in this process."""
    measured_anew(sheet, units[:LEAST])
    begin = time.process_time()
    for k in range(0, len(units), size):
        measured_anew(sheet, units[k : k + size])
    return time.process_time() - begin


def started(name: str) -> Pool:
    kind, count = name.split(":")
    return Pool(int(count), 20.0, None if kind == "pool" else machines(name))


def timed(name: str, sheet: Sheet, units: list[Variant], size: int, work: float) -> object:
    with started(name) as pool:
        pool.map(measured_anew, units[: 2 * LEAST], shared=sheet, together=LEAST)
        found: object = None
        times: list[float] = []
        with clock(lambda *both: times.extend(both)):
            from circuits.bench import chunk

            least, chunk.LEAST = chunk.LEAST, min(size, chunk.LEAST)
            try:
                found = pool.map(measured_anew, units, shared=sheet, together=size)
            finally:
                chunk.LEAST = least
    print(f"{name:>12} | {size:13} | {times[0]:6.1f} | {times[1]:11.1f} | {times[1] / work:.2f}",
          flush=True)
    return found


def gains(sheet: Sheet, units: list[Variant]) -> None:
    """What two workers gain over one in wall time, and what others had of the machine."""
    stage = sheet[0]
    with Laboratory(Memory(), 1) as bench:
        readings = [reading for reading, _ in propose(stage, bench)]
        drawn = draw_benches(stage, readings, RANKED, bench, np.random.default_rng(1),
                             unknown=0.05)

    def simulated(laboratory: Laboratory) -> object:
        return laboratory.each(measured_anew, units, sheet, together=LEAST)

    def ranked(laboratory: Laboratory) -> object:
        scores = score(stage, readings, drawn, laboratory)
        return [(one.answer, one.first, one.healthy) for one in scores]

    print(f"{stage.name}: {len(units)} units simulated, {len(drawn)} random units ranked; the best "
          f"of {TIMES} runs each")
    print("| work | by | one worker, s | two, s | gain | the same | others had of the cores |")
    print("|---|---|---|---|---|---|---|")
    for what, work in (("simulated", simulated), ("ranked", ranked)):
        outcomes: set[bytes] = set()
        for kind in ("processes", "cluster"):
            wall, busy, mine = time.perf_counter(), everybody(), processor(os.getpid())
            (one, said), (two, same) = (best(kind, count, work) for count in (1, 2))
            outcomes |= {pickle.dumps(said), pickle.dumps(same)}
            others = everybody() - busy - (processor(os.getpid()) - mine)
            cores = (os.cpu_count() or 1) * (time.perf_counter() - wall)
            print(f"| {what} | {kind} | {one:.2f} | {two:.2f} | {one / two:.2f} | "
                  f"{len(outcomes) == 1} | {max(others, 0.0) / cores:.0%} |",
                  flush=True)


def best(kind: str, count: int, work: Callable[[Laboratory], object]) -> tuple[float, object]:
    """The least wall time of some runs, s, and what came of the last; workers are started before.

    Parameters
    ----------
    kind : {"processes", "cluster"}
    """
    least, found = math.inf, None
    for _ in range(TIMES):
        cluster = machines(f"local:{count}") if kind == "cluster" else None
        with Laboratory(Memory(), count, 600.0, cluster=cluster) as laboratory:
            laboratory.each(nothing, [b""] * (8 * LEAST), 0, together=LEAST)
            begin = time.perf_counter()
            found = work(laboratory)
            least = min(least, time.perf_counter() - begin)
    return least, found


def everybody() -> float:
    """Seconds that all processes of the machine have had of its processors."""
    words = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:]
    idle = 3, 4  # waiting for a disk is no work either
    return sum(int(word) for k, word in enumerate(words[:8]) if k not in idle) / TICK


def costs(sheet: Sheet, units: list[Variant]) -> None:
    """Scheduling, transfer and store, each alone."""
    for name in ("pool:2", "local:2"):
        with started(name) as pool:
            for size, label in ((0, "empty"), (100_000, "of 100 kB each way")):
                items = [b"x" * (size // LEAST)] * (EMPTY * LEAST)
                pool.map(nothing, items[: 2 * LEAST], shared=0, together=LEAST)
                before = processor(os.getpid())
                mine = time.process_time()
                wall = time.perf_counter()
                pool.map(nothing, items, shared=0, together=LEAST)
                spent = [time.perf_counter() - wall, processor(os.getpid()) - before,
                         time.process_time() - mine]
                passed, everybody, ours = (one / EMPTY * 1e3 for one in spent)
                print(f"{name:>12} | chunk {label}: {passed:.2f} ms wall, {everybody:.2f} ms of "
                      f"all processors, {ours:.2f} ms of the command's", flush=True)
    variants, shared = len(pickle.dumps(units[:LEAST])), len(pickle.dumps(sheet))
    print(f"{'transfer':>12} | {variants / 1e3:.0f} kB a chunk of {LEAST}, "
          f"{shared / 1e3:.0f} kB once a machine")
    with tempfile.TemporaryDirectory() as folder:
        shelf = Store(Path(folder)).shelf("0" * 64)
        names = [r.key() for r in sheet[1]]
        rows = np.zeros((LEAST, len(names)))
        begin = time.process_time()
        for k in range(EMPTY):
            shelf.keep([mark(f"{k} {j}") for j in range(LEAST)], names, rows, {})
        spent = time.process_time() - begin
    print(f"{'store':>12} | {spent / EMPTY * 1e3:.2f} ms a chunk of {LEAST}")


if __name__ == "__main__":
    main()
