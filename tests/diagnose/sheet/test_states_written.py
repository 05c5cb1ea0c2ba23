"""The state that a unit was read in, on sheets of every form; as the contract writes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.state import OPEN, State
from diagnose.sheet.blank_csv import blank_csv
from diagnose.sheet.blank_yaml import blank_sheet, entry_line
from diagnose.sheet.case import Case, load_case
from diagnose.web.opened import from_file
from diagnose.web.written import written

STAGE = "output-complementary"
EVERYTHING = State(
    load=OPEN, input="shorted", lifted=(("C6", "positive"), ("Q5", "base")), pulled=("R18",),
    bridged=(("0", "t"), ("b5", "c3")), bypassed=(("C3", 1e-4),), limited=0.2,
)
BRACES = ("{load: open, input: shorted, lifted: [C6.positive, Q5.base], pulled: [R18], "
          "bridged: [[c3, b5], [t, '0']], bypassed: {C3: 100u}, supply: {limited to: 200 mA}}")
LINE = ("load open; input shorted; lifted C6.positive and Q5.base; pulled R18; "
        "bridged t to 0 and b5 to c3; bypassed C3 100u; supply limited to 200 mA")


def sheet(folder: Path, readings: str, head: str = "", limits: str = "[]") -> Case:
    path = folder / "case.yaml"
    path.write_text(f"stage: {STAGE}\n{head}\nreadings: [{readings}]\nlimits: {limits}\n",
                    encoding="utf-8")
    return load_case(path)


def reading(folder: Path, text: str, head: str = "") -> Reading:
    (measured,) = sheet(folder, f"{{{text}, value: 1}}", head).readings
    return measured.reading


@pytest.mark.parametrize("form", [BRACES, f'"{LINE}"', f'"{EVERYTHING.text()}"'])
def test_every_word_in_both_forms(tmp_path: Path, form: str) -> None:
    found = reading(tmp_path, f"quantity: dc voltage, at: o, state: {form}")
    assert found == Reading("dc voltage", at="o", state=EVERYTHING)


def test_two_states_are_two_readings_and_one_state_is_one(tmp_path: Path) -> None:
    case = sheet(tmp_path, "{quantity: dc voltage, at: o, value: 1 V}, "
                           "{quantity: dc voltage, at: o, load: open, value: 2 V}")
    assert len(case.readings) == 2
    with pytest.raises(Exception, match="was read twice"):
        sheet(tmp_path, "{quantity: dc voltage, at: o, state: {load: open}, value: 1 V}, "
                        "{quantity: dc voltage, at: o, load: open, value: 2 V}")


def test_a_load_that_a_reading_has_a_condition_for_is_that_condition(tmp_path: Path) -> None:
    """So that stores and limits know it by one name."""
    words = "quantity: gain, frequency: 1 kHz"
    plain = reading(tmp_path, f"{words}, load: 4 ohm")
    assert plain == Reading("gain", frequency=1e3, load=4.0)
    assert reading(tmp_path, f"{words}, state: {{load: 4 ohm}}") == plain
    off = reading(tmp_path, f"{words}, load: open")
    assert off == Reading("gain", frequency=1e3, state=State(load=OPEN))
    assert reading(tmp_path, words, "load: open") == off


def test_a_sheets_state_holds_where_a_reading_has_no_other(tmp_path: Path) -> None:
    head = "load: open\nstate: {lifted: [C6.positive]}"
    lifted = (("C6", "positive"),)
    volts = "quantity: dc voltage, at: o"
    assert reading(tmp_path, volts, head).state == State(load=OPEN, lifted=lifted)
    own = reading(tmp_path, f"{volts}, load: 8 ohm", head)
    assert own.state == State(load=8.0, lifted=lifted)
    assert reading(tmp_path, f"{volts}, state: {{lifted: []}}", head).state == State(load=OPEN)
    assert reading(tmp_path, f"{volts}, state: pulled Q5", head).state == State(
        load=OPEN, lifted=lifted, pulled=("Q5",))
    # an ohmmeter has the load off anyway, and a damping factor is of a load
    ohms = reading(tmp_path, "quantity: resistance, between: [o, '0']", head)
    assert ohms.state == State(lifted=lifted)
    factor = reading(tmp_path, "quantity: damping factor, frequency: 1 kHz", "load: open")
    assert not factor.state


def test_what_is_nothing_to_a_reading_is_left_out_of_a_sheets_state(tmp_path: Path) -> None:
    head = "state: {input: shorted, supply: {limited to: 1 A}}"
    assert reading(tmp_path, "quantity: noise", head).state == State(input="shorted")
    assert not reading(tmp_path, "quantity: gain, frequency: 1 kHz", head).state
    both = State(input="shorted", limited=1.0)
    assert reading(tmp_path, "quantity: dc voltage, at: o", head).state == both


def test_terminated_is_how_it_is_read_anyway(tmp_path: Path) -> None:
    assert not reading(tmp_path, "quantity: noise, state: {input: terminated}").state
    assert not reading(tmp_path, "quantity: noise, state: {input: terminated}",
                       "state: {input: shorted}").state


@pytest.mark.parametrize(
    ("text", "share"), [("87 %", 0.87), ("115 V", 0.5), ("60 V of 120 V", 0.5), ("230 V", 0.0)]
)
def test_a_variac_over_the_nominal_voltage(tmp_path: Path, text: str, share: float) -> None:
    """230 V where no other is stated (IEC 60038)."""
    found = reading(tmp_path, f"quantity: dc voltage, at: o, state: {{mains: {text}}}")
    assert found.state == State(mains=share)
    if share:
        again = reading(tmp_path, f"quantity: dc voltage, at: o, state: {found.state.text()}")
        assert again == found
    assert not reading(tmp_path, "quantity: resistance, between: [o, '0']",
                       f"state: {{mains: {text}}}").state


def test_people_are_told_the_state() -> None:
    told = Reading("dc voltage", at="o", state=State(load=OPEN)).label()
    assert told == "dc voltage at o, load open"
    assert entry_line(Reading("dc voltage", at="o", state=State(pulled=("Q5",)))) == (
        '{quantity: dc voltage, at: o, state: pulled Q5, value: }')


def test_a_limit_is_of_one_state(tmp_path: Path) -> None:
    limits = ("[{quantity: dc voltage, at: o, max: 20 mV},"
              " {quantity: dc voltage, at: o, state: {load: open}, max: 50 mV}]")
    plain, off = sheet(tmp_path, "", limits=limits).limits
    whole = Reading("dc voltage", at="o")
    without = Reading("dc voltage", at="o", state=State(load=OPEN))
    assert [plain.covers(whole), plain.covers(without)] == [True, False]
    assert [off.covers(whole), off.covers(without)] == [False, True]
    (general,) = sheet(tmp_path, "", "load: open",
                       "[{quantity: dc voltage, at: o, max: 20 mV}]").limits
    assert general.covers(without)


def test_a_standard_is_of_whole_units(tmp_path: Path) -> None:
    limits = sheet(tmp_path, "", limits="[{standard: DIN 45500 amplifier}]").limits
    of_gain = Reading("damping factor", frequency=1e3, load=8.0)
    held = [limit for limit in limits if limit.covers(of_gain)]
    assert held
    altered = Reading("damping factor", frequency=1e3, load=8.0, state=State(pulled=("R18",)))
    assert not any(limit.covers(altered) for limit in held)


def test_a_table_says_it_of_all_and_of_one(tmp_path: Path) -> None:
    path = tmp_path / "case.csv"
    path.write_text(
        f"stage,{STAGE}\nload,open\nquantity,at,state,value,unit\n"
        "dc voltage,o,,1,V\ndc voltage,o,lifted C6.positive,2,V\n"
        'dc voltage,t,"lifted C6.positive, Q5.base",2,V\n', encoding="utf-8")
    states = [measured.reading.state for measured in load_case(path).readings]
    lifted = ("C6", "positive")
    assert states == [State(load=OPEN), State(load=OPEN, lifted=(lifted,)),
                      State(load=OPEN, lifted=(lifted, ("Q5", "base")))]


def test_blank_sheets_tell_of_it_and_what_they_tell_is_read(tmp_path: Path) -> None:
    stage = load_stage(STAGE)
    text = blank_sheet(stage, [(Reading("dc voltage", at="o"), "")])
    (told,) = [line for line in text.split("\n") if "state: {" in line]
    example = told[told.index("state: {") :]
    assert reading(tmp_path, f"quantity: dc voltage, at: o, {example}").state.altered
    assert "load,open" in blank_csv(stage, [(Reading("dc voltage", at="o"), "")])


def test_the_page_keeps_it(tmp_path: Path) -> None:
    """Read from a file, typed on the page and written again: the same readings."""
    head = "load: open\nstate: {pulled: [R18]}\n"
    text = (f"stage: {STAGE}\n{head}readings:\n"
            "  - {quantity: dc voltage, at: o, value: 1 V}\n"
            f"  - {{quantity: dc voltage, at: t, state: {BRACES}, value: 1 V}}\n"
            "limits:\n"
            "  - {quantity: dc voltage, at: o, state: {lifted: [C6.positive]}, max: 1 V}\n")
    first, again = tmp_path / "first.yaml", tmp_path / "again.yaml"
    first.write_text(text, encoding="utf-8")
    again.write_text(written(from_file(text, "first.yaml")).text, encoding="utf-8")
    here, there = load_case(first), load_case(again)
    assert [m.reading for m in there.readings] == [m.reading for m in here.readings]
    assert [m.reading for m in there.limits] == [m.reading for m in here.limits]
    assert there.readings[0].reading.state == State(load=OPEN, pulled=("R18",))


@pytest.mark.parametrize("form", ["{lamp: 60 W}", "lamp 60 W", '"load open; lamp 60 W"'])
def test_a_lamp_in_the_mains_lead(tmp_path: Path, form: str) -> None:
    found = reading(tmp_path, f"quantity: dc voltage, at: o, state: {form}")
    assert found.state.lamp == 60.0
    again = reading(tmp_path, f'quantity: dc voltage, at: o, state: "{found.state.text()}"')
    assert again == found


@pytest.mark.parametrize(("words", "state", "wrong"), [
    ("quantity: gain, frequency: 1 kHz", "{lamp: 60 W}", "behind a lamp"),
    ("quantity: supply current, rail: vcc, frequency: 1 kHz, power: 1 W", "{lamp: 60 W}",
     "behind a lamp"),
    ("quantity: resistance, between: [o, '0']", "{lamp: 60 W}", "ohmmeter"),
    ("quantity: dc voltage, at: o", "{lamp: 60 W, mains: 50 %}", "at once"),
    ("quantity: dc voltage, at: o", "{lamp: 60 V}", "60 V"),
    ("quantity: dc voltage, at: o", "{lamp: 1 W}", "not plausible"),
])
def test_what_cannot_be_read_behind_a_lamp(
    tmp_path: Path, words: str, state: str, wrong: str
) -> None:
    with pytest.raises(InputError, match=wrong):
        reading(tmp_path, f"{words}, state: {state}")


def test_a_sheet_behind_a_lamp_leaves_it_out_where_it_is_nothing(tmp_path: Path) -> None:
    case = sheet(tmp_path, "{quantity: dc voltage, at: o, value: 1 V}, "
                           "{quantity: gain, frequency: 1 kHz, value: 26 dB}, "
                           "{quantity: resistance, between: [o, '0'], value: 1 k}",
                 head="state: {lamp: 60 W}")
    assert [m.reading.state.lamp for m in case.readings] == [60.0, 0.0, 0.0]
