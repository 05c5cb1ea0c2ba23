"""Netlists through the front door: text in, a stage with its guesses out, and back."""

from __future__ import annotations

from pathlib import Path

import pytest

import diagnose
from circuits.bench.take import take
from faultlib.fault import Fault
from faultlib.inject import inject

ROWS = """a common-emitter stage
V1 vcc 0 12
Vin in 0 AC 1
C1 in b 10u
R1 vcc b 56k
R2 b 0 12k
Q1 c b e q
R3 vcc c 3k3
R4 e 0 1k
C3 0 e 100u
C2 c out 10u
RL out 0 47k
.model q npn(bf=200)
.end
"""


def test_text_in_and_a_result_out() -> None:
    made = diagnose.from_netlist(ROWS, name="mine.cir")
    assert made.stage.name == "mine"
    assert made.stage.part("C3").nodes == ("e", "0")  # as the simulated voltages say
    assert made.stage == diagnose.load_stage(made.text)
    assert [(one.written, one.meant) for one in made.asked] == [("3k3", "3.3 kΩ")]
    assert "voltages at rest" in next(
        g.why for g in made.guesses if (g.of, g.word) == ("C3", "polarity"))


def test_a_path_has_its_own_folder(tmp_path: Path) -> None:
    (tmp_path / "q.mod").write_text(".model q npn(bf=99)\n", encoding="utf-8")
    path = tmp_path / "mine.cir"
    path.write_text(ROWS.replace(".model q npn(bf=200)", ".include q.mod"), encoding="utf-8")
    stage = diagnose.from_netlist(path).stage
    assert dict(stage.part("Q1").parameters) == {"BF": 99.0}
    with pytest.raises(diagnose.InputError, match="included"):
        diagnose.from_netlist(path.read_text(encoding="utf-8"))


def test_a_size_is_one_that_is_met() -> None:
    text = diagnose.to_netlist("filter-high", "C1:capacitance loss", "1 uF")
    assert "capacitance 1 µF" not in text  # a netlist is plain ASCII
    assert "C1 capacitance loss, capacitance 1 " in text.splitlines()[0]
    for fault, size, says in (
        ("C1:capacitance loss", "1 F", "not met"), ("C1:open", "1 uF", "no size"),
        ("", "1 uF", "needs a fault"), ("C1:melted", None, "no mode"),
        ("C99:open", None, "no part"),
    ):
        with pytest.raises(diagnose.InputError, match=says):
            diagnose.to_netlist("filter-high", fault, size)


def test_a_stage_of_ones_own_goes_out_and_comes_in() -> None:
    made = diagnose.from_netlist(ROWS, name="mine.cir")
    again = diagnose.from_netlist(diagnose.to_netlist(made.text), name="mine.cir")
    assert again.stage == made.stage
    assert not again.left
    assert again.stage.guessed == made.stage.guessed


@pytest.mark.slow
def test_a_stage_from_a_netlist_is_ranked() -> None:
    """A dry emitter bypass takes the gain at low frequencies; and it is named first."""
    stage = diagnose.from_netlist(ROWS.replace("3k3", "3.3k"), name="mine.cir").stage
    readings = [diagnose.Reading("dc voltage", at=n) for n in ("b", "c", "e")]
    readings += [diagnose.Reading("gain", frequency=f) for f in (20.0, 100.0, 1e3, 10e3)]
    values = take(inject(stage, Fault("C3", "capacitance loss", 0.02)), readings)
    rows = [
        {"quantity": r.quantity, "value": float(v), **({"at": r.at} if r.at else
                                                       {"frequency": r.frequency})}
        for r, v in zip(readings, values, strict=True)
    ]
    with diagnose.Laboratory(diagnose.Store(None), workers=0) as bench:
        answer = diagnose.rank(diagnose.case(stage, rows), bench)
    assert any("nobody has confirmed" in note for note in answer.notes)
    first = answer.groups[0]
    named = [suspect.part for suspect in answer.suspects if suspect.group == first.group]
    assert "C3" in named
