"""The short forms of the campaign: a thousand harmed files, and formats as chance makes them."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from flask import Flask
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits import yamlfile
from circuits.errors import InputError
from circuits.quantity import parse
from circuits.spice.importing import imported
from circuits.stage import Stage
from diagnose.sheet.given import case_of, stage_of
from diagnose.web.app import make_app
from diagnose.web.desk import KEY
from tests.hostile import formats, page, strategies
from tests.hostile.accidents import befallen
from tests.hostile.campaign import SEED
from tests.hostile.formats import FORMATS, nth
from tests.hostile.judge import ANSWER, MESSAGE, Defect, clear, ending

SHORT = 1000
CHECKED = settings(derandomize=True, deadline=None, max_examples=60)


@pytest.mark.slow
def test_a_thousand_harmed_files_end_in_an_answer_or_a_message(tmp_path: Path) -> None:
    """Other inputs than the campaign's own, so that both together see more."""
    count: Counter[tuple[str, str]] = Counter()
    for number in range(SHORT):
        kind, chance = nth(SEED + 1, number)
        path = FORMATS[kind].make(chance, tmp_path / "input")
        try:
            count[kind, ending(lambda: FORMATS[kind].read(path))] += 1  # noqa: B023
        except Exception as error:
            error.add_note(f"number {number}, {kind}; kept as {path}")
            raise
    both = [kind for kind in FORMATS if count[kind, ANSWER] and count[kind, MESSAGE]]
    assert both == [*FORMATS]
    taken, refused = (
        sum(count[kind, how] for kind in ("table", "sheet", "stage")) for how in (ANSWER, MESSAGE)
    )
    assert 0.35 < taken / (taken + refused) < 0.65  # half of them go further than the reader
    assert 0.4 < count["table", ANSWER] / (count["table", ANSWER] + count["table", MESSAGE]) < 0.7


def test_the_judge_finds_what_is_no_ending() -> None:
    def bug() -> object:
        raise KeyError("x")

    def unclear() -> object:
        raise InputError("x" * 9 + "\n" * 4000)

    with pytest.raises(KeyError):
        ending(bug)
    for bad in (unclear, lambda: None):
        with pytest.raises(Defect):
            ending(bad)


@given(st.text(max_size=4000), st.text(max_size=3000))
@CHECKED
def test_a_message_is_short_and_can_be_shown_whatever_it_quotes(word: str, expected: str) -> None:
    """Words of a user's are quoted in messages, and names of files stand at their head."""
    clear(InputError(f"there is no {word}", expected=expected), placed=False)


def told(read: object) -> None:
    assert callable(read)
    try:
        read()
    except InputError as error:
        clear(error, placed=False)


@given(strategies.quantities(), st.sampled_from(strategies.ASKED))
@settings(CHECKED, max_examples=400)
def test_quantities(text: str, unit: str) -> None:
    told(lambda: parse(text, unit))


@pytest.mark.slow
@given(strategies.sheets())
@CHECKED
def test_sheets(text: str) -> None:
    told(lambda: case_of(text + "\n"))


@pytest.mark.slow
@given(strategies.stages())
@settings(CHECKED, max_examples=150)
def test_stages(text: str) -> None:
    def read() -> Stage:
        return formats.of_stage(stage_of(text + "\n"))

    told(read)


@pytest.mark.slow
@given(strategies.tables())
@CHECKED
def test_tables(text: str) -> None:
    told(lambda: case_of(text))


@given(strategies.sweeps())
@CHECKED
def test_sweeps(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.getbasetemp() / "sweeps"
    path = FORMATS["sweep"].put(folder, "sweep.csv", text.encode())
    told(lambda: FORMATS["sweep"].read(path))


@given(strategies.netlists())
@CHECKED
def test_netlists(text: str) -> None:
    told(lambda: imported(text, "made.cir"))


@given(strategies.mode_files())
@CHECKED
def test_mode_files(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.getbasetemp() / "modes"
    words = {"words.yaml": FORMATS["modes"].originals["words.yaml"]}
    path = formats.Format({}, FORMATS["modes"].read, beside=words).put(
        folder, "x.yaml", text.encode()
    )
    told(lambda: FORMATS["modes"].read(path))


@pytest.mark.slow
@given(strategies.recordings())
@CHECKED
def test_recordings(tmp_path_factory: pytest.TempPathFactory, body: bytes) -> None:
    folder = tmp_path_factory.getbasetemp() / "recordings"
    path = FORMATS["recording"].put(folder, "x.wav", body)
    told(lambda: FORMATS["recording"].read(path))


@given(st.binary(max_size=200))
@CHECKED
def test_yaml_of_any_bytes(data: bytes) -> None:
    told(lambda: yamlfile.tree(data.decode("latin-1"), "any"))


# -- the page --------------------------------------------------------------------------------------


@pytest.fixture
def app(tmp_path: Path) -> object:
    made = make_app(tmp_path / "sheets", workers=0, cached=False)
    yield made
    made.extensions[KEY].close()


@pytest.mark.slow
def test_harmed_sheets_and_forms_are_answered_by_the_page(app: Flask) -> None:
    """What it keeps, it opens again: `Visitor` asks for its sheet after every request."""
    from random import Random

    visitor = page.Visitor(page.in_process(app.test_client()))
    count: Counter[str] = Counter()
    number = 0
    while sum(count.values()) < 60:
        number += 1
        what, do = visitor.wish(Random(f"short {number}"))
        if what in (
            "saved",
            "filled",
            "bare",
            "opened",
            "stage saved",
        ):  # the rest needs a simulator
            count[do()] += 1
    assert count[ANSWER] > 5
    assert count[MESSAGE] > 5


@pytest.mark.parametrize(
    "sheet",
    [
        {},
        {"stage": ""},
        {"stage": "phono-opamp", "values": [["R1", "1"], ["R1", "2"]]},
        {"stage": "phono-opamp", "case": "x\u0007y"},
        {"stage": "phono-opamp", "channels": ["a", "a"]},
        {"stage": "phono-opamp", "observations": ["x" * 1000] * 3000},
    ],
)
def test_what_the_page_keeps_it_opens(app: Flask, sheet: dict[str, object]) -> None:
    client = app.test_client()
    visitor = page.Visitor(page.in_process(client))
    path = f"/sheet/{visitor.sheet}/data"
    revision = client.get(path).get_json()["revision"]
    kept = client.put(path, json={"sheet": sheet, "revision": revision}).status_code
    assert kept in (200, 422)
    now = client.get(path)
    assert now.status_code == 200
    assert now.get_json()["revision"] == revision + (kept == 200)


def test_a_number_names_the_same_input_for_good() -> None:
    """Of floats a header holds the second of its writing (libsndfile's PEAK chunk)."""
    body = formats.recordings()["float.wav"]
    at = body.index(b"PEAK") + 12
    assert body[at : at + 4] == bytes(4)


def test_accidents_are_the_same_for_the_same_seed() -> None:
    from random import Random

    body = FORMATS["sheet"].originals["sheet.yaml"]
    assert befallen(Random(5), body) == befallen(Random(5), body)
    assert len({befallen(Random(k), body) for k in range(40)}) > 30
