"""The literature's three benchmark filters: random faulty benches, named right.

Circuits, fault classes and what others reached: Su 2021 (Sci. Rep. 11:7969) and Sci. Rep. 2025
(s41598-025-02596-6) for the Sallen-Key band-pass; the biquad and the state-variable filter as the
literature on fault diagnosis gives them, with the pairs of parts that no response can separate:
biquad {R4, C2} (they enter as a product), state-variable {R4, C1} and {R5, C2}. Sizes are free
here, while the literature's classes know that a fault is of ±50 %; so {R6, R7} of the
state-variable filter, whose ratio alone enters, are one answer as well.

A bench has one part at half or one and a half times its value, or none, the others uniform
within 5 %, and instrument noise of the usual bench. Only the classes of the literature compete.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.inference.groups import grouped
from diagnose.inference.infer import infer
from diagnose.inference.likelihood import Observed
from diagnose.studies.random_benches import instrument
from faultlib.catalogue import hypotheses
from faultlib.signature import signatures
from faultlib.simulate import Laboratory, Variant
from faultlib.store import Memory
from faultlib.tolerance import draw

FILTERS = Path(__file__).parent / "data" / "filters"


@dataclass(frozen=True)
class Benchmark:
    """A filter, its classes, the frequencies it is read at, and which answers are one."""

    stage: str
    parts: tuple[str, ...]
    middle: float
    octaves: tuple[float, float]
    benches: int
    alike: tuple[frozenset[str], ...] = ()


BENCHMARKS = (
    Benchmark("sallen-key-band-pass", ("C1", "C2", "R2", "R3"), 25e3, (-3.0, 3.0), 200),
    # read in and near the pass band: the stop band is a cancellation that 5 % parts wipe out
    Benchmark("biquad-high-pass", ("C1", "C2", "R1", "R2", "R3", "R4"), 10e3, (-1.0, 3.0), 200,
              (frozenset({"R4", "C2"}),)),
    Benchmark("state-variable", ("R1", "R2", "R3", "R4", "R5", "R6", "R7", "C1", "C2"), 800.0,
              (-3.0, 3.0), 200,
              (frozenset({"R4", "C1"}), frozenset({"R5", "C2"}), frozenset({"R6", "R7"}))),
)


def _answers(benchmark: Benchmark) -> list[tuple[str, str, frozenset[str]]]:
    """(truth, first answer, parts of the first group) of every random bench."""
    stage = load_stage(str(FILTERS / f"{benchmark.stage}.yaml"))
    low, high = benchmark.octaves
    steps = np.arange(low, high + 0.25, 0.5)
    readings = [Reading("gain", frequency=float(benchmark.middle * 2.0**k)) for k in steps]
    classes = [
        h for h in hypotheses(stage)
        if h.part in benchmark.parts and h.mode.name in ("drift up", "drift down")
    ]
    random = np.random.default_rng(20210408)
    truths: list[str] = []
    variants: list[Variant] = []
    for _ in range(benchmark.benches):
        which = int(random.integers(len(classes) + 1))
        faults = ()
        if which < len(classes):
            up = classes[which].mode.name == "drift up"
            faults = (classes[which].fault(1.5 if up else 0.5),)
        truths.append(classes[which].label() if faults else "healthy")
        variants.append(Variant(faults, draw(stage, random)))
    made = []
    with Laboratory(Memory()) as laboratory:
        found = signatures(stage, readings, classes, laboratory)
        rows = laboratory.values(stage, variants, readings).values
        rows = rows + random.normal(size=rows.shape) * instrument(readings, rows[0])
        for truth, row in zip(truths, rows, strict=True):
            observed = Observed(tuple(readings), row, instrument(readings, row),
                                ("",) * len(readings))
            posterior = infer(found, observed, [0.0] * len(classes), laboratory)
            members = grouped([s for s in posterior.suspects if s[1] > 0.01])
            first = max(posterior.suspects, key=lambda s: s[1])
            answer = first[0].hypotheses[0].label()
            if posterior.healthy > first[1]:
                answer = "healthy"
            group = frozenset(m.scored.hypotheses[0].label() for m in members if m.group == 1)
            made.append((truth, answer, group))
    return made


@pytest.mark.slow
@pytest.mark.parametrize("benchmark", BENCHMARKS, ids=lambda b: b.stage)
def test_random_benches_are_named_right(benchmark: Benchmark) -> None:
    answers = _answers(benchmark)
    right = 0
    wrong: list[tuple[str, str]] = []
    for truth, answer, group in answers:
        part, answered = truth.split()[0], answer.split()[0]
        same_class = any({part, answered} <= pair for pair in benchmark.alike)
        if answer == truth or (same_class and truth in group):
            right += 1
        else:
            wrong.append((truth, answer))
    # all of 200 for the Sallen-Key; 98 % on groups for the others, as the literature's best
    needed = len(answers) if not benchmark.alike else 0.98 * len(answers)
    assert right >= needed, f"{right} of {len(answers)}; wrong: {wrong}"
