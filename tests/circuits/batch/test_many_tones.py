"""Steady states under many tones, against closed forms and transient runs of ngspice.

Sources: cosines added up one by one, products of polynomials counted by convolution, networks of
few parts whose impedance is written down, and plain ngspice. Its run starts from rest and a reading
takes a drift of degree 3 away, by which stages with a boost of bass read up to 1.4 dB less than
after 60 periods, and its steps leave 0.9 dB in a valve stage: where that is more than what is held
here, it is given time, no drift, and finer steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from circuits.batch import grid as grids
from circuits.batch.engine import Many
from circuits.batch.multiples import multiples
from circuits.batch.smooth import smooth
from circuits.bench import distortion, driven
from circuits.bench.analysis import Analysis, Results
from circuits.bench.driven import Driven
from circuits.bench.engine import Engine
from circuits.bench.steps import abreast, alone
from circuits.bench.supply import resolved
from circuits.bench.take import plan, take, taking
from circuits.circuit import Circuit
from circuits.errors import NoSolution
from circuits.load import load_stage, stage_names
from circuits.reading import Reading
from circuits.signals import manytone
from circuits.stage import Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.circuits.signals.test_many_tones import AUDIO, COMB, TONES, counted
from tests.circuits.test_distortion import SQUARE, V0
from tests.small import db

NEAR = 0.3
"""dB that floors may differ by."""
HEARD = -100.0
"""dB, below which floors are not held: what an analyser adds lies at −120 dB."""
LONGER = {"phono-two-transistor": 8, "phono-three-transistor": 20, "phono-shunt-feedback": 20}
"""Periods that couplings take to charge where it shows, and no drift is taken away."""
FINER = {"valve-push-pull": 2, "filter-low": 2}
"""Steps for each of a reading's."""
BENT = {"headphone", "output-complementary", "output-mirror", "output-mosfet",
        "output-quasi-complementary"}
"""Stages in class B or AB, which ngspice runs."""
FAULTS = {
    "line-two-transistor": [
        Fault("R5", "drift up", 1.3), Fault("R5", "drift up", 3.0), Fault("C3", "open", 1.0),
        Fault("Q1", "low gain", 0.15), Fault("C9", "leakage", 3e4),
    ],
    "tone-control": [Fault("C4", "leakage", 5e5), Fault("R9", "drift down", 0.55)],
    "valve-single-ended": [Fault("ht", "low", 0.75)],
    "supply-regulated": [Fault("C1", "capacitance loss", 0.13)],
}


def usual(stage: Stage) -> float:
    """V peak, as a reading is driven that states no level."""
    how, volts = stage.signal[0]
    assert how == "input level"
    return 2.0 * volts / COMB.crest


def floor(found: Driven) -> float:
    """What lies between the tones over these, dB."""
    signal, rest = (
        manytone.between(found.time, found.output, COMB, AUDIO) if found.cycle is None
        else manytone.between_lines(found.cycle.lines[:, 0], COMB, AUDIO)
    )
    return db(max(rest, 1e-9 * signal) / signal)


def refused(net: Circuit, analyses: Sequence[Analysis]) -> Results:
    """In place of ngspice, for what the batch is to answer."""
    raise NoSolution("asked for what the batch has no answer for")


