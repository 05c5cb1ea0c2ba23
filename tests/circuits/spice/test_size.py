"""However long a netlist is, the answer or the refusal comes within ten seconds."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.spice.importing import imported
from circuits.spice.reading_in import text_of

LIMIT = 10.0
"""s, as the project wants it."""


def ladder(sections: int) -> str:
    rows = ["a long ladder", "Vin in 0 AC 1", "R0 in n0 1k"]
    for k in range(sections):
        rows += [f"R{k + 1} n{k} n{k + 1} 1k", f"C{k + 1} n{k + 1} 0 100n"]
    return "\n".join([*rows, f"RL n{sections} 0 10k", ".end", ""])


def test_what_is_long_and_can_be_is_answered() -> None:
    start = time.perf_counter()
    made = imported(ladder(400), "ladder.cir")
    assert len(made.stage.parts) == 801
    assert time.perf_counter() - start < LIMIT


@pytest.mark.slow
@pytest.mark.parametrize("text", [
    ladder(5000),
    "title\n" + "* a comment\n" * 9990 + "Vin in 0 AC 1\nR1 in out 1k\nC1 out 0 1n\n",
    "title\n" + ".param a=1\n" * 10_000 + "R1 a b 1k\n",
    "title\n" + ".model q npn(bf=100)\n" * 10_000 + "R1 a b 1k\n",
    "title\n" + "X1 a b c\n" * 10_000,
    "title\nR1 a b {" + "1+" * 100_000 + "1}\n",
    "title\nQ1 " + "a " * 200_000 + "\n",
    "title\nR1 a b 1k\n" + "+ tc1=1\n" * 10_000,
    "title\n" + "".join(f".param p{k}={{p{k + 1}+p{k + 1}}}\n" for k in range(5000)) +
    ".param p5000=1\nR1 in out {p0}\n",
    "title\n" + "(" * 900_000,
    "title\n" + ".subckt a b\n" * 10_000,
])
def test_ten_thousand_lines_are_answered_or_refused(text: str) -> None:
    start = time.perf_counter()
    try:
        imported(text, "long.cir")
    except InputError as error:
        told = str(error)
        assert "expected" in told
        assert len(told) < 2000
    assert time.perf_counter() - start < LIMIT


def test_ten_megabytes_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "large.cir"
    path.write_text("title\n" + "* nothing at all\n" * 620_000, encoding="utf-8")
    assert path.stat().st_size > 10_000_000
    start = time.perf_counter()
    with pytest.raises(InputError, match="longer than 1 MB"):
        text_of(path)
    assert time.perf_counter() - start < LIMIT


def test_a_text_of_ten_megabytes_is_refused_as_a_file_is() -> None:
    start = time.perf_counter()
    with pytest.raises(InputError):
        imported("title\n" + "R1 a b 1k\n" * 1_000_000, "large.cir")
    assert time.perf_counter() - start < LIMIT


def test_old_encodings_are_read(tmp_path: Path) -> None:
    rows = "Verst\u00e4rker\nVin in 0 AC 1\nC1 in out 10\u00b5\nR1 out 0 10k\n.end\n"
    for encoding in ("latin-1", "utf-8", "utf-8-sig", "utf-16"):
        path = tmp_path / f"{encoding}.cir"
        path.write_bytes(rows.encode(encoding))
        made = imported(text_of(path), path.name)
        assert made.stage.part("C1").value == pytest.approx(10e-6)
