"""Units, devices, drawings, logs, traces and calibrations as chance makes them: told or taken."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from circuits.drawing import load_layout
from diagnose.sheet.given import stage_of
from tests.hostile import strategies_more as strategies
from tests.hostile.formats import FORMATS, Format
from tests.hostile.formats_more import cards, further
from tests.hostile.judge import ending

CHECKED = settings(derandomize=True, deadline=None, max_examples=60,
                   suppress_health_check=[HealthCheck.function_scoped_fixture])


def read(format_: Format, folder: Path, name: str, text: str) -> None:
    """Read a text as a file of a format: an answer, or one clear message."""
    path = format_.put(folder / "made", name, text.encode("utf-8", "surrogatepass"))
    ending(lambda: format_.read(path), placed=False)


@pytest.mark.slow
@given(strategies.units())
@CHECKED
def test_units(tmp_path: Path, text: str) -> None:
    read(FORMATS["unit"], tmp_path, "made.yaml", text + "\n")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "name", "texts"),
    [
        ("device file", "x.yaml", strategies.device_files()),
        ("devices", "x.lib", strategies.libraries()),
        ("library", "x.lib", strategies.libraries()),
        ("log", "log.jsonl", strategies.logs()),
        ("trace", "x.csv", strategies.traces()),
        ("calibration", "card.json", strategies.calibrations()),
    ],
)
def test_what_chance_makes(
    kind: str, name: str, texts: st.SearchStrategy[str], tmp_path: Path
) -> None:
    format_ = {**FORMATS, **further(), **cards()}[kind]

    @given(texts)
    @CHECKED
    def made(text: str) -> None:
        read(format_, tmp_path, name, text + "\n")

    made()


DIVIDER = """stage: divider
rails: {}
ports: {input: in, output: out}
parts:
  R1: {kind: metal-film, nodes: [in, out], value: 10k}
  R2: {kind: metal-film, nodes: [out, "0"], value: 10k}
"""


@given(strategies.drawings())
@CHECKED
def test_drawings(tmp_path: Path, text: str) -> None:
    def drawn(path: Path) -> object:
        return load_layout(stage_of(DIVIDER), path)

    read(Format({}, drawn), tmp_path, "divider.drawing.yaml", text + "\n")
