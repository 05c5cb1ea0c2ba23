"""A stage file as a table, and back: what the table does not change stays to the letter.

Sources: the rule that two views of one text must agree (round trip), YAML 1.2 for what is a comment
and a block, and the stage file as circuits/README.md writes it down.
"""

from __future__ import annotations

import copy
import difflib
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from circuits.load import stage_file, stage_names, stage_of_text
from diagnose.web.stage_check import check_stage
from diagnose.web.stage_table import Table, checked_table, merged, table_of

TEXT = """\
# a stage of the tests
stage: small
rails:
  vcc: {volts: 24 V, ripple: {100 Hz: 2 mV}}   # of the bench
ports: {input: in, output: out}
load: 47 kohm
parts:
  # the divider
  R1: {kind: carbon-film, nodes: [vcc, b], value: 10 kohm, role: upper}  # see sheet 3
  R2: {kind: carbon-film, nodes: [b, "0"], value: 10 kohm, tolerance: 2 %}
  C1:
    kind: electrolytic   # a good one
    nodes: [b, in]
    value: 4.7 uF
  C2: {kind: film, nodes: [b, out], value: 1 uF}
adjust: {}
guessed:
  stage: [load]
  C1: [kind, polarity]
  R2: [kind]
"""
TEXT = TEXT.replace("adjust: {}\n", "")


def changed(change: Callable[[Table], object], text: str = TEXT) -> tuple[str, list[str]]:
    """A text with a change of its table, and the lines that differ."""
    table = copy.deepcopy(table_of(text))
    change(table)
    after = merged(text, checked_table(json.loads(json.dumps(table))))
    diff = difflib.unified_diff(text.splitlines(), after.splitlines(), n=0, lineterm="")
    return after, [row for row in diff if row[:1] in "+-" and row[:3] not in ("+++", "---")]


@pytest.mark.parametrize("name", stage_names())
def test_a_table_that_was_not_changed_changes_nothing(name: str) -> None:
    text = stage_file(name)
    table = table_of(text)
    assert checked_table(json.loads(json.dumps(table))) == table
    assert merged(text, table) == text
    assert [row["name"] for row in table["parts"]] == [
        part.name for part in stage_of_text(text, name).parts]


def test_a_value_changes_its_own_place_and_keeps_the_comment() -> None:
    after, rows = changed(lambda t: t["parts"][0].update(value="22 kohm"))
    assert len(rows) == 2
    assert rows[1] == (
        "+  R1: {kind: carbon-film, nodes: [vcc, b], value: 22 kohm, role: upper}  # see sheet 3")
    assert "# the divider" in after


def test_a_part_written_over_several_lines_stays_so() -> None:
    after, rows = changed(lambda t: t["parts"][2].update(value="10 uF", role="input coupling"))
    assert rows == ["-    value: 4.7 uF", "+    value: 10 uF", "+    role: input coupling"]
    assert "# a good one" in after
    assert stage_of_text(after, "x").part("C1").role == "input coupling"


def test_parts_come_go_and_are_called_otherwise() -> None:
    def change(table: Table) -> None:
        table["parts"][1]["name"] = "R22"
        del table["parts"][2]
        table["parts"].append({"was": -1, "name": "R9", "kind": "metal-film", "nodes": "b 0",
                               "value": "1M", "model": "", "role": "a: b",
                               "more": "tolerance: 1 %"})

    after, _ = changed(change)
    assert ('  R9: {kind: metal-film, nodes: [b, "0"], value: 1M, role: "a: b", tolerance: 1 %}\n'
            in after)
    assert "R22: {kind" in after
    assert "C1" not in after          # nor under what was guessed
    assert "  R22: [kind]" in after   # whose mark follows the name
    assert "# see sheet 3" in after


def test_a_node_and_the_stage_itself() -> None:
    def change(table: Table) -> None:
        table["head"].update(load="10 kohm", title="A divider", output="b")
        table["rails"][0]["volts"] = "30 V"
        table["points"].append({"was": -1, "name": "b", "text": "middle"})

    after, _ = changed(change)
    stage = stage_of_text(after.replace("nodes: [b, out]", 'nodes: [b, "0"]'), "x")
    assert (stage.load, stage.title, stage.output) == (10e3, "A divider", "b")
    assert stage.rails[0].volts == 30.0
    assert stage.rails[0].ripple == ((100.0, 0.002),)  # has no column and stays
    assert stage.test_points == (("b", "middle"),)


