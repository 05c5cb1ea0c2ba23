"""The bench sheet as a table: it comes back as it was written, and a mistake is shown in it.

Forms of tables (quotes of RFC 4180, semicolons where the comma marks decimals, a byte order mark,
rows padded with empty cells) are common practice of spreadsheets.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from diagnose.cli.main import main
from diagnose.sheet.blank_csv import blank_csv
from diagnose.sheet.blank_yaml import blank_sheet
from diagnose.sheet.case import Case, load_case
from tests.diagnose.sheet.test_round_trip import DATA, STAGE, any_reading
from tests.test_mutated_input import PROFILE, answer, mutated

FULL = """case,Record input of the hall amplifier hums,,,
stage,small.yaml,,,
"value","C2","220n"
value,R3,12k
mains,60 Hz
check,C3,good,"capacitance, and ESR"
observation,intermittent
observation,worse when warm
standard,DIN 45500 amplifier
# a remark
quantity,at,rail,frequency,reference,power,load,between,tones,ratio,value,unit,uncertainty,max,within,remark
dc voltage,c1,,,,,,,,,11.3,V,,,,Q1 collector
supply current,,vcc,,,,,,,,1.4,mA,,,,
gain,,,1 kHz,,,,,,,35.4,dB,0.2 dB,,,
response,,,20 Hz,1 kHz,,,,,,-1.2,dB,,,,
response,,,15 kHz,1 kHz,,,,,,,dB,,,,left empty
thd,,,1 kHz,,20 mW,8 ohm,,,,0.24,%,5 %,,,
hum,,,120 Hz,,,,,,,< 31.6,uV,,,,
imd,,,,,,,,60 Hz + 7 kHz,4:1,0.1 %,,,,,
resistance,,,,,,,c1 to 0,,,12k,,,,,
thd,,,1 kHz,,20 mW,8 ohm,,,,,%,,0.2,,
gain,,,1 kHz,,,,,,,,dB,,36,,
"""


def table(tmp_path: Path, text: str, name: str = "case.csv") -> Case:
    (tmp_path / "small.yaml").write_text((DATA / "small.yaml").read_text())
    (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    return load_case(tmp_path / name)


TWIN = """
case: Record input of the hall amplifier hums
stage: small.yaml
values: {C2: 220n, R3: 12k}
mains: 60 Hz
readings:
  - {quantity: dc voltage, at: c1, value: 11.3 V}
  - {quantity: supply current, rail: vcc, value: 1.4 mA}
  - {quantity: gain, frequency: 1 kHz, value: 35.4 dB, uncertainty: 0.2 dB}
  - {quantity: response, frequency: 20 Hz, reference: 1 kHz, value: -1.2 dB}
  - {quantity: thd, frequency: 1 kHz, power: 20 mW, load: 8 ohm, value: 0.24 %, uncertainty: 5 %}
  - {quantity: hum, frequency: 120 Hz, value: "< 31.6 uV"}
  - {quantity: imd, tones: [60 Hz, 7 kHz], ratio: "4:1", value: 0.1 %}
  - {quantity: resistance, between: [c1, "0"], value: 12k}
limits:
  - {standard: DIN 45500 amplifier}
  - {quantity: thd, frequency: 1 kHz, power: 20 mW, load: 8 ohm, max: 0.2 %}
  - {quantity: gain, frequency: 1 kHz, max: 36 dB}
