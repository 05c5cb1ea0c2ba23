"""The reading to take next, on a bench whose answers are known on paper."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import diagnose
from circuits.load import load_stage, stage_names
from circuits.reading import Reading
from diagnose.advice.candidates import candidates, distortion, effort, effort_text, pasted
from diagnose.advice.next_reading import NextReading
from diagnose.advice.posterior_draws import HEALTHY, drawn
from diagnose.advice.ranked_readings import advise, short
from diagnose.answer.ranking import rank
from diagnose.answer.result import to_json
from diagnose.inference.groups import grouped
from diagnose.inference.posterior import share
from diagnose.sheet.case import load_case
from diagnose.show.text_answer import as_text
from diagnose.show.text_next import meaning_text, next_text
from tests.diagnose.answer.test_ranking import sheet
from tests.diagnose.fake_bench import FakeBench, LinearUnit, currents

ROOT = Path(__file__).resolve().parents[3]
TAKEN = 2


def unit() -> LinearUnit:
    """Two readings taken that C1 and C2 move alike; the third parts them, the fourth is deaf."""
    moves = np.array([[3.0, 3.0, 0.0], [2.0, 2.0, 0.0], [3.0, -3.0, 0.0], [0.0, 0.0, 0.0],
                      [0.0, 0.0, 3.0]])
    return LinearUnit(moves, currents(5), 0.02)


def proposed(whole: LinearUnit, place: float = 0.5) -> tuple[NextReading, ...]:
    """Advice after two readings of a unit that lost some of C1."""
    part = LinearUnit(whole.moves[:TAKEN], whole.readings[:TAKEN], whole.tolerance)
    observed = part.observed(part.shift(0, place), 0.05)
    weighed = part.weighed(observed)
    posterior = share(weighed)
    live = [(s, p) for s, p in posterior.suspects if p >= 0.01]
    return advise(part.found(), observed, posterior, grouped(live), [whole.readings[TAKEN:]],
                  whole.bench())


def test_what_parts_the_suspects_comes_first_and_tells_about_a_bit() -> None:
    """Two equally probable answers that one reading separates: log2 2 = 1 bit."""
    first, *others = proposed(unit())
    assert first.reading == unit().readings[2].label()
    assert 0.8 < first.information < 1.2
    assert all(item.information < 0.1 for item in others)


def test_a_reading_that_nothing_moves_is_not_proposed() -> None:
    assert unit().readings[3].label() not in [item.reading for item in proposed(unit())]


def test_the_answers_stand_on_their_side() -> None:
    """Lost capacitance takes the reading down by C1 and up by C2 (moves 3 and −3)."""
    first = proposed(unit())[0]
    assert "C1" in first.means[0].points_to[0]
    assert "C2" in first.means[-1].points_to[0]
    assert first.means[0].low is None
    assert first.means[-1].high is None
    # ln 1 A of a healthy unit lies between them
    assert first.means[0].high is not None
    assert first.means[-1].low is not None
    assert first.means[0].high <= 1.2
    assert first.means[-1].low >= 0.8
    assert all(0.5 < m.probability <= 1.0 for m in (first.means[0], first.means[-1]))
    assert meaning_text(first).startswith("above ")


def test_limits_are_told_in_two_digits_where_hardly_anything_lies_near_them() -> None:
    """The two answers lie six nepers apart; a person would not write 1.0372 A between them."""
    first = proposed(unit())[0]
    limits = {end for m in first.means for end in (m.low, m.high) if end is not None}
    assert limits
    assert limits == {float(f"{end:.2g}") for end in limits}


def test_a_proposal_says_what_a_good_unit_reads() -> None:
    """1 A, as `LinearUnit` has it."""
    assert all(item.healthy == pytest.approx(1.0) for item in proposed(unit()))


def test_the_whole_tail_is_drawn() -> None:
    """Forty equally dry capacitors: none of them leads, and every one has its units."""
    count = 40
    wide = LinearUnit(np.ones((1, count)), currents(1), 0.02)
    observed = wide.observed(wide.shift(0, 0.5), 0.1)
    posterior = share(wide.weighed(observed))
    units = drawn(posterior, [], observed, wide.healthy())
    parts = {f.part for v in units.variants for f in v.faults}
    assert len(parts) == count
    assert units.weights.sum() + units.unmodelled == pytest.approx(1.0)
    shares = units.shares()
    assert shares.sum() == pytest.approx(1.0)
    assert shares[:count] == pytest.approx(np.full(count, shares[:count].mean()), rel=0.35)
    assert units.named[-2].name == HEALTHY


def test_of_equals_the_one_with_the_power_off_comes_first() -> None:
    assert effort(Reading("resistance", between=("a", "0"))) < effort(Reading("dc voltage", at="a"))
    assert effort_text(Reading("resistance", between=("a", "0"))) == "1.5 min, power off"
    assert effort_text(Reading("dc voltage", at="a")) == "1 min, live"


def test_a_short_list_is_not_all_of_one_kind() -> None:
    many = [NextReading(f"r{k}", 1.0, "", "", (("quantity", "gain" if k < 6 else "noise"),))
            for k in range(8)]
    kept = short(many, 4)
    assert [item.reading for item in kept] == ["r0", "r1", "r6", "r7"]


@pytest.mark.parametrize("name", stage_names())
def test_every_candidate_pastes_into_a_sheet_as_itself(name: str, tmp_path: Path) -> None:
    """The words of the contract: what is proposed is read back as the very same reading."""
    stage = load_stage(name)
    bench = FakeBench(lambda made, reading: 0.0)
    readings = (*candidates(stage, [], bench), *distortion(stage, []))
    assert len({r.key() for r in readings}) == len(readings)
    import json

    lines = [json.dumps({**dict(pasted(r)), "value": _value(r)}) for r in readings]
    path = tmp_path / "case.yaml"
    path.write_text(f"stage: {name}\nreadings:\n" + "".join(f"  - {line}\n" for line in lines))
    assert [m.reading for m in load_case(path).readings] == list(readings)
    # what is taken is not proposed again
    left = candidates(stage, readings, bench)
    assert not {r.key() for r in left} & {r.key() for r in readings}


def _value(reading: Reading) -> str:
    return {"": "1"}.get(reading.unit, f"1 {reading.unit}")


def test_rank_carries_the_advice() -> None:
    made = unit()
    part = LinearUnit(made.moves[:TAKEN], made.readings[:TAKEN], made.tolerance)
    result = rank(sheet(part, part.shift(0, 0.5).tolist()), made.bench())
    document = to_json(result)
    for entry in document["next"]:
        assert {"reading", "information", "unit", "effort", "caution", "means"} <= set(entry)
        assert entry["unit"] == "bit"
        assert entry["information"] > 0.0
        assert "quantity" in entry["reading"]
    assert (f"{result.next[0].information:.2f} bit" in as_text(result)) if result.next else True
    assert "diagnose rank" in next_text("case", "stage", ())


def benchmark() -> ModuleType:
    """The benchmark's own sessions, so that the test and the printed table are one thing."""
    path = ROOT / "tests" / "benchmarks" / "next_sessions.py"
    spec = importlib.util.spec_from_file_location("next_sessions", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look there
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_following_the_advice_takes_half_the_readings_of_a_random_order() -> None:
    """Over some units of a bench where every reading hears a few parts of eight.

    A statement about means; the seeds are fixed, so that it does not hold by luck today only.
    """
    sessions = benchmark()
    random = np.random.default_rng(2)
    parts = 8
    stage = LinearUnit(np.zeros((1, parts)), currents(1)).stage
    bench = FakeBench(lambda made, reading: 0.0)
    everything = (sessions.START, *candidates(stage, [sessions.START], bench))
    heard = random.random((len(everything), parts)) < 0.15
    moves = np.where(heard, random.choice([-4.0, 4.0], heard.shape), 0.0)
    # about 1 kohm, so that an ohmmeter's leads do not count
    deaf = LinearUnit(moves, everything, 0.02, 7.0)
    lengths, _, count = sessions.sessions(deaf.stage, 12, deaf.bench())
    table = np.array(lengths, dtype=float)
    assert count == len(everything)
    assert len(table) >= 4
    advised, printed, at_random = table.mean(axis=0)
    assert advised <= 0.5 * at_random
    assert advised < printed


@pytest.mark.slow
def test_advice_beside_a_bound_on_a_stage_with_transistors(tmp_path: Path) -> None:
    """A bound is no value that another reading follows; makes of devices scatter all readings."""
    path = tmp_path / "sheet.yaml"
    path.write_text(
        "case: invented\nstage: line-two-transistor\nreadings:\n"
        "  - {quantity: dc voltage, at: e1, value: 13.2 V}\n"
        "  - {quantity: gain, frequency: 1 kHz, value: 12 dB}\n"
        "  - {quantity: hum, frequency: 100 Hz, value: < 5 mV}\n"
        "  - {quantity: gain, frequency: 20 Hz, value: 8 dB}\n",
        encoding="utf-8",
    )
    assert diagnose.next_readings(path)