def test_what_is_confirmed_is_off_the_list_and_the_last_takes_the_list_with_it() -> None:
    after, rows = changed(lambda t: t["guessed"].remove(["C1", "kind"]))
    assert rows == ["-  C1: [kind, polarity]", "+  C1: [polarity]"]
    assert stage_of_text(after, "x").guessed[1] == ("C1", ("polarity",))
    after, _ = changed(lambda t: t["guessed"].clear())
    assert "guessed" not in after
    assert stage_of_text(after, "x").guessed == ()


def test_a_stage_typed_from_nothing() -> None:
    text = "stage: mine\nports: {input: in, output: out}\nparts:\n"

    def change(table: Table) -> None:
        for name, nodes in (("R1", "in out"), ("R2", "out 0")):
            table["parts"].append({"was": -1, "name": name, "kind": "resistor", "nodes": nodes,
                                   "value": "10k", "model": "", "role": "", "more": ""})

    after, _ = changed(change, text)
    assert [part.value for part in stage_of_text(after, "x").parts] == [10e3, 10e3]


@pytest.mark.parametrize("text", ["", "- a\n", "{stage: x, parts: {}}", "stage: [\n", "a: *b\n",
                                  "[" * 5000])
def test_what_has_no_table_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        table_of(text)


@pytest.mark.parametrize("sent", [
    None, [], {}, {"head": {}, "rails": [], "parts": [3], "points": [], "guessed": []},
    {"head": {"load": 3}, "rails": [], "parts": [], "points": [], "guessed": []},
    {"head": {}, "rails": [], "parts": [{"was": True}], "points": [], "guessed": []},
    {"head": {}, "rails": [], "parts": [], "points": [], "guessed": [["a"]]},
    {"head": {}, "rails": [], "parts": [{"was": -1}] * 2000, "points": [], "guessed": []},
])
def test_what_is_no_table_is_refused(sent: object) -> None:
    with pytest.raises(InputError):
        checked_table(sent)


LINE = st.text("abR1 0.:,{}[]#\"'&*!|>%@`-?", max_size=10)
ROW = st.fixed_dictionaries({"name": st.sampled_from(["R1", "R2", "C1", "X9", "", "a b: {"]),
                             "kind": LINE, "nodes": LINE, "value": LINE, "model": LINE,
                             "role": LINE, "more": st.just("")})


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(-1, 3), ROW), max_size=5, unique_by=lambda one: one[0]),
       LINE)
def test_whatever_is_typed_into_columns_comes_back_as_typed(
    rows: list[tuple[int, dict[str, str]]], load: str
) -> None:
    table = copy.deepcopy(table_of(TEXT))
    before = table["parts"]
    for was, row in sorted(rows, key=lambda one: one[0]):
        if was >= 0:
            before[was].update({k: v for k, v in row.items() if k != "more"})
        elif row["name"]:
            before.append({"was": -1, **row})
    table["head"]["load"] = load
    table = checked_table(table)
    again = table_of(merged(TEXT, table))
    assert again["head"]["load"] == table["head"]["load"]
    columns = ("kind", "value", "role")
    assert [[row[word] for word in columns] for row in again["parts"]] == [
        [row[word] for word in columns] for row in table["parts"]]


def fields(change: Callable[[Table], object], text: str = TEXT) -> dict[str, str]:
    table = copy.deepcopy(table_of(text))
    change(table)
    table = checked_table(table)
    found = check_stage(merged(text, table), Path(), table)
    return {problem.field: problem.text for problem in found.problems}


def test_each_part_has_its_own_mistakes() -> None:
    def change(table: Table) -> None:
        table["parts"][0]["value"] = "10 V"
        table["parts"][1]["more"] = "tolerance: fifty"
        table["parts"][2]["kind"] = "electrolitic"
        table["parts"][3]["nodes"] = "b"
        table["parts"].append({"was": -1, "name": "", "kind": "npn", "nodes": "", "value": "",
                               "model": "", "role": "", "more": ""})

    told = fields(change)
    assert told.keys() == {"parts/0/value", "parts/1/more", "parts/2/kind", "parts/3/nodes",
                           "parts/4/name"}
    assert "did you mean: electrolytic" in told["parts/2/kind"]


