"""What a good second channel is worth: writes ``tests/benchmarks/reference.md``.

    .venv/bin/python tests/benchmarks/reference_gain.py [--benches N] [--seed N] [STAGE ...]

Every bench is a foreign unit of two channels: its nominal values lie 10 % off the stage file's, its
devices are of another make and its layout has strays of its own, in both channels alike; parts vary
within each channel by themselves. One channel has a fault or none. It is ranked twice from the very
same readings, alone and beside the good channel, and both answers are held against the same truth.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from diagnose.inference.channels import side_by_side
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Observed
from diagnose.sheet.proposal import propose
from diagnose.studies.random_benches import (
    BenchScore,
    RandomBench,
    answered,
    detectable,
    draw_benches,
    part_probabilities,
    read,
    weighed_with,
)
from diagnose.studies.reliability import Report, report
from faultlib.catalogue import hypotheses
from faultlib.signature import Signatures
from faultlib.simulate import Bench, Laboratory
from faultlib.store import Memory

TABLE = Path(__file__).with_name("reference.md")
STAGES = ("phono-two-transistor", "phono-opamp", "line-two-transistor")
UNKNOWN = 0.1
"""How far nominal values lie from the stage file's, standard deviation of the logarithm."""
SHARE_HEALTHY = 0.2
PATIENCE = 600.0
"""Seconds that one variant may take, so that a busy machine cuts no answer."""
COLUMNS = ("stage", "what", "of", "alone", "beside", "difference", "won", "lost", "p")
HEAD = """# What a good channel beside is worth

Made by `tests/benchmarks/reference_gain.py`; {benches} foreign pairs a stage, seed {seed}, a fifth
of them healthy, readings of the blank sheet of both channels, no supply in common. Nominal values
lie 10 % (standard deviation) off the stage file's and devices are of other makes, in both channels
alike; the ranking knows neither. The same benches are ranked *alone*, from the suspect channel's
readings, and *beside* the good channel. A fault *shows* where the suspect channel's readings by
themselves are such as fewer than 1 of 100 good units give; that doubt is wide, and *hidden* are the
others. *difference* is beside less alone, bench by bench, with its standard error; *won* and *lost*
count the benches that the good channel turned right or wrong, *p* is the exact two-sided
probability of so uneven a count by chance (McNemar). *largest* is the mean of the largest
probability, *error* the expected calibration error, both over all benches.

"""


@dataclass(frozen=True)
class Ranked:
    """What one ranking said of a bench.

    Attributes
    ----------
    scored : BenchScore
    true : float
        Probability of what is wrong: the faulty part, or health.
    """

    scored: BenchScore
    true: float


@dataclass(frozen=True)
class Pair:
    """One bench, ranked without and with the good channel."""

    alone: Ranked
    beside: Ranked

    @property
    def ill(self) -> bool:
        """Whether the bench has a fault."""
        return self.alone.scored.drawn.fault is not None

    @property
    def shows(self) -> bool:
        """Whether the suspect channel by itself is visibly ill."""
        return self.alone.scored.detectable


@dataclass(frozen=True)
class Paired:
    """The difference of two figures taken of the same benches.

    Attributes
    ----------
    count : int
    alone, beside : float
        Means.
    error : float
        Standard error of the difference of the means; NaN for fewer than two benches.
    won, lost : int
        Benches with a larger or smaller figure beside.
    """

    count: int
    alone: float
    beside: float
    error: float
    won: int
    lost: int

    @staticmethod
    def of(alone: Sequence[float], beside: Sequence[float]) -> Paired:
        """Compare figures of the same benches.

        Parameters
        ----------
        alone, beside : sequence of n float
            For yes or no, 1 or 0.
        """
        before, after = np.array(alone, dtype=float), np.array(beside, dtype=float)
        apart = after - before
        count = len(apart)
        error = float(np.std(apart, ddof=1)) / math.sqrt(count) if count > 1 else math.nan
        return Paired(count, float(before.mean()), float(after.mean()), error,
                      int((apart > 0).sum()), int((apart < 0).sum()))

    @property
    def chance(self) -> float:
        """Probability of a count at least as uneven when neither way is better."""
        changed = self.won + self.lost
        return float(binomtest(self.won, changed).pvalue) if changed else 1.0


def ranked_twice(
    stage: Stage,
    readings: Sequence[Reading],
    benches: Sequence[RandomBench],
    bench: Bench,
    told: Callable[[Pair], None],
) -> list[Pair]:
    """Rank every bench alone and beside its good channel.

    Parameters
    ----------
    stage : Stage
    readings : sequence of Reading
    benches : sequence of RandomBench
    bench : Bench
        One that remembers.
    told : callable
        Called with every pair as it is done.
    """
    everything = hypotheses(stage)
    of_one, _ = weighed_with(stage, readings, everything, bench)
    of_two, both = weighed_with(stage, readings, everything, bench, reference=True)
    of_suspect, of_good = of_two.readings[: len(readings)], of_two.readings[len(readings) :]
    made = []
    for drawn in benches:
        two = side_by_side(read(of_suspect, drawn.values), read(of_good, drawn.reference))
        pair = Pair(
            _ranked(drawn, of_one, read(of_one.readings, drawn.values), bench),
            _ranked(drawn, of_two, two, both),
        )
        told(pair)
        made.append(pair)
    return made


