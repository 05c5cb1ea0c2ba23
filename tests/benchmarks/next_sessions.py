"""How many readings a repair takes: following the advice, against two usual orders.

Random faulty units of a stage, drawn from the prior with good parts within their tolerance and
with the noise of instruments. Every session starts from the gain alone and goes on until the
group that holds the true fault has a probability of 0.9. Compared: the reading that `diagnose
next` puts first, the printed bias table (direct voltages in the order of the test points, then
everything else), and an order drawn at random. All of them weigh their readings alike, by the
screen that every fault goes through first, which needs no simulation of its own. Units on which
even all readings together do not get there are counted and left out. Run:
`python tests/benchmarks/next_sessions.py [units] [stage ...]`.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from circuits.load import load_stage
from circuits.reading import Reading, instrument
from circuits.stage import Stage
from diagnose.advice.candidates import candidates
from diagnose.advice.ranked_readings import advise
from diagnose.inference.groups import Member, grouped
from diagnose.inference.likelihood import Observed
from diagnose.inference.posterior import Posterior, Weighed, healthy, share
from diagnose.inference.screen import screen
from diagnose.inference.unmodelled import unmodelled
from faultlib.catalogue import Hypothesis, hypotheses
from faultlib.signature import Signatures, signatures
from faultlib.simulate import Answer, Bench, Laboratory, Progress, Variant
from faultlib.store import Store
from faultlib.tolerance import draw

START = Reading("gain", frequency=1e3)
ENOUGH = 0.9
SEED = 7
Array = NDArray[np.float64]
Order = Callable[["Session", list[int]], int]
"""Which of the readings left is taken next."""


@dataclass
class Memory:
    """A bench that takes all readings of a variant at once and remembers them."""

    bench: Bench
    everything: tuple[Reading, ...]
    known: dict[Variant, Array] = field(default_factory=dict)

    def values(
        self, stage: Stage, variants: Sequence[Variant], readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        new = [v for v in dict.fromkeys(variants) if v not in self.known]
        answer = self.bench.values(stage, new, self.everything, progress)
        self.known.update(zip(new, answer.values, strict=True))
        columns = [self.everything.index(r) for r in readings]
        rows = np.array([self.known[v][columns] for v in variants])
        return Answer(rows.reshape(len(variants), len(columns)), answer.problems, len(new))


@dataclass
class Session:
    """One unit on the bench: what was read so far."""

    found: Signatures
    values: Array
    bench: Bench
    taken: list[int]

    def look(self) -> tuple[Signatures, Observed, Posterior, list[Member]]:
        found = columns(self.found, self.taken)
        values = self.values[self.taken]
        sigma = np.array([float(instrument(r, values[k : k + 1])[0])
                          for k, r in enumerate(found.readings)])
        observed = Observed(found.readings, values, sigma, ("",) * len(values))
        weight = math.log(sum(s.hypothesis.prior for s in found.faults))
        modelled = math.log(0.72)
        scored = [screen(s, found, observed, math.log(s.hypothesis.prior) - weight + modelled)
                  for s in found.faults]
        good = healthy(found, observed)
        odd = math.log(0.03) + unmodelled(scored, found, observed)
        posterior = share(
            Weighed(tuple(scored), good.score, odd, good.square, good.size, good.spread,
                    good.log_evidence))
        live = [(s, p) for s, p in posterior.suspects if p >= 0.01][:16]
        return found, observed, posterior, grouped(live)

    def sure(self, truth: Hypothesis) -> bool:
        """Whether the group that holds the true fault is probable enough."""
        _, _, _, members = self.look()
        group = next((m.group for m in members if truth.label() in
                      [h.label() for h in m.scored.hypotheses]), 0)
        return sum(m.probability for m in members if m.group == group and group) >= ENOUGH


def columns(found: Signatures, which: Sequence[int]) -> Signatures:
    """Signatures of some of the readings."""
    index = list(which)
    return replace(
        found, readings=tuple(found.readings[k] for k in index), healthy=found.healthy[index],
        sensitivities=found.sensitivities[:, index],
        faults=tuple(replace(s, values=s.values[:, index]) for s in found.faults),
    )


def advised(session: Session, left: list[int]) -> int:
    found, observed, posterior, members = session.look()
    labels = {session.found.readings[k].label(): k for k in left}
    readings = [session.found.readings[k] for k in left]
    proposed = advise(found, observed, posterior, members, [readings], session.bench)
    return next((labels[p.reading] for p in proposed), left[0])


def printed(session: Session, left: list[int]) -> int:
    return left[0]


def random_order(seed: int) -> Order:
    random = np.random.default_rng(seed)
    return lambda session, left: int(random.choice(left))


def length(session: Session, truth: Hypothesis, order: Order) -> int:
    """Readings taken, the first one included, until the true group is probable enough."""
    session.taken = [0]
    while not session.sure(truth):
        left = [k for k in range(len(session.values)) if k not in session.taken]
        if not left:
            break
        session.taken.append(order(session, left))
    return len(session.taken)


def sessions(stage: Stage, units: int, bench: Bench) -> tuple[list[tuple[int, int, int]], int, int]:
    """Lengths by advice, by the printed table and at random; units left out; readings in all."""
    everything = (START, *candidates(stage, [START], bench))
    memory = Memory(bench, everything)
    known = hypotheses(stage)
    found = signatures(stage, everything, known, memory)
    random = np.random.default_rng(SEED)
    weights = np.array([s.hypothesis.prior for s in found.faults])
    lengths: list[tuple[int, int, int]] = []
    out = 0
    for number in range(units):
        pick = int(random.choice(len(weights), p=weights / weights.sum()))
        truth = found.faults[pick].hypothesis
        size = float(truth.mode.size(truth.mode.drawn(np.array([random.uniform()])))[0])
        unit = Variant((truth.fault(size),), draw(stage, random))
        row = memory.values(stage, [unit], everything).values[0]
        if np.isnan(row).any():
            continue
        noise = np.array([float(instrument(r, row[k : k + 1])[0])
                          for k, r in enumerate(everything)])
        session = Session(found, row + noise * random.normal(size=len(row)), memory,
                          list(range(len(row))))
        if not session.sure(truth):
            out += 1
            continue
        lengths.append((length(session, truth, advised), length(session, truth, printed),
                        length(session, truth, random_order(number))))
    return lengths, out, len(everything)


def main() -> None:
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    names = sys.argv[2:] or ["phono-opamp", "phono-two-transistor"]
    print(f"{'stage':24} {'units':>5} {'left out':>8} {'readings':>8} {'order':14} "
          f"{'mean':>5} {'median':>6} {'of random':>9}")
    for name in names:
        with Laboratory(Store(None)) as laboratory:
            lengths, out, count = sessions(load_stage(name), units, laboratory)
        table = np.array(lengths, dtype=float)
        for k, order in enumerate(("advised", "printed table", "random")):
            print(f"{name:24} {len(table):5} {out:8} {count:8} {order:14} "
                  f"{table[:, k].mean():5.1f} {np.median(table[:, k]):6.1f} "
                  f"{table[:, k].mean() / table[:, 2].mean():9.2f}", flush=True)


if __name__ == "__main__":
    main()