@pytest.mark.parametrize(("change", "field"), [
    (lambda t: t["parts"][0].update(nodes="vcc, bx"), "parts/0/nodes"),
    (lambda t: t["parts"][1].update(name="R1"), "parts/1/name"),
    (lambda t: t["parts"][1].update(value=""), "parts/1/value"),
    (lambda t: t["parts"][1].update(more="x: {"), "parts/1/more"),
    (lambda t: t["rails"][0].update(volts="much"), "rails/0/volts"),
    (lambda t: t["head"].update(load="3 V"), "head/load"),
    (lambda t: t["head"].update(input=""), "head/input"),
    (lambda t: t["points"].append({"was": -1, "name": "zz", "text": ""}), "points/0/name"),
])
def test_a_mistake_stands_at_its_field(change: Callable[[Table], object], field: str) -> None:
    assert list(fields(change)) == [field]


def test_what_can_be_read_and_cannot_work_is_told_at_its_part() -> None:
    """A base that nothing biases conducts nothing: common practice."""
    text = TEXT.replace("parts:\n", "parts:\n  Q1: {kind: npn, nodes: [vcc, q, out], model: "
                        "small-signal-npn}\n  C3: {kind: film, nodes: [q, b], value: 1 uF}\n  "
                        'R5: {kind: carbon-film, nodes: [out, "0"], value: 1k}\n')
    found = check_stage(text, Path(), table_of(text))
    assert found.stage is not None
    assert [(p.field, p.kind) for p in found.problems] == [("parts/0", "finding")]
    assert "no direct current reaches its base" in found.problems[0].text


def test_what_can_be_read_is_drawn_meanwhile() -> None:
    text = TEXT.replace("1 uF", "much")
    found = check_stage(text, Path(), table_of(text))
    assert found.stage is None
    assert found.drawn is not None
    assert {part.name for part in found.drawn.parts} == {"R1", "R2", "C1"}


def test_rows_in_another_order_take_their_lines_and_comments_along() -> None:
    def swap(table: Table) -> None:
        table["parts"].insert(0, table["parts"].pop(2))  # C1 first
        table["parts"][1]["value"] = "11 kohm"
        table["parts"].insert(2, {**dict.fromkeys(table["parts"][0], ""), "was": -1, "name": "R9",
                                  "kind": "carbon-film", "nodes": "b, 0", "value": "1k"})

    after, _ = changed(swap)
    rows = after.splitlines()
    assert [row["name"] for row in table_of(after)["parts"]] == [
        "C1", "R1", "R9", "R2", "C2"]
    at = rows.index("parts:")
    assert rows[at + 1 : at + 6] == [
        "  C1:", "    kind: electrolytic   # a good one", "    nodes: [b, in]",
        "    value: 4.7 uF", "  # the divider"]
    assert rows[at + 6].startswith("  R1: {kind: carbon-film")
    assert rows[at + 6].endswith("value: 11 kohm, role: upper}  # see sheet 3")
    assert after.endswith(TEXT[TEXT.index("guessed:"):])
    flow = "stage: x\nports: {input: a, output: b}\nparts: {R1: {kind: film}, R2: {kind: foil}}\n"
    after, _ = changed(lambda table: table["parts"].reverse(), flow)
    assert after == flow.replace("R1: {kind: film}, R2: {kind: foil}",
                                 "R2: {kind: foil}, R1: {kind: film}")


@pytest.mark.parametrize("name", ["phono-two-transistor", "supply-dual", "output-mirror"])
def test_any_order_and_back_is_the_same_stage(name: str) -> None:
    text = stage_file(name)
    after, _ = changed(lambda table: table["parts"].reverse(), text)
    turned = stage_of_text(after, "x.yaml").parts
    assert turned == stage_of_text(text, "x.yaml").parts[::-1]
    back, _ = changed(lambda table: table["parts"].reverse(), after)
    assert stage_of_text(back, "x.yaml") == stage_of_text(text, "x.yaml")
