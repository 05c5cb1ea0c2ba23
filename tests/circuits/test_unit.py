"""Units: stages in series, held against closed forms and against the stages they are made of."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import take
from circuits.load import load_stage, unit_names
from circuits.probe import NONE
from circuits.reading import Reading
from circuits.stage import Stage
from faultlib.catalogue import hypotheses
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.tolerance import Spread, deviate, spreads
from tests.small import db, parallel, read

OPEN_LOAD = 1e-3
"""dB and degrees that the 1 Gohm of an open output makes in circuits of some 10 kohm."""
DATA = Path(__file__).parents[1] / "data" / "unit"


def chain(folder: Path, *members: str, more: str = "") -> Stage:
    """A unit of such members, read from a file."""
    lines = "\n".join(f"  - {{{member}}}" for member in members)
    path = folder / "unit.yaml"
    path.write_text(f"unit: made\n{more}\nchain:\n{lines}\n", encoding="utf-8")
    return load_stage(path)


def gain(frequency: float, at: str = "", origin: str = "") -> Reading:
    return Reading("gain", frequency=frequency, at=at, origin=origin, probe=NONE)


# -- a chain of one --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["phono-two-transistor", "tone-control", "output-complementary"])
def test_a_chain_of_one_stage_is_that_stage(name: str, tmp_path: Path) -> None:
    """By definition: nothing stands before or after it."""
    alone = load_stage(name)
    unit = chain(tmp_path, f"name: one, stage: {name}")
    rails = {rail.name for rail in alone.rails}
    nodes = [node for node, _ in alone.test_points]

    def readings(prefix: str) -> list[Reading]:
        return [
            *(Reading("dc voltage", at=prefix + node) for node in nodes),
            *(Reading("supply current", rail=prefix + rail) for rail in sorted(rails)),
            *(gain(f) for f in (20.0, 1e3, 20e3)),
            Reading("phase", frequency=10e3),
            Reading("input impedance", frequency=1e3),
            Reading("output impedance", frequency=1e3),
            *(Reading("hum", frequency=f) for f in (50.0, 100.0, 150.0)),
            Reading("noise"),
        ]

    np.testing.assert_allclose(
        take(unit, readings("one.")), take(alone, readings("")), rtol=1e-9, atol=1e-12
    )


def test_a_chain_of_one_stage_fails_as_that_stage_does(tmp_path: Path) -> None:
    alone = load_stage("phono-two-transistor")
    unit = chain(tmp_path, "name: one, stage: phono-two-transistor")
    mine = [(h.part, h.mode.name, h.prior) for h in hypotheses(unit)]
    assert mine == [(f"one.{h.part}", h.mode.name, h.prior) for h in hypotheses(alone)]
    fault = Fault("C6", "high esr", 500.0)
    np.testing.assert_allclose(
        take(inject(unit, replace(fault, part="one.C6")), [gain(50.0), gain(1e3)]),
        take(inject(alone, fault), [gain(50.0), gain(1e3)]),
        rtol=1e-9,
    )


# -- joined stages by closed form ------------------------------------------------------------------

LADDER = ("name: a, stage: low-pass.yaml", "name: b, stage: low-pass.yaml")


def ladder(folder: Path) -> Stage:
    for name in ("low-pass", "divider", "fed"):
        (folder / f"{name}.yaml").write_bytes((DATA / f"{name}.yaml").read_bytes())
    return chain(folder, *LADDER)


@pytest.mark.parametrize("frequency", [10.0, 300.0, 1591.549, 5e3, 100e3])
def test_two_loaded_sections_are_no_product_of_two_alone(frequency: float, tmp_path: Path) -> None:
    """Two equal RC sections: 1 / (1 + 3sRC + (sRC)²), as textbooks of network theory have it."""
    s = 2j * math.pi * frequency * 10e3 * 10e-9
    expected = 1.0 / (1.0 + 3.0 * s + s * s)
    found, phase = read(
        ladder(tmp_path), gain(frequency), Reading("phase", frequency=frequency)
    )
    floor = math.hypot(abs(expected), 1e-4)
    assert found == pytest.approx(db(floor), abs=OPEN_LOAD)
    assert phase == pytest.approx(math.degrees(np.angle(expected)), abs=1e-3)


def test_readings_between_two_points(tmp_path: Path) -> None:
    """The second section alone is 1 / (1 + sRC); the first, loaded, is what is left."""
    unit, frequency = ladder(tmp_path), 2e3
    s = 2j * math.pi * frequency * 10e3 * 10e-9
    second = 1.0 / (1.0 + s)
    whole = 1.0 / (1.0 + 3.0 * s + s * s)
    readings = [
        gain(frequency, at="a.out"),
        gain(frequency, at="b.out", origin="a.out"),
        Reading("phase", frequency=frequency, origin="a.out", probe=NONE),
        Reading("response", frequency=frequency, reference=20.0, origin="a.out", probe=NONE),
        gain(frequency, at="b.out"),
    ]
    first, between, phase, response, both = read(unit, *readings)
    assert first == pytest.approx(db(abs(whole / second)), abs=OPEN_LOAD)
    assert between == pytest.approx(db(abs(second)), abs=OPEN_LOAD)
    assert phase == pytest.approx(math.degrees(np.angle(second)), abs=OPEN_LOAD)
    flat = 1.0 / (1.0 + 2j * math.pi * 20.0 * 10e3 * 10e-9)
    assert response == pytest.approx(db(abs(second / flat)), abs=OPEN_LOAD)
    assert both == pytest.approx(first + between, abs=1e-9)


def test_labels_say_from_where_to_where() -> None:
    label = Reading("gain", frequency=1e3, at="tone.out", origin="phono.out").label()
    assert label == "gain at 1 kHz from phono.out to tone.out"
    assert Reading("gain", frequency=1e3, at="tone.out").label() == "gain at 1 kHz to tone.out"
    assert Reading("hum", frequency=50.0, at="tone.out").label() == "hum at tone.out at 50 Hz"


def dividers(folder: Path) -> Stage:
    ladder(folder)
    return chain(folder, "name: a, stage: divider.yaml", "name: b, stage: divider.yaml")


def test_the_signal_passes_an_earth_joint(tmp_path: Path) -> None:
    """10k over 10k, then 10k over 10k behind the 5k of the first: ½ · 10/25."""
    first, both = read(dividers(tmp_path), gain(1e3, at="a.out"), gain(1e3))
    assert both == pytest.approx(db(0.2), abs=OPEN_LOAD)
    assert first == pytest.approx(db(20.0 / 25.0 / 2.0), abs=OPEN_LOAD)


def test_stray_mains_of_each_stage_comes_in_where_it_belongs(tmp_path: Path) -> None:
    """Drop of the earth joint (4 mV) and pick-up (3 mV) are in series with each stage's input.

    Those of the first pass both dividers (0.2), those of the second 10k over 25k (0.4); powers add.
    At 150 Hz there is pick-up alone. A level stated at the input counts at the point that is read.
    """
    unit = dividers(tmp_path)
    both, third, first, relative = read(
        unit,
        Reading("hum", frequency=50.0),
        Reading("hum", frequency=150.0),
        Reading("hum", frequency=50.0, at="a.out", probe=NONE),
        Reading("hum", frequency=150.0, at="a.out", level=("input level", 1.0), probe=NONE),
    )
    assert both == pytest.approx(5e-3 * math.hypot(0.2, 0.4), rel=1e-4)
    assert third == pytest.approx(1e-3 * math.hypot(0.2, 0.4), rel=1e-4)
    # seen from a.out the second stage's e.m.f. is divided by its 20k and the 5k behind the point
    assert first == pytest.approx(5e-3 * math.hypot(0.4, 5.0 / 25.0), rel=1e-4)
    assert relative == pytest.approx(db(1e-3 * math.hypot(0.4, 0.2) / 0.4), abs=1e-3)


def test_pickup_is_a_fault_of_one_stage(tmp_path: Path) -> None:
    unit = dividers(tmp_path)
    assert unit.pickups == ("a.pickup", "b.pickup")
    (mode,) = {h.mode.name for h in hypotheses(unit) if h.part == "b.pickup"}
    worse = inject(unit, Fault("b.pickup", mode, 10.0))
    (found,) = read(worse, Reading("hum", frequency=150.0))
    assert found == pytest.approx(1e-3 * math.hypot(0.2, 4.0), rel=1e-4)
    spread = Spread("a.pickup", "pickup", math.log(10.0))
    (moved,) = read(deviate(unit, [(spread, 1.0)]), Reading("hum", frequency=150.0))
    assert moved == pytest.approx(1e-3 * math.hypot(2.0, 0.4), rel=1e-4)
    assert {s.target for s in spreads(unit) if s.what == "pickup"} == {"a.pickup", "b.pickup"}


def test_an_open_earth_joint_leaves_no_way_back(tmp_path: Path) -> None:
    """As with a generator at its input: the loop of the signal is broken."""
    unit = dividers(tmp_path)
    healthy, broken = read(unit, gain(1e3))[0], read(inject(unit, Fault("b.J1", "open")), gain(1e3))
    assert broken[0] < healthy - 20.0


# -- supplies --------------------------------------------------------------------------------------


def test_stages_share_a_supply() -> None:
    """20 V behind 100 Ω, loaded with 10k + 20k and 10k + (10k beside the load of 1M)."""
    unit = load_stage(DATA / "pair.yaml")
    assert [rail.name for rail in unit.rails] == ["main"]
    lower = parallel(10e3, 1e6)
    load = parallel(30e3, 10e3 + lower)
    volts = 20.0 * load / (load + 100.0)
    rail, first, second, current = read(
        unit,
        Reading("dc voltage", at="main", meter=math.inf),
        Reading("dc voltage", at="first.out", meter=math.inf),
        Reading("dc voltage", at="second.out", meter=math.inf),
        Reading("supply current", rail="main"),
    )
    assert rail == pytest.approx(volts, rel=1e-6)
    assert first == pytest.approx(volts * 2.0 / 3.0, rel=1e-6)
    assert second == pytest.approx(volts * lower / (10e3 + lower), rel=1e-6)
    assert current == pytest.approx(20.0 / (load + 100.0), rel=1e-6)


def test_a_unit_says_what_its_channels_share() -> None:
    unit = load_stage(DATA / "pair.yaml")
    assert unit.chain is not None
    assert unit.chain.instances == ("left", "right")
    assert unit.shared == ("main",)
    assert load_stage("tone-control").shared == ()
    assert (unit.source_impedance, unit.load, unit.signal) == (50.0, 1e6, (("input level", 0.1),))


def test_rails_that_the_unit_does_not_feed_stay_a_stage_s_own(tmp_path: Path) -> None:
    unit = chain(
        tmp_path, "name: tone, stage: tone-control", "name: output, stage: output-complementary"
    )
    assert [rail.name for rail in unit.rails] == ["tone.vcc", "output.vcc", "output.vee"]
    assert {h.part for h in hypotheses(unit)} >= {"tone.vcc", "output.vee"}


def test_supply_parts_have_the_supply_s_name() -> None:
    unit = load_stage("receiver-chain")
    names = {part.name for part in unit.supply_parts}
    assert names >= {"small reservoir", "small rectifier diode", "small transformer"}
    assert {h.part for h in hypotheses(unit)} >= {"small reservoir", "plus", "phono.C3"}


def test_every_name_is_one_stages_or_a_supplys() -> None:
    unit = load_stage("receiver-chain")
    assert unit.chain is not None
    known = {*unit.chain.names, *unit.chain.supplies}
    owners = {h.part: unit.chain.owner(h.part) for h in hypotheses(unit)}
    assert set(owners.values()) == known
    assert owners["small reservoir"] == "small"
    assert unit.chain.owner("in") == "phono"
    assert unit.chain.owner("out") == "output"
    assert unit.chain.owner("tone.vcc") == "small"


def test_mains_of_the_unit_move_every_line(tmp_path: Path) -> None:
    unit = dividers(tmp_path).on_mains(60.0)
    assert unit.chain is not None
    assert [f for f, _ in unit.pickup] == [60.0, 180.0]
    assert [f for f, _ in unit.chain.joints[0].pickup] == [60.0, 180.0]
    assert [f for _, lines in unit.stray for f, _ in lines] == [60.0, 60.0]


# -- the unit that ships ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", unit_names())
def test_unit_file_tells_what_a_user_needs(name: str) -> None:
    unit = load_stage(name)
    assert unit.name == name
    assert all((unit.title, unit.about, unit.source, unit.cautions))
    assert all(part.role for part in unit.parts)


def test_stages_of_the_receiver_sit_as_they_do_alone() -> None:
    """They are coupled by capacitors, so direct voltages do not depend on neighbours.

    The tolerance is for the shared rail, which lies behind other ohms than in the stage files.
    """
    unit = load_stage("receiver-chain")
    for member, stage in (
        ("phono", "phono-two-transistor"), ("volume", "volume-contour"),
        ("line", "line-two-transistor"), ("tone", "tone-control"),
        ("output", "output-complementary"),
    ):
        alone = load_stage(stage)
        nodes = [node for node, _ in alone.test_points if node not in ("vcc", "vee")]
        here = read(unit, *(Reading("dc voltage", at=f"{member}.{node}") for node in nodes))
        there = read(alone, *(Reading("dc voltage", at=node) for node in nodes))
        np.testing.assert_allclose(here, there, rtol=0.02, atol=0.02)


def test_the_receiver_s_gain_is_its_stages_product() -> None:
    """Each stage alone, loaded with what the next one takes, from its input to its output."""
    unit = load_stage("receiver-chain")
    assert unit.chain is not None
    names = ("phono-two-transistor", "volume-contour", "line-two-transistor", "tone-control",
             "output-complementary")
    stages = [load_stage(name) for name in names]
    stages[1] = stages[1].with_part(replace(stages[1].part("RV2"), position=1.0))
    inputs = [read(stage, Reading("input impedance", frequency=1e3))[0] for stage in stages]
    total, before = 0.0, ""
    for k, (stage, load) in enumerate(zip(stages, [*inputs[1:], unit.load], strict=True)):
        source = unit.source_impedance if k == 0 else 0.0
        (alone,) = read(replace(stage, source_impedance=source, load=load), gain(1e3))
        here = unit.chain.members[k][1]
        (found,) = read(unit, gain(1e3, at=here, origin=before))
        assert found == pytest.approx(alone, abs=0.002)
        total, before = total + alone, here
    assert read(unit, gain(1e3))[0] == pytest.approx(total, abs=0.005)
    assert 40.0 < total < 65.0


def test_signal_grows_and_shrinks_along_the_receiver_as_levels_of_the_trade_do() -> None:
    """5 mV become a few hundred at the record output (common practice: 150 to 500 mV)."""
    unit = load_stage("receiver-chain")
    (phono,) = read(unit, gain(1e3, at="phono.out"))
    assert 0.15 < 5e-3 * 10.0 ** (phono / 20.0) < 0.5


def test_the_receiver_hums_and_rumbles_as_little_as_one_may() -> None:
    """DIN 45500 asks for 50 dB of hum and noise below 50 mW; common practice is 60 dB, from memory.

    Noise and hum of the unit at its 8 ohm output, volume set low: far below 0.63 V (50 mW).
    """
    unit = load_stage("receiver-chain")
    lines = read(unit, *(Reading("hum", frequency=k * 50.0) for k in range(1, 5)))
    (noise,) = read(unit, Reading("noise"))
    assert db(math.hypot(*lines, noise) / math.sqrt(50e-3 * 8.0)) < -50.0
    assert noise > 1e-5