def judged(name: str, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> float:
    """The floor by a transient run."""
    if name in LONGER:
        monkeypatch.setattr(manytone, "DRIFT", 0)
    tones = replace(TONES, settle=LONGER.get(name, 1), step=TONES.step / FINER.get(name, 1))
    return floor(alone(driven.drive(stage, tones, usual(stage)), Engine().run))


# -- lines and samples, and networks by few lines --------------------------------------------------


def test_waves_are_cosines_added_up() -> None:
    """Three lines and a direct one, and back again; the dense grid of harmonics says the same."""
    grid = multiples(20, 45)
    lines = np.zeros((21, 2), complex)
    lines[0], lines[1], lines[7], lines[20] = 0.5, [1.0, 2j], 0.3 - 0.4j, [0.0, 1e-3]
    turns = 2.0 * math.pi * np.arange(45) / 45
    wave = sum(np.abs(lines[k]) * np.cos(k * turns[:, None] + np.angle(lines[k]))
               for k in (1, 7, 20)) + 0.5
    made = grid.waves(grid.parts(lines))
    assert made == pytest.approx(wave, abs=1e-12)
    assert grid.whole(grid.numbers(made)) == pytest.approx(lines, abs=1e-12)
    dense = grids.harmonics(12, 2)
    numbers = np.random.default_rng(1).standard_normal((25, 3))
    assert multiples(12, 48).waves(numbers) == pytest.approx(dense.waves(numbers), abs=1e-12)


@pytest.mark.parametrize(
    ("quality", "few"), [(0.5, True), (1.0, True), (3.0, True), (100.0, False)]
)
def test_a_network_is_told_by_few_lines_where_it_is_smooth(quality: float, few: bool) -> None:
    """A high-pass of 70 Hz and a resonance at 5 kHz, written down; a sharp one by each line."""
    asked: list[int] = []

    def exact(orders: np.ndarray, units: np.ndarray) -> np.ndarray:
        asked.append(len(orders) * len(units))
        s = 2j * math.pi * 20.0 * orders
        pole, turn = 2.0 * math.pi * 70.0, s / (2.0 * math.pi * 5e3)
        made = s / (s + pole) / (1.0 + turn / quality + turn**2)
        return np.stack([made * (u + 1.0) for u in units.tolist()], axis=1)

    found = smooth(exact, 2000, 2)
    assert (sum(asked) < 600) == few
    truth = exact(np.arange(2001), np.arange(2))
    assert np.abs(found - truth).max() < 1e-3 * np.abs(truth).max()
    kept = np.abs(truth) > 1e-2 * np.abs(truth).max()
    assert np.abs(found[kept] / truth[kept] - 1.0).max() < 2e-3


def test_a_square_law_has_the_products_that_can_be_counted() -> None:
    """(V0 + v)² / 2V0, closer than a transient run comes (0.1 dB)."""
    many = Many(Engine().run)
    (found,) = abreast([driven.drive(SQUARE, TONES, 0.2 * math.sqrt(2.0))], many.run)
    assert isinstance(found, Driven)
    assert many.count.batched == 1
    assert floor(found) == pytest.approx(counted(COMB, 0.2, 0.5 / V0, 0.0), abs=0.01)


# -- transient runs --------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in stage_names() if load_stage(n).signal])
def test_floor_of_every_stage(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    stage = resolved(load_stage(name))
    units = [stage, *(inject(stage, fault, stage) for fault in FAULTS.get(name, ()))]
    many = Many(refused)
    found = abreast([driven.drive(unit, TONES, usual(unit)) for unit in units], many.run)
    if name in BENT:
        assert many.count.others == {"no steady state": 1}
        return
    assert many.count.batched == len(units), many.count
    for unit, mine in zip(units, found, strict=True):
        assert isinstance(mine, Driven)
        theirs = judged(name, unit, monkeypatch)
        if max(floor(mine), theirs) > HEARD:
            assert floor(mine) == pytest.approx(theirs, abs=NEAR)


def test_what_bends_strongly_is_run_and_counted() -> None:
    """A stage that is driven into its rails, beside one that is not."""
    stage = load_stage("line-two-transistor")
    many = Many(Engine().run)
    flows = [driven.drive(stage, TONES, crest) for crest in (0.1, 3.0)]
    mine, clips = abreast(flows, many.run)
    assert isinstance(mine, Driven)
    assert mine.cycle is not None
    assert isinstance(clips, Driven)
    assert many.count.others == {"no steady state": 1}
    plain = alone(driven.drive(stage, TONES, 3.0), Engine().run)
    assert np.array_equal(clips.output, plain.output)


def test_the_reading_is_the_same_either_way() -> None:
    """With its level, hum and noise: 0.5 dB, what a transient run is good for."""
    stage = load_stage("line-two-transistor")
    readings = (Reading("many-tone floor", level=("output level", 1.0)),
                Reading("many-tone floor", band=(200.0, 10e3)))
    many = Many(Engine().run)
    (mine,) = abreast([taking(stage, plan(stage, readings))], many.run)
    assert not many.count.others
    assert mine == pytest.approx(take(stage, readings), abs=0.5)


def test_a_level_is_found_from_the_last_drive() -> None:
    """The second begins at the steady state of the first, and ends where one from rest does."""
    stage = load_stage("line-two-transistor")
    run = Many(Engine().run).run
    generator = distortion.Generator(stage, TONES, 0.0)
    for crest in (0.19, 0.2):
        (found,) = abreast([generator.at(crest)], run)
    (fresh,) = abreast([driven.drive(stage, TONES, 0.2)], run)
    assert isinstance(found, Driven)
    assert isinstance(fresh, Driven)
    assert floor(found) == pytest.approx(floor(fresh), abs=0.01)
