"""Whatever a reading is, a sheet that was written of it is read as just that reading.

Over every quantity and every condition of the registries: one that a writer or the reader forgets
fails here, and so does a table (`test_csv_sheet` draws the same readings). The outside truth is the
reading itself, which was drawn before anything was written.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.conditions import CONDITIONS
from circuits.load import load_stage
from circuits.quantities import LEVELS, QUANTITIES
from circuits.reading import Reading
from circuits.state import State
from diagnose.advice.candidates import pasted
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.case import load_case

DATA = Path(__file__).resolve().parents[2] / "data"
STAGE = load_stage(DATA / "small.yaml")

FREQUENCY = st.floats(0.1, 1e6) | st.sampled_from([20.0, 50.0, 1e3, 20e3])
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "at": st.sampled_from(["c1", "e1", "ie"]),
    "from": st.sampled_from(["b1", "e2"]),
    "rail": st.just("vcc"),
    "frequency": FREQUENCY,
    "reference": FREQUENCY,
    "load": st.floats(0.5, 1e6),
    "meter": st.floats(1e3, 9e6),
    "probe": st.tuples(st.floats(1e5, 9e6), st.floats(1e-12, 9e-11)) | st.just((math.inf, 0.0)),
    "order": st.integers(2, 10),
    "band": st.tuples(st.floats(1.0, 999.0), st.floats(1e3, 1e6)),
    "weighting": st.just("A"),
    "between": st.sampled_from([("c1", "0"), ("e1", "c1")]),
    "tones": st.tuples(st.floats(10.0, 999.0), st.floats(1e3, 1e5)),
    "ratio": st.floats(0.1, 10.0),
    "thd": st.floats(1e-5, 0.1),
    "state": st.builds(
        State, lifted=st.sampled_from([(), (("C1", "positive"), ("Q1", "base"))]),
        pulled=st.sampled_from([("Q2",), ("C2", "Q2")]),
        bridged=st.sampled_from([(), (("0", "c1"),), (("b1", "e1"), ("c1", "ie"))]),
        bypassed=st.sampled_from([(), (("C2", 1e-4),)]),
    ),
    **{word: st.floats(1e-4, 100.0).map(lambda x, word=word: (word, x)) for word in LEVELS},
}


@st.composite
def any_reading(draw: st.DrawFn, name: str = "") -> Reading:
    about = QUANTITIES[name or draw(st.sampled_from(sorted(QUANTITIES)))]
    words = [*about.required, *(word for word in about.optional if draw(st.booleans()))]
    levels = [word for word in words if word in LEVELS]
    kept = draw(st.sampled_from(levels)) if levels else ""  # one level at the most
    fields = {CONDITIONS[word].field: draw(VALUES[word])
              for word in words if word not in LEVELS or word == kept}
    return Reading(about.name, **fields)


READINGS = st.lists(any_reading(), max_size=8, unique_by=lambda reading: reading.key())


def folder_of(factory: Any, name: str) -> Path:
    """A folder with the stage in it."""
    folder: Path = factory.getbasetemp() / name
    folder.mkdir(exist_ok=True)
    (folder / "small.yaml").write_text((DATA / "small.yaml").read_text())
    return folder


def test_every_condition_is_drawn() -> None:
    assert set(VALUES) == set(CONDITIONS)


@pytest.mark.slow
@settings(deadline=None, max_examples=60)
@given(READINGS)
def test_a_blank_sheet_comes_back(tmp_path_factory: Any, readings: list[Reading]) -> None:
    text = blank_sheet(STAGE, [(r, "a note: # of [two]\nlines") for r in readings], "small.yaml")
    path = folder_of(tmp_path_factory, "blank") / "case.yaml"
    path.write_text(text)
    blank = load_case(path)
    assert blank.readings == ()
    assert blank.name == STAGE.title
    assert blank.stage == STAGE
    path.write_text(text.replace("value: }", "value: 1}"))
    filled = load_case(path)
    assert [measured.reading for measured in filled.readings] == readings
    for measured in filled.readings:
        assert measured.value == (0.01 if measured.reading.unit == "%" else 1.0)
        assert math.isfinite(measured.value)


@settings(deadline=None, max_examples=60)
@given(READINGS)
def test_what_is_proposed_pastes_as_itself(tmp_path_factory: Any, readings: list[Reading]) -> None:
    lines = [json.dumps({**dict(pasted(r)), "value": f"1 {r.unit}".strip()}) for r in readings]
    path = folder_of(tmp_path_factory, "pasted") / "case.yaml"
    path.write_text("stage: small.yaml\nreadings:\n" + "".join(f"  - {line}\n" for line in lines))
    assert [measured.reading for measured in load_case(path).readings] == readings


@settings(deadline=None, max_examples=5)
@given(st.data())
def test_of_every_quantity_one_comes_back(tmp_path_factory: Any, data: st.DataObject) -> None:
    """So that none is left to luck."""
    readings = [data.draw(any_reading(name)) for name in QUANTITIES]
    text = blank_sheet(STAGE, [(r, "") for r in readings], "small.yaml")
    path = folder_of(tmp_path_factory, "every") / "case.yaml"
    path.write_text(text.replace("value: }", "value: 1}"))
    assert [measured.reading for measured in load_case(path).readings] == readings
