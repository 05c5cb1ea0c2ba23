"""Whether lazy work gives the ranking of the full table, and what it saves: ``lazy.md``.

    .venv/bin/python tests/benchmarks/lazy_work.py [--benches N] [--hidden N] [--cold N] [STAGE]

Random units read as the blank sheet asks, with distortion at the usual drive, are ranked twice: as
any case is, which simulates under drive only faults and sizes that readings at rest leave in reach,
and with every fault of the library simulated under drive at every size. Compared are the
probabilities of all suspects, of health and of a fault outside the library. Good parts are carried
by straight lines under drive in both. The hardest units for lazy work are drawn on purpose as well:
those whose fault hides at rest and shows in distortion alone, all faults of the library as likely
as each other.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from unittest import mock

import numpy as np

from circuits.load import load_stage
from circuits.reading import Reading, from_compared
from circuits.stage import Stage
from diagnose.inference import prune
from diagnose.inference.channels import doubted
from diagnose.inference.infer import weighing
from diagnose.inference.posterior import Posterior
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.proposal import on_sheet
from diagnose.studies.random_benches import RandomBench, detectable, draw_benches, read
from faultlib.catalogue import hypotheses
from faultlib.signature import signatures
from faultlib.simulate import Answer, Bench, Laboratory, Progress, Variant
from faultlib.store import Memory

TABLE = Path(__file__).with_name("lazy.md")
SHOWS = 4.0
"""dB of distortion by which a hidden fault shows: more than two standard deviations of the model's
error."""
_DRAWS = 400
COLUMNS = ("stage", "units", "kept under drive", "largest difference", "beyond 0.01",
           "units driven, lazy", "units driven, all", "cold, lazy s", "cold, all s", "ratio")
HEAD = """# Lazy work against the full table

Made by `tests/benchmarks/lazy_work.py`, seed {seed}: readings of the blank sheet with distortion at
the usual drive. *random*: units drawn from the prior, a fifth of them healthy. *hidden*: units
whose fault leaves the readings at rest among those of good units, with distortion {shows:.0f} dB or
more away from a good unit's; every fault of the library is as likely as the next here, while the
ranking puts most of them last. *kept under drive*: faults simulated under drive, median and most,
of all.
*largest difference*: of any probability (suspects, health, a fault outside the library) between
lazy work and everything simulated under drive; the goal is 0.01. *units driven*: simulations under
drive in a cold ranking, median. *cold*: seconds of a ranking that starts from nothing, median of
{cold} units lazily and of one with everything, on one worker of a shared machine.

"""


@dataclass
class Counting:
    """A bench that counts what it is asked for under drive for the first time."""

    inner: Bench
    driven: set[Variant] = field(default_factory=set)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        if any(r.driven for r in readings):
            self.driven.update(variants)
        return self.inner.values(stage, variants, readings, progress)


@dataclass(frozen=True)
class Compared:
    """One unit ranked both ways."""

    kept: int
    apart: float
    answer: str
    lazily: int
    fully: int
    seconds: float


def main() -> None:
    """Compare on the stages and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE", default=["line-two-transistor"])
    parser.add_argument("--benches", type=int, default=12)
    parser.add_argument("--hidden", type=int, default=8)
    parser.add_argument("--cold", type=int, default=3)
    parser.add_argument("--seed", type=int, default=3)
    values = parser.parse_args()
    rows = [HEAD.format(seed=values.seed, cold=values.cold, shows=SHOWS),
            _line(COLUMNS), "|" + "---|" * len(COLUMNS) + "\n"]
    for name in values.stages:
        for row in _rows(name, values.benches, values.hidden, values.cold, values.seed):
            rows.append(_line(row))
            sys.stdout.write(rows[-1])
            sys.stdout.flush()
            TABLE.write_text("".join(rows), encoding="utf-8")


