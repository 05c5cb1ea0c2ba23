"""What is said of a stage and of a reading.

What must be said is common practice at repair benches; numbers in it are hand arithmetic (½CV²,
V²/R).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from circuits.cautions import (
    Danger,
    caution_texts,
    cautions,
    inside,
    marked,
    reading_cautions,
    reading_text,
)
from circuits.hazards import hazards
from circuits.load import load_stage, stage_names, unit_names
from circuits.reading import QUANTITIES, Reading
from circuits.stage import Rail, Stage
from tests.small import resistor

ROOT = Path(__file__).resolve().parents[1]
ALL = (*stage_names(), *unit_names())
POWER = ("output-complementary", "output-mirror", "output-mosfet", "output-network",
         "output-quasi-complementary", "receiver-chain", "valve-push-pull",
         "valve-single-ended")
OWN = ROOT / "data" / "valve" / "own-triode.yaml"


def said(stage: Stage) -> str:
    return "\n".join(caution_texts(stage))


@pytest.mark.parametrize("name", ALL)
def test_each_once_and_the_worst_first(name: str) -> None:
    found = cautions(load_stage(name))
    assert len({" ".join(c.text.casefold().split()) for c in found}) == len(found)
    assert [c.danger for c in found] == sorted(c.danger for c in found)
    assert found[0].danger is Danger.LIFE


@pytest.mark.parametrize("name", ALL)
def test_wherever_there_is_a_supply_mains_and_reservoirs_and_earth(name: str) -> None:
    text = said(load_stage(name))
    assert text.count("Unplug before") == 1
    assert "switch does not isolate" in text
    assert "licensed persons" in text
    assert "local codes" in text
    assert text.count("Unplugged, the reservoirs") == 1
    assert "isolation transformer" in text
    assert "differential reading" in text


@pytest.mark.parametrize("name", ALL)
def test_a_dummy_load_only_where_there_is_a_power_stage(name: str) -> None:
    assert said(load_stage(name)).count("ummy load") == (1 if name in POWER else 0)


def test_thirty_one_volts_into_eight_ohm() -> None:
    text = said(load_stage("output-complementary"))
    # 31²/8 = 120.1
    assert "A dummy load of 8 Ω then takes 120 W" in text
    assert "near 0 V before you connect any load" in text
    assert "50 W" not in text


def test_a_users_own_valve_stage_without_a_word_of_caution_is_warned_of() -> None:
    stage = load_stage(OWN)
    assert stage.cautions == ()
    first, *_ = caution_texts(stage)
    assert first.startswith("290 V at ht can kill")
    # ½·32 µF·(290 V)² = 1.35 J
    assert "C4 32 µF at 290 V, 1.3 J" in said(stage)
    assert "Should C3 leak, up to 290 V" in said(stage)
    assert "lamp in series" in said(stage)


@pytest.mark.parametrize(("volts", "kills"), [(50.0, False), (51.0, True)])
def test_above_fifty_volts_it_can_kill(volts: float, kills: bool) -> None:
    stage = Stage("s", (resistor("R1", "vcc", "out", 1e3),), rails=(Rail("vcc", volts),))
    assert ("can kill" in said(stage)) == kills
    assert f"{volts:g} V at vcc" in said(stage)


def test_no_supply_no_caution() -> None:
    assert cautions(Stage("s", (resistor("R1", "in", "out", 1e3),), load=47e3)) == ()


def test_what_a_file_says_itself_stays_and_what_endangers_life_comes_before_the_rest() -> None:
    own = ("Keep it dry.", "The chassis has the mains on it.", "keep  it dry")
    parts, rails = (resistor("R1", "vcc", "out", 1e3),), (Rail("vcc", 60.0),)
    stage = Stage("s", parts, rails=rails, cautions=own)
    texts = caution_texts(stage)
    assert texts[-1] == "Keep it dry."
    assert "After a repair" in texts[-2]
    assert texts.index(own[1]) < texts.index(texts[-2])


INNER = [Reading(q, at="p", frequency=100.0) for q in
         ("dc voltage", "gain", "response", "hum", "noise", "ripple")]


@pytest.mark.parametrize("reading", [*INNER, Reading("supply current", rail="ht"),
                                     Reading("gain", origin="p", frequency=1e3)], ids=str)
def test_a_probe_inside_always_says_live(reading: Reading) -> None:
    about = hazards(load_stage(OWN))
    assert inside(reading)
    assert reading_text(about, reading).startswith("Live, up to 290 V, which can kill")
    assert marked(about, reading).startswith("live, 290 V")
    low = hazards(load_stage("phono-two-transistor"))
    assert reading_text(low, reading).startswith("Live, up to 24 V:")
    assert marked(low, reading) == "live"


def test_alternating_readings_on_high_tension_want_a_rated_probe() -> None:
    about = hazards(load_stage(OWN))
    for reading in INNER:
        wanted = reading.quantity != "dc voltage"
        assert ("probe or a blocking capacitor rated" in reading_text(about, reading)) == wanted
        assert ("blocking capacitor" in marked(about, reading)) == wanted
    low = hazards(load_stage("tone-control"))
    assert not any("blocking" in reading_text(low, reading) for reading in INNER)


def test_the_resistor_of_a_supply_current_is_fitted_with_the_power_off() -> None:
    reading = Reading("supply current", rail="vcc")
    assert "with the power off" in reading.about.how
    assert "dropper" in reading.about.how
    assert "with the power off" in reading_text(hazards(load_stage("tone-control")), reading)


def test_an_ohmmeter_wants_the_plug_out_and_is_not_live() -> None:
    reading = Reading("resistance", between=("p", "0"))
    about = hazards(load_stage(OWN))
    assert reading_text(about, reading).startswith("Unplug")
    assert "Live" not in reading_text(about, reading)
    assert marked(about, reading) == "power off"


@pytest.mark.parametrize("name", ALL)
def test_a_driven_reading_names_a_dummy_load_in_a_power_stage_only(name: str) -> None:
    about = hazards(load_stage(name))
    driven = [Reading(q) for q, entry in QUANTITIES.items() if "driven" in entry.caution]
    assert len(driven) > 10
    for reading in (*driven, Reading("hum", level=("power", 1.0))):
        assert ("dummy load" in reading_text(about, reading)) == (name in POWER)


def test_a_large_square_wave_heats_the_zobel_resistor() -> None:
    slew = Reading("slew rate")
    assert "heats R18" in reading_text(hazards(load_stage("output-complementary")), slew)
    assert "heats" not in reading_text(hazards(load_stage("tone-control")), slew)
    # f·C·(ΔV)² = 10 kHz·100 nF·(62 V)² = 3.84 W
    assert "3.8 W into R18" in said(load_stage("output-complementary"))


def test_of_one_reading_the_worst_comes_first() -> None:
    about = hazards(load_stage("output-complementary"))
    found = reading_cautions(about, Reading("supply current", rail="vcc", level=("power", 1.0)))
    assert len(found) >= 3
    assert [c.danger for c in found] == sorted(c.danger for c in found)
