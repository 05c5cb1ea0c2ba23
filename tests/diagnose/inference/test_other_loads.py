"""An unknown other load on a rail adds to its current, and does not make a good unit ill.

Units are random good ones with a resistor more from the rail to ground, simulated with that in the
circuit. Without the nuisance the same units are blamed, so that a passing count means something.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import fed, take
from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading, compared
from circuits.stage import Part, Stage
from diagnose.inference.infer import observe, weighing
from diagnose.inference.other_loads import adds, doubt, eased
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.entry import Measured, usual
from faultlib.adjust import as_set
from faultlib.simulate import Laboratory
from faultlib.store import Memory
from faultlib.tolerance import draw

NAME = "line-two-transistor"
UNITS = 8
CURRENT = Reading("supply current", rail="vcc")


@pytest.fixture(scope="module")
def bench() -> Iterator[Laboratory]:
    with Laboratory(Memory()) as made:
        yield made


def asked(stage: Stage) -> list[Reading]:
    """What a technician reads at rest."""
    nodes = [name for name, _ in stage.test_points]
    return [*(Reading("dc voltage", at=name) for name in nodes), CURRENT,
            Reading("gain", frequency=1e3), Reading("output impedance", frequency=1e3)]


def quiet(stage: Stage) -> Stage:
    """The same stage of whose rails the sheet says that they feed nothing else."""
    return replace(stage, rails=tuple(replace(rail, others=0.0) for rail in stage.rails))


def bled(stage: Stage, random: np.random.Generator, share: float) -> list[Measured]:
    """Readings of a random good unit whose rail also feeds a resistor, with the bench's error."""
    unit = as_set(stage, draw(stage, random))
    (rail,) = stage.rails
    healthy = float(take(stage, [CURRENT])[0])
    bleeder = Part("R99", "carbon-film", (rail.name, "0"), rail.volts / (share * healthy))
    unit = fed(stage, replace(unit, parts=(*unit.parts, bleeder)))
    made = []
    for reading, value in zip(asked(stage), take(unit, asked(stage)), strict=True):
        sigma = usual(Measured(reading, float(value)))
        error = float(random.normal(0.0, sigma))
        shown = value * math.exp(error) if reading.scale == "log" else value + error
        made.append(Measured(reading, float(shown)))
    return made


def healthy(stage: Stage, readings: list[Measured], bench: Laboratory) -> bool:
    """Whether health is the likeliest answer."""
    found = weighing(Case("bled", stage, tuple(readings)), bench).posterior
    return found.healthy > max([found.unmodelled, *(p for _, p in found.suspects)])


@pytest.mark.slow
def test_good_units_with_a_bleeder_are_not_blamed(bench: Laboratory) -> None:
    """7 of 8; bleeders take 0.3 to 1.5 times what the stage does, drawn at random."""
    stage = load_stage(NAME)
    random = np.random.default_rng(20240)
    units = [bled(stage, random, math.exp(random.uniform(math.log(0.3), math.log(1.5))))
             for _ in range(UNITS)]
    unknown = sum(healthy(stage, readings, bench) for readings in units)
    none = sum(healthy(quiet(stage), readings, bench) for readings in units[:3])
    assert unknown >= UNITS - 1
    assert none <= 1  # said to feed nothing else, the same units are ill


def test_a_current_that_is_too_low_tells_as_much_as_before() -> None:
    """Other loads can only add: below its prediction a reading keeps its distance."""
    stage = load_stage(NAME)
    about = float(take(stage, [CURRENT])[0])
    predicted = np.array([[compared(CURRENT, about)]])
    for factor, counts in ((0.5, True), (2.0, False)):
        readings = [Measured(CURRENT, factor * about)]
        free = observe(readings, stage).residuals(predicted)[0, 0]
        sure = observe(readings, quiet(stage)).residuals(predicted)[0, 0]
        assert sure == pytest.approx(math.log(factor), rel=1e-6)
        assert bool(free == sure) is counts
        assert abs(free) <= abs(sure)


def test_twice_the_current_lies_within_two_standard_deviations_of_another_stage_alike() -> None:
    """Upwards the width is that of ``feed.yaml``: ln 2 = 0.69 at 0.5."""
    stage = load_stage(NAME)
    shares = eased([CURRENT], stage)
    assert shares is not None
    (share,) = shares
    apart = math.log(2.0) * share / 0.08
    assert 1.0 < apart < 2.0


def test_only_supply_currents_of_rails_that_may_feed_more_are_eased() -> None:
    stage = load_stage(NAME)
    gain = Reading("gain", frequency=1e3)
    assert adds(CURRENT, stage)
    assert not adds(gain, stage)
    assert eased([gain], stage) is None
    assert eased([CURRENT, gain], quiet(stage)) is None
    assert doubt(CURRENT, stage) > doubt(CURRENT, quiet(stage)) == 0.0


def sheet(folder: Path, line: str) -> Path:
    path = folder / "sheet.yaml"
    path.write_text(f"case: x\nstage: {NAME}\n{line}\nreadings: []\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("line", "others"), [("", 1.0), ("other loads: unknown", 1.0), ("other loads: none", 0.0)]
)
def test_the_sheet_says_whether_anything_else_hangs_on_the_rails(
    tmp_path: Path, line: str, others: float
) -> None:
    made = load_case(sheet(tmp_path, line))
    assert [rail.others for rail in made.stage.rails] == [others]


def test_any_other_word_is_refused_with_what_fits(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="word about other loads") as raised:
        load_case(sheet(tmp_path, "other loads: nothing"))
    assert "none" in str(raised.value)