def _rows(name: str, benches: int, hidden: int, cold: int, seed: int) -> Iterator[list[str]]:
    stage = load_stage(name)
    with Laboratory(Memory(), workers=1) as bench:
        asked = [r for r, _ in on_sheet(stage, bench) if not r.driven or r.quantity == "thd"]
        random = np.random.default_rng(seed)
        drawn = {
            "random": draw_benches(stage, asked, benches, bench, random, 0.2),
            "hidden": _hidden(stage, asked, hidden, bench, random),
        }
    slow = [_cold(_case(stage, asked, d.values)) for d in drawn["random"][:cold]]
    whole = 0.0
    with Laboratory(Memory(), workers=1) as bench:
        for kind, some in drawn.items():
            made: list[Compared] = []
            for one in some:
                made.append(_compared(_case(stage, asked, one.values), bench))
                whole = whole or made[0].seconds
                label = "healthy" if one.fault is None else one.fault.label()
                sys.stderr.write(f"{name} {kind} {label}: {made[-1]}\n")
            apart, kept = [m.apart for m in made], [m.kept for m in made]
            yield [
                name, f"{len(made)} {kind}",
                f"{np.median(kept):.0f}, {max(kept)} of {len(hypotheses(stage))}",
                f"{max(apart):.4f}", str(sum(x > 0.01 for x in apart)),
                f"{np.median([m.lazily for m in made]):.0f}",
                f"{np.median([m.fully for m in made]):.0f}",
                f"{np.median(slow):.1f}", f"{whole:.1f}", f"{whole / float(np.median(slow)):.1f}",
            ]


def _hidden(
    stage: Stage, asked: Sequence[Reading], count: int, bench: Bench, random: np.random.Generator
) -> list[RandomBench]:
    """Units whose fault shows in readings under drive and in no others."""
    pool = [replace(h, prior=1.0) for h in hypotheses(stage)]
    rest = [k for k, r in enumerate(asked) if not r.driven]
    driven = [k for k, r in enumerate(asked) if r.driven]
    quiet = [asked[k] for k in rest]
    at_rest = signatures(stage, quiet, (), bench, around=doubted(stage))
    level = bench.values(stage, [Variant()], asked).values[0]
    made: list[RandomBench] = []
    for _ in range(_DRAWS):
        if len(made) == count:
            break
        for one in draw_benches(stage, asked, 1, bench, random, 0.0, pool):
            loud = bool((np.abs(one.values - level)[driven] >= SHOWS).any())
            if loud and not detectable(at_rest, read(quiet, one.values[rest])):
                made.append(one)
    return made


def _case(stage: Stage, readings: Sequence[Reading], values: np.ndarray[tuple[int],
          np.dtype[np.float64]]) -> Case:
    pairs = zip(readings, values, strict=True)
    return Case("invented", stage, tuple(Measured(r, from_compared(r, float(x))) for r, x in pairs))


def _cold(case: Case) -> float:
    """Seconds of a lazy ranking that starts from nothing."""
    with Laboratory(Memory(), workers=1) as bench:
        start = time.perf_counter()
        weighing(case, bench)
        return time.perf_counter() - start


def _compared(case: Case, bench: Bench) -> Compared:
    """Everything first, whose time is taken where the store is empty."""
    fully, lazily = Counting(bench), Counting(bench)
    start = time.perf_counter()
    true = _probabilities(_full(case, fully))
    seconds = time.perf_counter() - start
    lazy = weighing(case, lazily)
    told = _probabilities(lazy.posterior)
    names = set(told) | set(true)
    apart = {n: abs(told.get(n, 0.0) - true.get(n, 0.0)) for n in names}
    worst = max(apart, key=lambda n: apart[n])
    return Compared(len(lazy.found.faults), apart[worst], f"{worst}: {true.get(worst, 0.0):.4f}",
                    len(lazily.driven), len(fully.driven), seconds)


def _full(case: Case, bench: Bench) -> Posterior:
    """The ranking with every fault simulated under drive at every size, all else alike."""
    with mock.patch.multiple(prune, NATS=math.inf, SIZE_NATS=math.inf, MOST=sys.maxsize):
        return weighing(case, bench).posterior


def _probabilities(posterior: Posterior) -> dict[str, float]:
    made = {"healthy": posterior.healthy, "unmodelled": posterior.unmodelled}
    for scored, p in posterior.suspects:
        made[" with ".join(h.label() for h in scored.hypotheses)] = p
    return made


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |\n"


if __name__ == "__main__":
    main()
