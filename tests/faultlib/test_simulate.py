"""The laboratory: every variant once, in its place, and named when it cannot be simulated.

A pool that answers from a table stands in for the simulators, except where the real one is meant.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from circuits.bench import workers
from circuits.bench.workers import Failure
from circuits.excess import INDEX
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib import catalogue, watched
from faultlib.fault import Fault
from faultlib.fingerprint import fingerprint
from faultlib.measure import Read
from faultlib.simulate import Answer, Laboratory, Problem, Variant, unit
from faultlib.store import Memory, Store
from faultlib.tolerance import draw, spreads

DATA = Path(__file__).resolve().parents[1] / "data"
READINGS = (Reading("gain", frequency=1e3), Reading("input impedance", frequency=1e3))

Outcome = list[float] | Failure | Read


class TablePool:
    """Stands in for the pool; answers by a function of the variant, and counts."""

    answer: Callable[[Variant], Outcome]
    asked: list[Variant]

    def __init__(
        self, workers: int | None = None, timeout: float = 0.0, cluster: object = None
    ) -> None:
        del workers, timeout, cluster

    def __exit__(self, *_: object) -> None:
        pass

    def map(
        self,
        function: object,
        items: Sequence[Variant],
        progress: Callable[[int, int], None] | None = None,
        shared: object = None,
        until: float = math.inf,
        arrived: Callable[[Sequence[tuple[int, Outcome]]], None] | None = None,
        together: int = 0,
        patience: float = 0.0,
    ) -> list[Outcome]:
        del function, progress, shared, until, together, patience
        outcomes = []
        for k, item in enumerate(items):
            TablePool.asked.append(item)
            outcome = TablePool.answer(item)
            outcomes.append(Read(tuple(outcome)) if isinstance(outcome, list) else outcome)
            if arrived is not None:
                arrived([(k, outcomes[-1])])
        return outcomes


def farads(variant: Variant) -> float:
    value = unit(stage(), variant).part("C1").value
    assert value is not None
    return value


def number(variant: Variant) -> Outcome:
    """Two readings that tell the variant apart."""
    return [1e6 * farads(variant), 10.0 + 1e6 * farads(variant)]


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[TablePool]]:
    monkeypatch.setattr(workers, "Pool", TablePool)
    monkeypatch.setattr(TablePool, "asked", [], raising=False)
    monkeypatch.setattr(TablePool, "answer", staticmethod(number), raising=False)
    fingerprint.cache_clear()
    yield TablePool
    fingerprint.cache_clear()


def stage() -> Stage:
    return load_stage(DATA / "coupling.yaml")


def loss(size: float) -> Variant:
    return Variant((Fault("C1", "capacitance loss", size),))


VARIANTS = [Variant(), *(loss(s) for s in (0.7, 0.3, 0.1, 0.02))]


def ask(
    store: Store, variants: Sequence[Variant] = VARIANTS, of: Stage | None = None,
    readings: Sequence[Reading] = READINGS,
) -> Answer:
    with Laboratory(store) as laboratory:
        return laboratory.values(of or stage(), variants, readings)


# -- order, scales, problems -----------------------------------------------------------------------


def test_rows_stand_in_the_order_asked_on_the_compared_scale(pool: type[TablePool]) -> None:
    """Gain is compared in dB as it is, an impedance by its natural logarithm."""
    store = Memory()
    ask(store, VARIANTS[::2])
    found = ask(store, [*VARIANTS, VARIANTS[1]])  # some known, some new, one twice
    sizes = [10.0, 7.0, 3.0, 1.0, 0.2, 7.0]  # µF: the stage's 10 µF times what is left
    np.testing.assert_allclose(found.values[:, 0], sizes)
    # 1 ohm is the least that a bench shows and 10 Mohm of the meter lie beside
    ohms = np.hypot(10.0 + np.array(sizes), 1.0)
    np.testing.assert_allclose(found.values[:, 1], np.log(1.0 / (1.0 / ohms + 1e-7)))
    assert found.problems == ()


def mishap(variant: Variant) -> Outcome:
    """Large losses go wrong, each in its own way; the rest are well."""
    left = farads(variant) * 1e6
    if left < 0.5:
        return Failure("error", "it oscillates")
    if left < 2.0:
        return Failure("crash", "the worker died of SIGSEGV")
    if left < 5.0:
        return Failure("timeout", "no result within 20 s")
    return number(variant)


def test_what_goes_wrong_is_named_and_the_others_keep_their_values(pool: type[TablePool]) -> None:
    pool.answer = staticmethod(mishap)
    found = ask(Memory())
    assert found.simulated == 5
    np.testing.assert_allclose(found.values[:2, 0], [10.0, 7.0])
    assert np.isnan(found.values[2:]).all()
    assert found.problems == (
        Problem("C1 capacitance loss", "timeout", "no result within 20 s"),
        Problem("C1 capacitance loss", "crash", "the worker died of SIGSEGV"),
        Problem("C1 capacitance loss", "no solution", "it oscillates"),
    )


def test_no_solution_is_remembered_and_an_accident_is_tried_again(
    pool: type[TablePool], tmp_path: Path
) -> None:
    pool.answer = staticmethod(mishap)
    ask(Store(tmp_path))
    pool.answer = staticmethod(number)
    pool.asked.clear()
    found = ask(Store(tmp_path))
    assert pool.asked == [VARIANTS[2], VARIANTS[3]]
    assert found.simulated == 2
    np.testing.assert_allclose(found.values[:4, 0], [10.0, 7.0, 3.0, 1.0])
    assert np.isnan(found.values[4]).all()
    assert [(p.variant, p.kind) for p in found.problems] == [("C1 capacitance loss", "no solution")]


@pytest.mark.parametrize("odd", [math.nan, math.inf])
def test_a_reading_without_a_number_is_a_problem_not_half_a_row(
    pool: type[TablePool], odd: float
) -> None:
    pool.answer = staticmethod(lambda variant: [35.0, odd])
    store = Memory()
    for _ in range(2):
        found = ask(store, [Variant()])
        assert np.isnan(found.values).all()
        assert [(p.variant, p.kind) for p in found.problems] == [("healthy", "no solution")]
    assert "input impedance" in ask(Memory(), [Variant()]).problems[0].text


def test_a_unit_that_swings_keeps_its_readings_at_rest(
    pool: type[TablePool], tmp_path: Path
) -> None:
    """A meter reads volts and gain of it all the same; distortion has no value, and a reason."""
    driven = Reading("thd", frequency=1e3)
    pool.answer = staticmethod(lambda variant: Read((35.0, math.nan), "oscillates at 5 MHz"))
    reason = (Problem("healthy", "no solution", "oscillates at 5 MHz"),)
    for _ in range(2):
        found = ask(Store(tmp_path), [Variant()], readings=(READINGS[0], driven))
        assert found.values[0, 0] == 35.0
        assert np.isnan(found.values[0, 1])
        assert found.problems == reason
    pool.asked.clear()
    at_rest = ask(Store(tmp_path), [Variant()], readings=READINGS[:1])
    assert at_rest.values.tolist() == [[35.0]]
    assert at_rest.problems == ()
    under_drive = ask(Store(tmp_path), [Variant()], readings=(driven,))
    assert np.isnan(under_drive.values).all()
    assert under_drive.problems == reason
    assert pool.asked == []


# -- what is asked of the store --------------------------------------------------------------------


def test_a_second_run_simulates_nothing(pool: type[TablePool], tmp_path: Path) -> None:
    random = np.random.default_rng(0)
    units = [*VARIANTS, Variant((), draw(stage(), random)),
             # what is heard alone moves none of these readings
             *(Variant(loss(0.3).faults, ((s, 1.0),)) for s in spreads(stage()) if s.what != INDEX)]
    first = ask(Store(tmp_path), units)
    assert first.simulated == len(units)
    pool.asked.clear()
    second = ask(Store(tmp_path), units)
    assert second.simulated == 0
    assert pool.asked == []
    np.testing.assert_array_equal(first.values, second.values)
    again = ask(Store(tmp_path), units, readings=READINGS[::-1])
    assert again.simulated == 0
    np.testing.assert_array_equal(again.values, first.values[:, ::-1])


def test_what_is_heard_alone_is_not_simulated_for_other_readings(tmp_path: Path) -> None:
    """Another make of resistors moves noise; a voltage is the same number, taken once."""
    (index,) = (s for s in spreads(stage()) if s.what == INDEX)
    units = [Variant(), Variant((), ((index, 1.0),)), Variant((), ((index, -2.0),))]
    answer = ask(Store(tmp_path), units)
    assert answer.simulated == 1
    np.testing.assert_array_equal(answer.values, answer.values[[0, 0, 0]])


def test_only_new_readings_are_taken(pool: type[TablePool]) -> None:
    store = Memory()
    ask(store)
    assert ask(store, readings=READINGS[:1]).simulated == 0
    other = (READINGS[0], Reading("gain", frequency=1000.5))
    assert ask(store, readings=other).simulated == len(VARIANTS)


CHANGES: dict[str, Callable[[Stage], Stage]] = {
    "value": lambda s: s.with_part(replace(s.part("C1"), value=math.nextafter(1e-5, 1.0))),
    "tolerance": lambda s: s.with_part(replace(s.part("R1"), tolerance=0.02)),
    "load": lambda s: replace(s, load=47e3),
    "mains": lambda s: replace(s, mains=60.0),
    "node": lambda s: replace(s, input="out"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_stage_is_simulated_anew(pool: type[TablePool], what: str) -> None:
    store = Memory()
    ask(store)
    assert ask(store, of=CHANGES[what](stage())).simulated == len(VARIANTS)
    assert ask(store).simulated == 0


def test_sizes_next_to_each_other_are_not_mixed_up(pool: type[TablePool]) -> None:
    store = Memory()
    ask(store, [loss(0.3)])
    assert ask(store, [loss(math.nextafter(0.3, 1.0))]).simulated == 1
    moved = Variant((), ((spreads(stage())[0], 1.0),))
    assert ask(store, [moved]).simulated == 1
    assert ask(store, [Variant()]).simulated == 1


def test_a_spoilt_file_is_simulated_anew(pool: type[TablePool], tmp_path: Path) -> None:
    first = ask(Store(tmp_path))
    (path,) = tmp_path.rglob("*.units")
    path.write_bytes(path.read_bytes()[:-3])
    second = ask(Store(tmp_path))
    assert second.simulated == 1  # the last one
    np.testing.assert_array_equal(first.values, second.values)
    assert ask(Store(tmp_path)).simulated == 0


def test_a_changed_mode_file_is_simulated_anew(
    pool: type[TablePool], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Memory()
    copy = tmp_path / "faultlib"
    shutil.copytree(Path(catalogue.__file__).parent, copy)
    monkeypatch.setattr(catalogue, "__file__", str(copy / "catalogue.py"))
    fingerprint.cache_clear()
    ask(store)
    assert ask(store).simulated == 0
    modes = copy / "modes" / "capacitors.yaml"
    modes.write_text(modes.read_text(encoding="utf-8").replace("0.005", "0.006"), encoding="utf-8")
    fingerprint.cache_clear()
    assert ask(store).simulated == len(VARIANTS)


# -- the real one ----------------------------------------------------------------------------------


def high_pass(variant: Variant) -> float:
    """Gain at 20 Hz of C with its series resistance into 10 kΩ, dB: the closed form."""
    part = unit(stage(), variant).part("C1")
    assert part.value is not None
    total = complex(10e3 + part.esr, -1.0 / (2.0 * math.pi * 20.0 * part.value))
    return 20.0 * math.log10(10e3 / abs(total))


@pytest.mark.slow
def test_many_variants_on_two_workers_keep_their_places(tmp_path: Path) -> None:
    variants = [loss(s) for s in np.random.default_rng(1).uniform(0.005, 0.7, 60).tolist()]
    reading = [Reading("gain", frequency=20.0)]
    done: list[tuple[int, int]] = []
    with Laboratory(Store(tmp_path), workers=2) as laboratory:
        found = laboratory.values(stage(), variants, reading, lambda k, n: done.append((k, n)))
    expected = [high_pass(v) for v in variants]
    np.testing.assert_allclose(found.values[:, 0], expected, atol=1e-4)
    assert found.simulated == 60
    assert done[-1] == (60, 60)
    with Laboratory(Store(tmp_path), workers=0) as laboratory:
        again = laboratory.values(stage(), variants, reading)
    assert again.simulated == 0
    np.testing.assert_array_equal(again.values, found.values)


@pytest.mark.slow
def test_a_simulator_that_takes_too_long_is_named() -> None:
    with Laboratory(Memory(), workers=1, timeout=1e-4) as laboratory:
        found = laboratory.values(stage(), [Variant(), loss(0.5)], READINGS)
    assert np.isnan(found.values).all()
    assert {(p.variant, p.kind) for p in found.problems} == {
        ("healthy", "timeout"), ("C1 capacitance loss", "timeout"),
    }


def test_leaving_the_laboratory_ends_its_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[Any] = []

    class Watched(TablePool):
        def __exit__(self, *error: object) -> None:
            closed.append(error)

    monkeypatch.setattr(workers, "Pool", Watched)
    monkeypatch.setattr(TablePool, "asked", [], raising=False)
    monkeypatch.setattr(TablePool, "answer", staticmethod(number), raising=False)

    def work() -> None:
        with Laboratory(Memory()) as laboratory:
            laboratory.values(stage(), VARIANTS, READINGS)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert [error[0] for error in closed] == [KeyboardInterrupt]


# -- what failed, and what did not -----------------------------------------------------------------


def test_a_failure_does_not_take_what_was_known(pool: type[TablePool], tmp_path: Path) -> None:
    """A sheet with one reading that has no value, and then the corrected sheet."""
    odd = Reading("gain", frequency=1e200)
    good = ask(Store(tmp_path), [loss(0.3)])
    for failing in (Failure("error", "no operating point"), [35.0, 1.0, math.nan]):
        pool.answer = staticmethod(lambda variant, failing=failing: failing)
        bad = ask(Store(tmp_path), [loss(0.3)], readings=(*READINGS, odd))
        assert np.isnan(bad.values).all()
        assert [p.variant for p in bad.problems] == ["C1 capacitance loss"]
        pool.asked.clear()
        again = ask(Store(tmp_path), [loss(0.3)])
        assert pool.asked == []
        assert again.problems == ()
        assert np.isfinite(again.values).all()
        if isinstance(failing, Failure):
            np.testing.assert_array_equal(again.values, good.values)


def test_a_failure_is_known_for_what_failed_alone(pool: type[TablePool], tmp_path: Path) -> None:
    """Two readings that failed together are not asked for again; one of them alone is."""
    pool.answer = staticmethod(lambda variant: Failure("error", "no operating point"))
    for _ in range(2):
        found = ask(Store(tmp_path), [Variant()])
        assert found.problems == (Problem("healthy", "no solution", "no operating point"),)
        assert np.isnan(found.values).all()
    assert len(pool.asked) == 1
    assert ask(Store(tmp_path), [Variant()], readings=READINGS[::-1]).simulated == 0
    pool.answer = staticmethod(lambda variant: [35.0])
    one = ask(Store(tmp_path), [Variant()], readings=READINGS[:1])
    assert one.values.tolist() == [[35.0]]
    assert one.problems == ()


def test_what_came_in_before_a_stop_is_kept(pool: type[TablePool], tmp_path: Path) -> None:
    """Ctrl-C in the third of five units: the first two are there for the next run."""

    def stopped(variant: Variant) -> Outcome:
        if len(pool.asked) == 3:
            raise KeyboardInterrupt
        return number(variant)

    pool.answer = staticmethod(stopped)
    with pytest.raises(KeyboardInterrupt):
        ask(Store(tmp_path))
    pool.answer = staticmethod(number)
    pool.asked.clear()
    found = ask(Store(tmp_path))
    assert pool.asked == VARIANTS[2:]
    np.testing.assert_allclose(found.values[:, 0], [10.0, 7.0, 3.0, 1.0, 0.2])


def test_a_folder_that_takes_nothing_changes_no_answer(
    pool: type[TablePool], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("not a folder")
    store = Store(tmp_path / "file")
    first = ask(store)
    np.testing.assert_array_equal(first.values, ask(Memory()).values)
    # within a run nothing is simulated twice all the same
    assert ask(store).simulated == 0
    assert ask(Store(tmp_path / "file")).simulated == len(VARIANTS)


# -- time ------------------------------------------------------------------------------------------


def test_after_its_time_the_store_still_answers(tmp_path: Path) -> None:
    """The real pool: what is known is given, the rest is late, and nothing of that is kept."""
    with Laboratory(Store(tmp_path), workers=0) as laboratory:
        known = laboratory.values(stage(), VARIANTS[:2], READINGS)
    with Laboratory(Store(tmp_path), workers=1, limit=0.0) as laboratory:
        late = laboratory.values(stage(), VARIANTS, READINGS)
        laboratory._limit = 60.0
        laboratory.restart()
        whole = laboratory.values(stage(), VARIANTS, READINGS)
    np.testing.assert_array_equal(late.values[:2], known.values)
    assert np.isnan(late.values[2:]).all()
    assert {(p.variant, p.kind) for p in late.problems} == {("C1 capacitance loss", "late")}
    assert np.isfinite(whole.values).all()
    assert whole.problems == ()


def test_what_is_missing_is_said_once_and_in_short() -> None:
    assert watched.missing([]) == ()
    (text,) = watched.missing(f"R{k} open" for k in range(40))
    assert "R0 open" in text
    assert "R39" not in text
    assert "28 more" in text
    problems = [Problem("C1 open", "late", "no time"), Problem("C2 open", "crash", "died"),
                Problem("C1 open", "late", "no time")]
    first, last = watched.told(problems)
    assert first == "C2 open (crash: died)"
    assert last.count("C1 open") == 1
