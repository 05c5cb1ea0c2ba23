"""Values as SPICE reads them, held against ngspice, and the doubts that they raise."""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import pytest

from circuits.spice import deck, flatten, numbers
from circuits.spice.importing import imported

NGSPICE = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian package ngspice)"
)
WRITTEN = (
    "1", "1.", ".5", "1.5e3", "1E-3", "2e3k", "4k7", "4K7", "4R7", "0R1", "1M", "1m", "1Meg",
    "1MEG", "1meg", "1MEGohm", "1mOhm", "1Mohm", "10mil", "3.3u", "3.3uF", "100n", "100nF",
    "22p", "22pF", "1F", "1f", "47kohm", "2k2", "1T", "1G", "1t", "5a", "1e3", "12v", "3mA",
    "100Ohm", "1e-3m", "2.2e1k", "7x", "1kk", "1Mego", "1milli", "1k5k", "9R", "2u2", "4n7",
    "6p8",
)
EXPRESSIONS = (
    "2+3*4", "(2+3)*4", "2**3", "2^3", "-2+5", "10/4", "1k*2", "4.7k+300", "sqrt(16)", "abs(-3)",
    "max(2,7)", "min(2,7)", "pow(2,10)", "exp(1)", "ln(10)", "log(10)", "log10(1000)", "1>0?5:6",
    "1<0?5:6", "2*3>5 && 1", "0 || 0", "!0+1", "int(3.7)", "floor(3.7)", "ceil(3.2)", "sgn(-4)+3",
    "sin(0.5)", "cos(0.5)", "tan(0.5)", "atan(1)", "1e3/1meg*1g", "2*(3+4*(5-1))", "3-2-1",
    "100/10/5", "2*-3+10", "1==1", "7%4", "ternary_fcn(1,2,3)",
)
"""Expressions of parameters: ngspice's manual, chapter 2.9."""


def told(elements: list[str], names: list[str], folder: Path) -> list[float]:
    """Values of elements as ngspice has them."""
    rows = ["values", "v1 a 0 1", *elements, ".control", "set numdgt=14", "op",
            *(f"print {name}" for name in names), ".endc", ".end", ""]
    (folder / "values.cir").write_text("\n".join(rows), encoding="utf-8")
    run = subprocess.run(["ngspice", "-b", "values.cir"], cwd=folder, capture_output=True,
                         text=True, timeout=60)
    found = [row.split(" = ")[1] for row in run.stdout.splitlines() if row.startswith("@")]
    return [float(word) for word in found]


@NGSPICE
@pytest.mark.parametrize(("letter", "what"), [("r", "resistance"), ("c", "capacitance")])
def test_a_value_is_what_ngspice_reads(letter: str, what: str, tmp_path: Path) -> None:
    elements = [f"{letter}{k} a 0 {text}" for k, text in enumerate(WRITTEN)]
    names = [f"@{letter}{k}[{what}]" for k in range(len(WRITTEN))]
    expected = told(elements, names, tmp_path)
    assert len(expected) == len(WRITTEN)
    for text, value in zip(WRITTEN, expected, strict=True):
        read = numbers.read(text, letter)
        assert read is not None
        mine = read.value if read.value or letter == "c" else 1e-3  # what it makes of no ohms
        assert mine == pytest.approx(value, rel=1e-9), text


@NGSPICE
def test_an_expression_is_what_ngspice_works_out(tmp_path: Path) -> None:
    rows = [f"r{k} a 0 {{{text}}}" for k, text in enumerate(EXPRESSIONS)]
    names = [f"@r{k}[resistance]" for k in range(len(EXPRESSIONS))]
    expected = told(rows, names, tmp_path)
    assert len(expected) == len(EXPRESSIONS)
    mine = flatten.flat(deck.read("\n".join(["title", *rows, ".end"]), "x.cir", None))
    for text, element, value in zip(EXPRESSIONS, mine.elements, expected, strict=True):
        assert (element.value or 1e-3) == pytest.approx(value, rel=1e-9), text


@pytest.mark.parametrize(
    ("text", "letter", "value", "meant"),
    [
        ("4k7", "r", 4e3, 4.7e3), ("0R1", "r", 0.0, 0.1), ("4R7", "r", 4.0, 4.7),
        ("1M", "r", 1e-3, 1e6), ("2k2", "r", 2e3, 2.2e3), ("1F", "c", 1e-15, 1.0),
        ("4n7", "c", 4e-9, 4.7e-9), ("2u2", "c", 2e-6, 2.2e-6), ("1m5", "l", 1e-3, 1.5e-3),
        ("2.2Mohm", "r", 2.2e-3, 2.2e6),
    ],
)
def test_what_a_person_may_have_meant_is_asked(
    text: str, letter: str, value: float, meant: float
) -> None:
    read = numbers.read(text, letter)
    assert read is not None
    assert read.doubt
    assert (read.value, read.meant) == (pytest.approx(value), pytest.approx(meant))


@pytest.mark.parametrize(
    ("text", "letter"),
    [("4.7k", "r"), ("1Meg", "r"), ("100", "r"), ("22uF", "c"), ("1p", "c"), ("10mH", "l"),
     ("470ohm", "r"), ("10n", "c"), ("1e-6", "c"), ("0.33", "r"), ("1MegOhm", "r")],
)
def test_what_is_plain_is_not_asked(text: str, letter: str) -> None:
    read = numbers.read(text, letter)
    assert read is not None
    assert not read.doubt


def test_a_value_is_asked_once_however_often_it_is_used() -> None:
    rows = ["title", ".subckt half a b", "R1 a b 4k7", ".ends", "Vin in 0 ac 1", "X1 in m half",
            "X2 m out half", "R2 out 0 4k7", ".end"]
    made = imported("\n".join(rows), "x.cir")
    assert [(one.part, one.written, one.read, one.meant) for one in made.asked] == [
        ("X1.R1", "4k7", "4 kΩ", "4.7 kΩ"), ("R2", "4k7", "4 kΩ", "4.7 kΩ"),
    ]
    assert {part.value for part in made.stage.parts} == {4e3}
    assert not math.isnan(made.stage.parts[0].value or 0.0)
