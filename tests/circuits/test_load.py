"""Stage and device files: what they say is what the stage holds, in SI."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from circuits import yamlfile
from circuits.adjust import Adjust
from circuits.device import DEFAULT_MODEL, load_devices, read_devices
from circuits.errors import InputError
from circuits.kinds import kind, kinds
from circuits.load import canonical, load_stage, series_resistance, stage_names
from circuits.stage import Rail
from circuits.textfile import MOST_BYTES

DATA = Path(__file__).parents[1] / "data"

# the list of the contract, section 1
DEVICES = [
    "small-signal-npn", "small-signal-pnp", "low-noise-npn", "low-noise-pnp", "driver-npn",
    "driver-pnp", "power-npn", "power-pnp", "small-signal-diode", "rectifier-diode", "zener",
    "low-noise-njf", "power-nmos", "power-pmos", "general-opamp", "audio-opamp", "small-triode",
]


def test_a_stage_holds_what_its_file_says() -> None:
    stage = load_stage("small.yaml", DATA)
    assert stage.name == "small"
    assert stage.rails == (Rail("vcc", 24.0, ((100.0, 4e-3), (200.0, 1e-3)), 0.5),)
    assert (stage.input, stage.output, stage.input_return) == ("in", "out", "ie")
    assert (stage.source_impedance, stage.load, stage.mains) == (1e3, 1e5, 50.0)
    assert stage.pickup == ((50.0, 0.5e-6), (150.0, 0.2e-6))
    assert stage.stray == (("ie", ((50.0, 3e-6),)),)
    assert stage.signal == (("input level", 5e-3),)
    assert stage.test_points == (("c1", "Q1 collector"), ("e1", "Q1 emitter"))
    assert stage.cautions == ("Discharge the reservoirs first.",)
    assert [part.name for part in stage.parts][:4] == ["J1", "C1", "R1", "R2"]
    assert stage.part("C1").value == 4.7e-6
    assert stage.part("C1").nodes == ("b1", "in")
    assert stage.part("R4").value == 1500.0
    assert stage.part("R2").tolerance == 0.02
    assert stage.part("RV1").nodes == ("e1", "e2")
    assert stage.part("RV1").position == pytest.approx(0.3)
    assert stage.part("C3").esr == 0.3
    assert stage.part("D1").value == 33.0
    assert stage.part("D1").model == "zener"
    assert stage.part("U1").model == "general-opamp"
    assert stage.part("Q2").parameters == (("VTO", -1.0), ("BETA", 2e-3))
    assert stage.part("Q1").parameter("BF") > 1.0
    assert dict(stage.part("Q1").spread)["BF"] < 1.0


def test_a_trimmer_is_set_by_the_voltage_that_the_file_names(tmp_path: Path) -> None:
    text = (DATA / "small.yaml").read_text(encoding="utf-8")
    path = tmp_path / "small.yaml"
    key = "adjust: {RV1: {quantity: dc voltage, at: e1, from: ie, within: 5 %}}\n"
    path.write_text(f"{text.rstrip()}\n{key}", encoding="utf-8")
    assert load_stage(path).adjust == (Adjust("RV1", "e1", "ie", 0.05),)
    path.write_text(text.rstrip() + "\n" + key.replace("from: ie, ", ""), encoding="utf-8")
    assert load_stage(path).adjust == (Adjust("RV1", "e1", "0", 0.05),)
    path.write_text(text.rstrip() + "\n" + key.replace("5 %", "5 %, to: 14 mV"), encoding="utf-8")
    assert load_stage(path).adjust == (Adjust("RV1", "e1", "ie", 0.05, aim=0.014),)
    assert load_stage("small.yaml", DATA).adjust == ()


def test_defaults_come_from_the_kind() -> None:
    stage = load_stage("small.yaml", DATA)
    # usual tolerances of the trade: carbon film 5 %, composition 10 %, electrolytic 20 %
    assert stage.part("R1").tolerance == 0.05
    assert stage.part("R3").tolerance == 0.10
    assert stage.part("C1").tolerance == 0.20
    assert stage.part("RV2").position == 0.5
    assert stage.part("J1").value == kind("connector").value


def test_series_resistance_follows_the_dissipation_factor() -> None:
    # tan δ = ωCR: 1000 µF at 100 Hz with tan δ = 0.12 has 0.191 ohm
    assert series_resistance("electrolytic", 1e-3) == pytest.approx(0.191, abs=1e-3)
    resistance = series_resistance("tantalum", 100e-6)
    assert 2 * math.pi * 100 * 100e-6 * resistance == pytest.approx(0.06)
    assert series_resistance("electrolytic", 1e-6) == 20.0
    assert series_resistance("film", 1e-6) == 0.0


@pytest.mark.parametrize("name", stage_names())
def test_every_stage_that_ships_loads_under_its_name(name: str) -> None:
    stage = load_stage(name)
    assert stage.name == name
    assert stage.title
    assert stage.source
    assert stage.cautions
    for part in stage.parts:
        assert part.role or part.kind in kinds()


def test_the_contract_s_devices_ship() -> None:
    devices = load_devices()
    assert set(DEVICES) <= set(devices)
    for device in devices.values():
        assert device.about
        assert device.source
        assert device.parameters
        assert device.spread
    for part_kind, name in DEFAULT_MODEL.items():
        assert devices[name].kind == part_kind


def test_devices_are_strict(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text("mine: {kind: npn, model: {BF: 200, is: 1e-14}, spread: {BF: 35%}}\n")
    device = read_devices(path)["mine"]
    assert device.parameters == (("BF", 200.0), ("IS", 1e-14))
    assert device.spread == (("BF", 0.35),)
    for wrong, words in (
        ("mine: {kind: npn, model: {BFF: 200}}", "BFF"),
        ("mine: {kind: npn, model: {BF: 200, bf: 100}}", "twice"),
        ("mine: {kind: npn, model: {BF: 200}, spread: {VAF: 5%}}", "VAF"),
        ("mine: {kind: opamp, model: {gbw: 3 V}}", "in V"),
        ("mine: {kind: opamp, model: {gbw: 0}}", "cannot be 0"),
        ("mine: {kind: npn}", "model"),
    ):
        path.write_text(wrong)
        with pytest.raises(InputError, match=words):
            read_devices(path)


def test_an_unknown_name_offers_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        load_stage("phono-two-transistr")
    assert "phono-two-transistor" in caught.value.render()


def test_a_path_is_taken_from_its_base_and_a_name_from_the_shelf(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text((DATA / "small.yaml").read_text())
    assert load_stage("mine", tmp_path).name == "small"
    assert load_stage(str(DATA / "small.yaml")).name == "small"
    assert load_stage(DATA / "small.yaml", tmp_path).name == "small"


@pytest.mark.parametrize("name", ["", ".", "no/such.yaml", "a\0b", "x" * 5000, "/dev/zero"])
def test_no_name_crashes(name: str) -> None:
    with pytest.raises(InputError):
        load_stage(name)


def test_what_is_no_text_file_is_refused(tmp_path: Path) -> None:
    large = tmp_path / "large.yaml"
    large.write_text("# " + "x" * MOST_BYTES)
    with pytest.raises(InputError, match="1 MB"):
        yamlfile.read(large)
    with pytest.raises(InputError, match="folder"):
        yamlfile.read(tmp_path)


def test_scalars_stay_text() -> None:
    # YAML 1.1 readers make of these False, 90, 8, "1e3" and None
    node = yamlfile.tree("{a: no, b: 1:30, c: 010, d: 1e3, e: ~, f: }", "x")
    assert isinstance(node, yamlfile.Mapping)
    written = {key: yamlfile.Text.__getattribute__(value, "value")
               for key, value in node.entries.items()}
    assert written == {"a": "no", "b": "1:30", "c": "010", "d": "1e3", "e": "~", "f": ""}


def test_a_mark_at_the_start_and_carriage_returns_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "stage.yaml"
    text = (DATA / "small.yaml").read_text(encoding="utf-8")
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert canonical(load_stage(path)) == canonical(load_stage(DATA / "small.yaml"))


def test_canonical_tells_every_change_apart() -> None:
    stage = load_stage("small.yaml", DATA)
    again = load_stage("small.yaml", DATA)
    assert canonical(stage) == canonical(again)
    changed = [
        replace(stage, load=1e4),
        replace(stage, mains=60.0),
        replace(stage, pickup=()),
        replace(stage, parts=stage.parts[::-1]),
        stage.with_rail(replace(stage.rails[0], resistance=0.6)),
        stage.with_part(replace(stage.part("R1"), value=math.nextafter(220e3, 1e9))),
        stage.with_part(stage.part("Q1").with_parameter("BF", 99.0)),
        stage.with_part(replace(stage.part("RV1"), position=0.31)),
    ]
    assert len({canonical(stage), *map(canonical, changed)}) == len(changed) + 1
