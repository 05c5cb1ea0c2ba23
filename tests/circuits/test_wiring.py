"""Mistakes of wiring are told at once, each at its place, without what only follows from others.

What a mistake is follows from what a circuit is: every node joins two things at least, and current
can come back.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.errors import MOST_TOLD, InputError
from circuits.load import load_stage, stage_of_text
from diagnose.cli.main import main

HEAD = """\
stage: x
rails: {vcc: {volts: 12}}
ports: {input: in, output: out}
parts:
"""
GOOD = """\
  R1: {kind: carbon-film, nodes: [vcc, b], value: 1k}
  R2: {kind: carbon-film, nodes: [b, "0"], value: 1k}
  C1: {kind: film, nodes: [in, b], value: 1u}
  C2: {kind: film, nodes: [b, out], value: 1u}
"""


def told(parts: str, head: str = HEAD) -> list[tuple[int, str]]:
    """Line and words of every mistake."""
    with pytest.raises(InputError) as caught:
        stage_of_text(head + parts, "x.yaml")
    return [(error.place.line if error.place else 0, error.message)
            for error in (caught.value, *caught.value.also)]


def test_the_stage_of_this_test_is_right() -> None:
    assert len(stage_of_text(HEAD + GOOD, "x.yaml").parts) == 4


def test_all_are_told_each_in_its_line() -> None:
    parts = GOOD + """\
  R3: {kind: carbon-film, nodes: [b, b], value: 1k}
  R4: {kind: carbon-film, nodes: [b, nowhere], value: 1k}
  C3: {kind: film, nodes: [lonely, "0"], value: 1u}
  R5: {kind: carbon-film, nodes: [gnd, "0"], value: 1k}
test points: {far: away}
"""
    found = told(parts)
    assert sorted(found) == [
        (9, "every pin of R3 is on the node 'b'"),
        (10, "only R4 is connected to the node 'nowhere'"),
        (11, "only C3 is connected to the node 'lonely'"),
        (12, "'gnd' cannot name a node"),
        (13, "this is on the node 'far', where no part is connected"),
    ]


def test_what_only_follows_is_not_told() -> None:
    # one slip in a port: the node that was meant is no loose end beside
    assert told(GOOD, HEAD.replace("input: in", "input: inn")) == [
        (3, "the input port is on the node 'inn', where no part is connected")]
    # one in capitals: neither node is loose
    assert told(GOOD + '  R3: {kind: carbon-film, nodes: [e, "0"], value: 1k}\n'
                '  R4: {kind: carbon-film, nodes: [E, "0"], value: 1k}\n') == [
        (10, "'E' and 'e' differ in capitals or punctuation only")]
    # no ground: that no way leads there is not told of every part
    assert told(GOOD.replace('"0"', "vcc")) == [(4, "no part is connected to ground")]
    # two islands: one sentence each, by the first part
    islands = "".join(
        f"  R{k}: {{kind: carbon-film, nodes: [a{k // 2}, c{k // 2}], value: 1k}}\n"
        for k in range(10, 14))
    assert told(GOOD + islands) == [
        (9, "nothing leads from R10 to ground, a rail or the input"),
        (11, "nothing leads from R12 to ground, a rail or the input")]


def test_parts_that_cannot_be_read_are_told_at_once() -> None:
    parts = GOOD.replace("value: 1k", "value: 1 V").replace("kind: film", "kind: fil")
    assert [line for line, _ in told(parts)] == [5, 6, 7, 8]


def test_the_terminal_tells_all_with_line_and_caret(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.yaml"
    path.write_text(HEAD + GOOD + "".join(
        f"  R{k}: {{kind: carbon-film, nodes: [b, n{k}], value: 1k}}\n" for k in (3, 4)),
        encoding="utf-8")
    assert main(["stages", str(path)]) == 2
    said = capsys.readouterr().err
    for line, part in ((9, "R3"), (10, "R4")):
        assert f"x.yaml:{line}:" in said
        assert f"only {part} is connected" in said
    assert said.count("^") == 2


def test_of_very_many_the_first_are_told(tmp_path: Path) -> None:
    path = tmp_path / "x.yaml"
    path.write_text(HEAD + GOOD + "".join(
        f"  R{k}: {{kind: carbon-film, nodes: [b, n{k}], value: 1k}}\n" for k in range(3, 103)),
        encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_stage(path)
    said = str(caught.value)
    assert said.count("is connected to the node") == MOST_TOLD
    assert said.endswith(f"and {100 - MOST_TOLD} more mistakes")
