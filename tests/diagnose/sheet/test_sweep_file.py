"""Sweep files in the forms that analysers and spreadsheets write, and what is kept of a dense one.

The forms are common practice of measuring programs and spreadsheets of either decimal mark.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings

from circuits.errors import InputError
from diagnose.answer.verdict import judged
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.readings import PER_DECADE
from diagnose.sheet.sweep_file import MOST_ROWS, read_sweep
from tests.test_mutated_input import PROFILE, answer, mutated


def case(tmp_path: Path, text: str, entry: str, limits: str = "") -> Case:
    (tmp_path / "s.csv").write_text(text, encoding="utf-8", newline="")
    path = tmp_path / "case.yaml"
    path.write_text(f"stage: output-complementary\nreadings: [{{{entry}, file: s.csv}}]\n{limits}")
    return load_case(path)


def points(made: Case) -> list[tuple[float, float]]:
    return [(m.reading.frequency, m.value) for m in made.readings]


RESPONSE = "quantity: response, reference: 1 kHz"


@pytest.mark.parametrize(
    "text",
    [
        "Frequency (Hz),Level (dBr)\n20,-1.5\n1000,0\n",
        "Freq [kHz];Response [dBr]\n0,02;-1,5\n1;0\n",
        "Frequency Hz\tdBr\n20\t-1,5\n1000\t0,0\n",
        '"Frequency","Level"\n"Hz","dBr"\n"20","-1.5"\n"1000","0"\n',
        "\ufeffSweep of the left channel\r\nf,dB\r\n20,-1.5\r\n\r\n# a; remark\r\n1000,0\r\n",
        "20.0  -1.5\n1000.0  0.0\n",
        "Frequency (Hz),Phase (deg),Level (dB)\n20,30,-1.5\n1000,0,0\n",
        "Level (dB),Frequency (Hz)\n-1.5,20\n0,1000\n",
        "Frequency (Hz),Level (dB)\n20,-1.5\n500,\n1000,0\n",
        # absolute levels are made relative to 1 kHz
        "Frequency (Hz),Level (dBV)\n20,6.5\n1000,8\n",
        "Frequency (Hz),Level (dBFS)\n20,-11.5\n1000,-10\n",
    ],
)
def test_the_usual_forms_of_a_response(tmp_path: Path, text: str) -> None:
    assert points(case(tmp_path, text, RESPONSE)) == [
        (20.0, pytest.approx(-1.5)), (1000.0, pytest.approx(0.0)),
    ]


def test_a_response_in_volts_is_relative_to_the_reference(tmp_path: Path) -> None:
    """Half the voltage is -6.02 dB; at 1 kHz, between the points, straight in log f."""
    text = "Frequency (Hz),Output (mV)\n100,500\n500,1000\n2000,1000\n"
    made = points(case(tmp_path, text, RESPONSE))
    assert made == [(100.0, pytest.approx(-6.0206)), (500.0, pytest.approx(0.0)),
                    (2000.0, pytest.approx(0.0))]


@pytest.mark.parametrize(
    ("entry", "text", "value"),
    [
        ("quantity: riaa deviation", "Frequency (Hz),Deviation (dB)\n1000,-0.5\n", -0.5),
        ("quantity: input impedance", "f (Hz),|Z| (kohm),Phase (°)\n1000,47,-12\n", 47e3),
        ("quantity: output impedance", "Frequency;Impedance Ω\n1000;0,08\n", 0.08),
        ("quantity: phase", "f (Hz),|Z| (kohm),Phase (°)\n1000,47,-12\n", -12.0),
        ("quantity: thd", "Freq (Hz),THD %\n1000,0.24\n", 0.0024),
        ("quantity: thd", "Freq (Hz),THD+N (%),THD (%)\n1000,0.3,0.24\n", 0.0024),
        ("quantity: thd", "Freq (Hz),THD (dB)\n1000,-40\n", 0.01),
        ("quantity: thd+n", "Freq (Hz),THD+N (%),THD (%)\n1000,0.3,0.24\n", 0.003),
        ("quantity: thd, column: Right", "Freq,Left (%),Right (%)\n1000,0.3,0.24\n", 0.0024),
        ("quantity: crosstalk", "Freq (Hz)\tCrosstalk (dB)\n1000\t-52\n", -52.0),
    ],
)
def test_other_quantities_against_frequency(
    tmp_path: Path, entry: str, text: str, value: float
) -> None:
    assert points(case(tmp_path, text, entry)) == [(1000.0, pytest.approx(value))]


@pytest.mark.parametrize(
    ("text", "kind", "level"),
    [
        ("Power (W),THD (%)\n0.1,0.5\n20,0.2\n", "power", 20.0),
        ("Output power [mW];THD [%]\n100;0,5\n20000;0,2\n", "power", 20.0),
        ("Output (V rms),THD (%)\n0.9,0.5\n12.65,0.2\n", "output level", 12.65),
        ("Input level (mV),THD (%)\n10,0.5\n120,0.2\n", "input level", 0.12),
        ("0.1 W,0.5 %\n20 W,0.2 %\n", "power", 20.0),
    ],
)
def test_distortion_against_level(tmp_path: Path, text: str, kind: str, level: float) -> None:
    made = case(tmp_path, text, "quantity: thd, frequency: 1 kHz, load: 8 ohm").readings
    assert [m.value for m in made] == [pytest.approx(0.005), pytest.approx(0.002)]
    assert made[1].reading.level == (kind, pytest.approx(level))
    assert made[1].reading.frequency == 1000.0


def test_points_against_level(tmp_path: Path) -> None:
    path = tmp_path / "case.yaml"
    path.write_text("stage: output-complementary\nreadings:\n  - {quantity: thd, frequency: 1 kHz, "
                    "points: {100 mW: 0.5 %, 20 W: 0.2 %, 2.83 V: 0.1 %}}\n")
    assert [m.reading.level for m in load_case(path).readings] == [
        ("power", 0.1), ("power", 20.0), ("output level", 2.83),
    ]


@pytest.mark.parametrize(
    ("text", "entry", "words", "line"),
    [
        ("Freq,Left (%),Right (%)\n1000,0.3,0.24\n", "quantity: thd", "Left (%)", 1),
        ("Freq,Left (%)\n1000,0.3\n", "quantity: thd, frequency: 1 kHz", "heading with a unit", 2),
        ("Freq (Hz),dB\n20,1,2\n", RESPONSE, "3 columns", 2),
        ("Freq (Hz),dB\n20,1\nmany,2\n", RESPONSE, "many", 3),
        ("Freq (Hz),Level (dBV)\n20,1\n100,2\n", RESPONSE, "reference", 2),
        ("Freq (Hz),Level (V)\n20,1\n1000,0\n", RESPONSE, "no dB", 3),
        ("Freq (Hz),THD+N (%)\n1000,0.3\n", "quantity: thd", "not the thd alone", 1),
        ('Freq (Hz),dB\n20,"1\n', RESPONSE, "quote", 2),
        ("Freq (Hz),dB\n20,3 V\n", RESPONSE, "in V", 2),
    ],
)
def test_what_cannot_be_read_is_shown(
    tmp_path: Path, text: str, entry: str, words: str, line: int
) -> None:
    with pytest.raises(InputError) as caught:
        case(tmp_path, text, entry)
    assert words in caught.value.render()
    assert caught.value.place is not None
    assert (Path(caught.value.place.file).name, caught.value.place.line) == ("s.csv", line)


def test_a_column_that_is_not_there_is_shown_on_the_sheet(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        case(tmp_path, "Freq,Left (%),Right (%)\n1000,0.3,0.24\n", "quantity: thd, column: Rihgt")
    assert "did you mean: Right (%)?" in caught.value.render()
    assert "case.yaml:2:" in caught.value.render()


def test_too_many_rows(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text("".join(f"{k + 1},0\n" for k in range(MOST_ROWS + 1)))
    with pytest.raises(InputError, match="2000 rows"):
        read_sweep(path)


def dense(count: int, dip: int = -1) -> str:
    """A flat curve from 20 Hz to 20 kHz, with a narrow dip at one row."""
    rows = [(20.0 * 1000.0 ** (k / (count - 1)), -3.0 if k == dip else 0.0) for k in range(count)]
    return "Frequency (Hz),Level (dB)\n" + "".join(f"{f:.4f},{v}\n" for f, v in rows)


@pytest.mark.parametrize("count", [200, 2000])
def test_a_dense_sweep_is_weighed_at_a_few_places(tmp_path: Path, count: int) -> None:
    made = case(tmp_path, dense(count), RESPONSE)
    assert PER_DECADE * 3 - 1 <= len(made.readings) <= PER_DECADE * 3 + 2
    assert len(made.readings) + len(made.dense) == count
    steps = [math.log10(b[0] / a[0]) for a, b in zip(points(made), points(made)[1:], strict=False)]
    assert max(steps) < 1.5 / PER_DECADE
    assert min(steps) > 0.5 / PER_DECADE


def test_a_sweep_of_few_points_is_kept_whole(tmp_path: Path) -> None:
    assert len(case(tmp_path, dense(31), RESPONSE).dense) == 0  # thirds of an octave


def test_a_limit_is_judged_by_every_row(tmp_path: Path) -> None:
    limits = "limits: [{quantity: response, band: 20 Hz to 20 kHz, within: 0.5 dB}]\n"
    made = case(tmp_path, dense(1000, dip=503), RESPONSE, limits)
    assert all(value == 0.0 for _, value in points(made))  # the dip is between what is weighed
    figures = judged(made)
    failed = [x for x in figures.lines if not x.passes]
    assert [x.measured for x in failed] == [-3.0]
    assert "meets no published figure" in figures.summary
    assert len(figures.lines) == len(made.readings) + 1


SWEEPS = [
    b"Frequency (Hz),Level (dBV),Phase (deg)\n20,6.5,10\n500,7,\n1000,8,0\n20000,7,-20\n",
    b'"Freq [kHz]";"Response [V]"\r\n0,02;1,5\r\n1;2\r\n',
    b"# remark\nTitle\n20.0  -1.5\n1000.0  0.0\n",
]


@pytest.mark.slow
@settings(PROFILE, max_examples=300)
@given(mutated(SWEEPS))
def test_whatever_befalls_a_sweep(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "strewn.csv").write_bytes(data)
    path = folder / "strewn-case.yaml"
    path.write_text("stage: output-complementary\n"
                    f"readings: [{{{RESPONSE}, file: strewn.csv}}]\n")
    assert isinstance(answer(load_case, path), Case | InputError)
