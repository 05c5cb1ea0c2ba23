"""Whatever befalls a file, the loader answers with a stage or a case, or with one clear message."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from circuits.load import FOLDER, load_stage
from circuits.stage import Stage
from diagnose.sheet.case import Case, load_case

DATA = Path(__file__).with_name("data")
STAGES = [path.read_bytes() for path in (DATA / "small.yaml", *sorted(FOLDER.glob("*.yaml")))]
SHEET = (DATA / "sheet.yaml").read_bytes()
SWEEP = (DATA / "sweep.csv").read_bytes()
JUNK = [
    b"\x00", b"\xff\xfe", b"\t", b"{", b"}", b"[", b": ", b"- ", b"&a ", b"*a", b"!!x ", b"---\n",
    b"|", b">", b"'", b'"', b"#", b",", b"\r", b"\xe2\x80\xa8", b"\xc2\x85", b"1e999", b"nan",
    b"-1", b"0", b"4k7", b"~", b"\x1b[0m", b"?", b"<<", b"%", b"\xf0\x9f\x94\xa5", b"\xed\xa0\x80",
    b"9" * 400, b"../" * 9, b"\\",
]
PROFILE = settings(derandomize=True, deadline=None, max_examples=400)


@st.composite
def mutated(draw: st.DrawFn, originals: list[bytes]) -> bytes:
    """A file with one to three accidents: lines or characters lost, doubled, swapped, strewn."""
    data = draw(st.sampled_from(originals))
    for _ in range(draw(st.integers(1, 3))):
        lines = data.split(b"\n")
        i, j = (draw(st.integers(0, len(lines) - 1)) for _ in range(2))
        at = draw(st.integers(0, len(data)))
        end = at + draw(st.integers(0, 12))
        match draw(st.integers(0, 6)):
            case 0:
                del lines[i]
            case 1:
                lines.insert(j, lines[i])
            case 2:
                lines[i], lines[j] = lines[j], lines[i]
            case 3:
                words, others = lines[i].rsplit(b":", 1), lines[j].rsplit(b":", 1)
                lines[i], lines[j] = words[0] + b":" + others[-1], others[0] + b":" + words[-1]
            case 4:
                lines = [data[:at] + draw(st.sampled_from(JUNK)) + data[end:]]
            case 5:
                lines = [data[:at] + data[end:]]
            case _:
                lines = [data[:at] + draw(st.binary(max_size=6)) + data[end:]]
        data = b"\n".join(lines)
    return data


def answer(load: Callable[[Path], object], path: Path) -> object:
    try:
        return load(path)
    except InputError as error:
        refused = error
    text = refused.render()
    assert 0 < len(text) < 2500
    assert all(char.isprintable() or char == "\n" for char in text)
    assert refused.place is not None
    return refused


@pytest.mark.slow
@PROFILE
@given(mutated(STAGES))
def test_stage_files(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "mutated.yaml"
    path.write_bytes(data)
    assert isinstance(answer(load_stage, path), Stage | InputError)


@pytest.mark.slow
@PROFILE
@given(mutated([SHEET]))
def test_case_files(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "small.yaml").write_bytes(STAGES[0])
    (folder / "sweep.csv").write_bytes(SWEEP)
    path = folder / "sheet.yaml"
    path.write_bytes(data)
    assert isinstance(answer(load_case, path), Case | InputError)


@pytest.mark.slow
@settings(PROFILE, max_examples=150)
@given(mutated([SWEEP]))
def test_sweep_files(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "sweep.csv").write_bytes(data)
    (folder / "small.yaml").write_bytes(STAGES[0])
    path = folder / "sweep-case.yaml"
    path.write_text("stage: small.yaml\nreadings: [{quantity: riaa deviation, file: sweep.csv}]\n")
    assert isinstance(answer(load_case, path), Case | InputError)