checks: [{part: C3, found: good, how: "capacitance, and ESR"}]
observations: [intermittent, worse when warm]
"""


def test_a_table_is_the_same_case_as_its_twin(tmp_path: Path) -> None:
    made = table(tmp_path, FULL)
    (tmp_path / "case.yaml").write_text(TWIN)
    assert made == load_case(tmp_path / "case.yaml")


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text.replace("\n", "\r\n"),
        lambda text: text.replace(",", ";").replace("capacitance;", "capacitance,"),
        lambda text: text.replace(",", ";").replace("capacitance;", "capacitance,")
        .replace("11.3", "11,3").replace("1.4", "1,4").replace("35.4", "35,4")
        .replace("0.2", "0,2").replace("-1.2", "-1,2").replace("31.6", "31,6")
        .replace("0.1 %", "0,1 %"),
        lambda text: text.replace("capacitance, and", "capacitance; and").replace(",", "\t")
        .replace("capacitance;", "capacitance,"),
        lambda text: "\n".join(f'"{line}"' if line.startswith("#") else line
                               for line in text.split("\n")),
        lambda text: text.replace("\ngain,,,1 kHz,,,,,,,3", "\n,,,,,\n\nGain,,,1 kHz,,,,,,,3"),
    ],
)
def test_the_forms_of_spreadsheets(tmp_path: Path, change: object) -> None:
    assert callable(change)
    text = change(FULL)
    assert text != FULL
    made = table(tmp_path, text, "case.tsv" if "\t" in text else "case.csv")
    assert replace(made, path=Path()) == replace(table(tmp_path, FULL), path=Path())


def test_two_channels(tmp_path: Path) -> None:
    made = table(tmp_path, "stage,phono-opamp\nsuspect,right\nchannel,quantity,frequency,value\n"
                 "left,gain,1 kHz,35 dB\nright,gain,1 kHz,30 dB\n")
    assert [m.value for m in made.readings] == [30.0]
    assert [m.value for m in made.reference] == [35.0]


@pytest.mark.parametrize(
    ("old", "new", "words", "where"),
    [
        ("stage,small.yaml", "stage,smal.yaml", "smal.yaml", "2:7"),
        ("mains,60 Hz", "main,60 Hz", "did you mean: mains", "5:1"),
        ("mains,60 Hz", "mains,60 V", "in V", "5:7"),
        ("value,R3,12k", "value,R33,12k", "R3", "4:7"),
        ("value,R3,12k", "value,C2,12k", "twice", "4:7"),
        ("check,C3,good", "check,C3,god", "good", "6:10"),
        ("check,C3,good", "check,C33,good", "C3", "6:7"),
        ("observation,intermittent", "observation,intermitent", "intermittent", "7:13"),
        ("mains,60 Hz", "mains,60 Hz,50 Hz", "more stands behind", "5:13"),
        ("quantity,at", "quantity,att", "did you mean: at", "11:10"),
        ("power,load", "power,power", "twice", "11:44"),
        ("gain,,,1 kHz", "gian,,,1 kHz", "did you mean: gain", "14:1"),
        ("gain,,,1 kHz", "gain,c9,,1 kHz", "c1", "14:6"),
        ("35.4,dB", "35.4,V", "in V", "14:20"),
        ("11.3,V,,,,Q1 collector", "11.3,V,,,,Q1, collector", "no heading", "12:37"),
        ("supply current,,vcc", "supply current,,", "needs 'rail'", "13:1"),
        ("\nhum,,,120 Hz", "\ngain,,,1 kHz,,,,,,,3,dB,,,,\nhum,,,120 Hz", "read twice", "18:20"),
        ("quantity,at,rail", "quality,at,rail", "no row of headings", "*"),
    ],
)
def test_a_mistake_is_shown_where_it_stands(
    tmp_path: Path, old: str, new: str, words: str, where: str
) -> None:
    assert old in FULL
    with pytest.raises(InputError) as caught:
        table(tmp_path, FULL.replace(old, new, 1))
    error = caught.value
    assert words in error.render()
    assert error.place is not None
    assert Path(error.place.file).name == "case.csv"
    if where != "*":
        assert f"{error.place.line}:{error.place.column}" == where


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.lists(any_reading(), max_size=8, unique_by=lambda reading: reading.key()))
def test_a_blank_table_comes_back_as_the_blank_sheet_does(
    tmp_path_factory: pytest.TempPathFactory, readings: list[Reading]
) -> None:
    folder = tmp_path_factory.getbasetemp() / "table"
    folder.mkdir(exist_ok=True)
    (folder / "small.yaml").write_text((DATA / "small.yaml").read_text())
    proposed = [(r, 'a "note", # of [two]\nlines') for r in readings]
    for value in ("", "1"):
        text = blank_csv(STAGE, proposed, "small.yaml")
        head, *rows = text[text.index("quantity") :].split("\n")
        place = head.split(",").index("value")
        filled = [_filled(row, place, value) for row in rows if row]
        (folder / "case.csv").write_text(
            text[: text.index("quantity")] + "\n".join([head, *filled]) + "\n"
        )
        twin = blank_sheet(STAGE, proposed, "small.yaml").replace("value: }", f"value: {value}}}")
        (folder / "case.yaml").write_text(twin)
        made, same = load_case(folder / "case.csv"), load_case(folder / "case.yaml")
        assert made == same
        assert [m.reading for m in made.readings] == (readings if value else [])


def _filled(row: str, place: int, value: str) -> str:
    cells = row.split(",")
    return ",".join([*cells[:place], value, *cells[place + 1 :]])


@pytest.mark.slow
def test_the_command_writes_a_table_and_ranks_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    path = tmp_path / "sheet.csv"
    stage = str(DATA / "coupling.yaml")
    assert main(["sheet", stage, "--csv"]) == 0
    shown = capsys.readouterr().out
    assert main(["sheet", stage, "-o", str(path)]) == 0
    assert shown.partition("stage,")[2].partition("\n")[2] in path.read_text("utf-8-sig")
    assert load_case(path).stage == load_stage(stage)
    assert main(["sheet", stage, "-o", str(path)]) == 2  # kept
    assert main(["sheet", stage, "--csv", "-o", str(tmp_path / "x.yaml")]) == 2
    capsys.readouterr()
    text = path.read_text("utf-8-sig")
    line = next(x for x in text.split("\n") if x.startswith("response") and "20 Hz" in x)
    place = text[text.index("\nquantity") + 1 :].split("\n")[0].split(",").index("value")
    path.write_text(text.replace(line, _filled(line, place, "-2.1")))
    assert main(["rank", str(path)]) == 0
    assert "C1" in capsys.readouterr().out


def test_a_supply_is_asked_for_nothing_that_belongs_to_a_signal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["sheet", "supply-regulated"]) == 0
    text = capsys.readouterr().out
    for word in ("gain", "response", "riaa", "thd", "input impedance"):
        assert f"quantity: {word}" not in text
    for word in ("ripple, at: out, frequency: 100 Hz", "output impedance", "dc voltage, at: out"):
        assert f"quantity: {word}" in text


def test_a_stage_of_the_signal_is_asked_for_its_distortion(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["sheet", "output-quasi-complementary"]) == 0
    text = capsys.readouterr().out
    for word in ("gain", "response", "thd", "maximum output", "damping factor"):
        assert f"quantity: {word}" in text


@pytest.mark.slow
@settings(PROFILE, max_examples=300)
@given(mutated([FULL.encode()]))
def test_whatever_befalls_a_table(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "small.yaml").write_text((DATA / "small.yaml").read_text())
    path = folder / "mutated.csv"
    path.write_bytes(data)
    assert isinstance(answer(load_case, path), Case | InputError)