def _ranked(drawn: RandomBench, found: Signatures, observed: Observed, bench: Bench) -> Ranked:
    priors = [math.log(s.hypothesis.prior) for s in found.faults]
    posterior = infer(found, observed, priors, bench)
    parts = part_probabilities(posterior)
    fault = drawn.fault
    place, true = 0, posterior.healthy
    if fault is not None:
        true = parts.get(fault.part, 0.0)
        place = list(parts).index(fault.part) + 1 if fault.part in parts else 0
    answer, first = answered(posterior)
    scored = BenchScore(drawn, detectable(found, observed), place, posterior.healthy, first, answer)
    return Ranked(scored, true)


def rows(name: str, pairs: Sequence[Pair]) -> list[str]:
    """The lines of one stage, or of all together."""
    ill = [p for p in pairs if p.ill]
    shown = [p for p in ill if p.shows]
    hidden = [p for p in ill if not p.shows]
    good = [p for p in pairs if not p.ill]
    made = []
    for label, which in (("shows", shown), ("hidden", hidden)):
        made += [
            _yes(name, f"{label}: part first", which, lambda s: s.place == 1),
            _yes(name, f"{label}: first three", which, lambda s: 1 <= s.place <= 3),
            _mean(name, f"{label}: probability of the part", which),
            _yes(name, f"{label}: first answer right", which, lambda s: s.right),
        ]
    made += [
        _yes(name, "healthy: called healthy", good, lambda s: s.answer == "healthy"),
        _mean(name, "healthy: probability of health", good),
        _yes(name, "all: first answer right", pairs, lambda s: s.right),
        _mean(name, "all: probability of the truth", pairs),
    ]
    alone, beside = (
        report(name, [s.scored for s in ranked])
        for ranked in ([p.alone for p in pairs], [p.beside for p in pairs])
    )
    figures: tuple[tuple[str, Callable[[Report], float]], ...] = (
        ("all: largest", lambda r: r.mean_first), ("all: error", lambda r: r.calibration),
    )
    for label, figure in figures:
        cells = (f"{figure(alone):.3f}", f"{figure(beside):.3f}")
        made.append(_line((name, label, str(len(pairs)), *cells, "", "", "", "")))
    return made


def _yes(
    name: str, what: str, pairs: Sequence[Pair], holds: Callable[[BenchScore], bool]
) -> str:
    if not pairs:
        return _line((name, what, "0", *("-",) * 6))
    one = Paired.of([holds(p.alone.scored) for p in pairs], [holds(p.beside.scored) for p in pairs])
    return _line((name, what, *_cells(one), str(one.won), str(one.lost), f"{one.chance:.2g}"))


def _mean(name: str, what: str, pairs: Sequence[Pair]) -> str:
    if not pairs:
        return _line((name, what, "0", *("-",) * 6))
    one = Paired.of([p.alone.true for p in pairs], [p.beside.true for p in pairs])
    return _line((name, what, *_cells(one), "", "", ""))


def _cells(one: Paired) -> tuple[str, ...]:
    apart = f"{one.beside - one.alone:+.3f} ± {one.error:.3f}"
    return str(one.count), f"{one.alone:.3f}", f"{one.beside:.3f}", apart


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |\n"


def _told(pair: Pair) -> None:
    """A line a bench, to see where the two answers part."""
    one, two = pair.alone, pair.beside
    sys.stdout.write(
        f"{one.scored.truth:38} {'shows' if pair.shows else 'hidden':6}"
        f" {one.true:.3f} {one.scored.answer} {one.scored.first:.3f}"
        f" | {two.true:.3f} {two.scored.answer} {two.scored.first:.3f}\n"
    )
    sys.stdout.flush()


def main() -> None:
    """Rank the pairs of every stage and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="*", metavar="STAGE", default=list(STAGES))
    parser.add_argument("--benches", type=int, default=64)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--output", type=Path, default=TABLE)
    values = parser.parse_args()
    text = [HEAD.format(benches=values.benches, seed=values.seed), _line(COLUMNS),
            "|" + "---|" * len(COLUMNS) + "\n"]
    everything: list[Pair] = []
    for name in values.stages:
        start = time.monotonic()
        stage = load_stage(name)
        random = np.random.default_rng(values.seed)
        with Laboratory(Memory(), 1, PATIENCE) as bench:
            readings = [reading for reading, _ in propose(stage, bench)]
            drawn = draw_benches(
                stage, readings, values.benches, bench, random, SHARE_HEALTHY, None, UNKNOWN
            )
            pairs = ranked_twice(stage, readings, drawn, bench, _told)
        everything += pairs
        text += rows(name, pairs)
        values.output.write_text("".join(text), encoding="utf-8")
        sys.stdout.write(f"{name}: {len(pairs)} pairs in {time.monotonic() - start:.0f} s\n")
    if len(values.stages) > 1:
        text += rows("together", everything)
        values.output.write_text("".join(text), encoding="utf-8")


if __name__ == "__main__":
    main()
