"""Modes and priors against the published tables (tests/published/failure_modes.yaml)."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.device import load_devices
from circuits.errors import InputError
from circuits.kinds import kind, kinds
from circuits.load import load_stage, stage_names
from circuits.stage import Part, Rail, Stage
from faultlib.catalogue import (
    FOLDER,
    PICKUP,
    hypotheses,
    kind_modes,
    miss,
    mode_for,
    size_value,
    words,
)
from faultlib.fault import Fault
from faultlib.modefile import PSEUDO, build, read_kinds
from tests.data.every_kind import every_kind, part_of
from tests.published.read import published

TABLE = published("failure_modes")
KINDS = (*kinds(), *PSEUDO)
SHARES = {**TABLE["shares"], **TABLE["shares from memory"]}
RATES = {**TABLE["rates"], **TABLE["rates from memory"]}
del SHARES["source"], RATES["source"]


def one(part: Part) -> Stage:
    return Stage("one", (part,))


@pytest.mark.parametrize("name", sorted(SHARES))
def test_shares_are_the_published_ones(name: str) -> None:
    """MIL-HDBK-338B: every class of the table, and the modes of a class make it up."""
    entry = kind_modes(name)
    assert entry.published == SHARES[name]
    assert entry.published_source.startswith("MIL-HDBK-338B")
    assert ("from memory" in entry.published_source) == (name in TABLE["shares from memory"])
    for group, share in SHARES[name].items():
        told = sum(mode.share for mode in entry.modes if mode.of == group)
        assert told == pytest.approx(0.0 if group in entry.omitted else share, abs=1e-9)


@pytest.mark.parametrize("name", sorted(RATES))
def test_rates_are_the_published_ones(name: str) -> None:
    """MIL-HDBK-217F base rates, before any factor for age."""
    rate = kind_modes(name).rate
    assert rate.failures == RATES[name]
    assert rate.source.startswith("MIL-HDBK-217F")
    assert ("from memory" in rate.source) == (name in TABLE["rates from memory"])


@pytest.mark.parametrize("model", ["power-npn", "power-pnp"])
def test_power_devices_have_their_own_rate(model: str) -> None:
    entry = kind_modes(load_devices()[model].kind)
    assert entry.rate_of(model).failures == TABLE["rates of devices"][model]
    assert entry.rate_of("unheard-of") == entry.rate


@pytest.mark.parametrize("name", KINDS)
def test_a_number_without_a_table_is_called_judgement(name: str) -> None:
    """What cites a handbook stands in the list of what was read there, and nothing else does."""
    entry = kind_modes(name)
    assert (name in RATES) == entry.rate.source.startswith("MIL-HDBK")
    assert (name in SHARES) == bool(entry.published)
    for model, rate in entry.by_model.items():
        listed = model in TABLE["rates of devices"]
        assert rate.source.startswith("MIL-HDBK") == listed
    for mode in entry.modes:
        assert (mode.source == "judgement") == (mode.of == "")


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_can_fail(name: str) -> None:
    names = [mode.name for mode in kind_modes(name).modes]
    assert names
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("name", [k for k in kinds() if k in SHARES])
def test_priors_add_up_to_the_published_rate(name: str) -> None:
    """New (wear is a matter of age), the published modes of a part add up to its published rate.

    Of a capacitor of the value that its stress counts from.
    """
    entry = kind_modes(name)
    part = part_of(name, "X1")
    stress = [m.stress for m in entry.modes if m.stress is not None]
    if stress:
        part = replace(part, value=stress[0].of)
    total = sum(h.prior for h in hypotheses(one(part), age=0.0) if h.mode.of)
    left_out = sum(SHARES[name][word] for word in entry.omitted)
    rate = RATES.get(name, entry.rate.failures)
    assert total == pytest.approx(rate * (1.0 - left_out), rel=0.011)


def test_dry_out_leads_in_an_old_electrolytic() -> None:
    """Common practice: dry-out and leakage before opens and shorts, and before other parts."""
    found = {h.mode.name: h.prior for h in hypotheses(one(part_of("electrolytic", "C1")))}
    worn = ("capacitance loss", "high esr", "leakage")
    assert min(found[n] for n in worn) > max(found["open"], found["short"])
    for other in ("carbon-film", "metal-film", "film", "npn"):
        assert sum(found.values()) > sum(h.prior for h in hypotheses(one(part_of(other, "X1"))))


def test_power_transistors_fail_more_than_small_ones() -> None:
    """MIL-HDBK-217F and common practice: heat."""
    small = hypotheses(one(part_of("npn", "Q1")))
    power = hypotheses(one(replace(part_of("npn", "Q1"), model="power-npn")))
    assert sum(h.prior for h in power) > sum(h.prior for h in small)


@pytest.mark.parametrize("name", stage_names())
def test_shipped_stages_have_at_least_sixty_faults(name: str) -> None:
    stage = load_stage(name)
    found = hypotheses(stage)
    assert len(found) >= 60
    assert all(h.prior > 0.0 for h in found)
    assert len({(h.part, h.mode.name) for h in found}) == len(found)
    parts = {h.part for h in found}
    assert parts >= {p.name for p in stage.parts} | {r.name for r in stage.rails} | {PICKUP}


def test_the_parameters_that_modes_change_exist() -> None:
    """Each is a parameter of a shipped device of that kind, or SPICE's own (KF, AF)."""
    devices = load_devices().values()
    for name in kinds():
        known = {"value", "esr", "position", "KF", "AF"}
        family = kind(name).family
        if family in ("resistor", "contact", "potentiometer"):
            known.add("noise index")  # of whatever conducts without a junction
        for device in devices:
            if kind(device.kind).family == family or (family, device.kind) == ("pentode", "triode"):
                known |= {key for key, _ in device.parameters}
        for mode in kind_modes(name).modes:
            changed = {change.what for change in mode.changes} - {""}
            assert changed <= known, (name, mode.name)


def test_either_end_of_a_variable_resistor_is_one_hypothesis() -> None:
    three = part_of("trimmer", "RV1")
    two = replace(three, nodes=three.nodes[:2])
    whole, short = hypotheses(one(three)), hypotheses(one(two))
    opens = [h.mode.name for h in short if h.mode.name.startswith("open")]
    assert opens == ["open wiper"]
    assert sum(h.prior for h in short) == pytest.approx(sum(h.prior for h in whole))


def test_what_cannot_show_is_no_hypothesis() -> None:
    """A bridged junction cannot short again; a rail without ripple has none to raise."""
    diode_connected = Part("Q1", "npn", ("a", "a", "0"))
    names = {h.mode.name for h in hypotheses(one(diode_connected))}
    assert not {"collector-base short", "collector-base leakage"} & names
    # its collector and base are one node: a short from either to the emitter is the same
    assert len({"base-emitter short", "collector-emitter short"} & names) == 1
    quiet = Stage("quiet", (), rails=(Rail("vcc", 12.0),))
    assert [h.label() for h in hypotheses(quiet)] == ["vcc low"]


def test_sizes_run_evenly_on_a_log_scale() -> None:
    """Log-uniform sizes: equal ratios from mild to worst, limits exact, and `place` the inverse."""
    for name in KINDS:
        for mode in kind_modes(name).modes:
            grid = mode.grid(7)
            if mode.range is None:
                assert grid.tolist() == [1.0]
                continue
            assert (grid[0], grid[-1]) == (mode.range.mild, mode.range.worst)
            steps = np.diff(grid) if mode.range.scale == "linear" else grid[1:] / grid[:-1]
            assert steps == pytest.approx(steps[0])
            assert mode.place(grid) == pytest.approx(np.linspace(0, 1, 7), abs=1e-12)


@pytest.mark.parametrize(
    ("part", "mode", "size", "value", "unit"),
    [
        (Part("C1", "electrolytic", ("a", "b"), 10e-6, esr=0.5), "capacitance loss", 0.031,
         3.1e-7, "F"),
        (Part("C1", "electrolytic", ("a", "b"), 10e-6, esr=0.5), "high esr", 4.0, 4.5, "ohm"),
        (Part("C1", "electrolytic", ("a", "b"), 10e-6), "leakage", 1e4, 1e4, "ohm"),
        (Part("Q1", "npn", ("c", "b", "e"), parameters=(("BF", 450.0),)), "low gain", 0.1, 45.0,
         ""),
        (Part("J1", "connector", ("a", "b"), 0.02), "poor contact", 0.3, 0.32, "ohm"),
        (Part("U1", "opamp", ("p", "m", "o"), parameters=(("gbw", 1e7),)), "slow", 0.03, 3e5, "Hz"),
    ],
)
def test_sizes_are_shown_as_a_meter_would(
    part: Part, mode: str, size: float, value: float, unit: str
) -> None:
    shown = size_value(one(part), Fault(part.name, mode, size))
    assert shown is not None
    assert shown.value == pytest.approx(value)
    assert shown.unit == unit


def test_sizes_of_rails() -> None:
    stage = every_kind()
    low = size_value(stage, Fault("vcc", "low", 0.8))
    ripple = size_value(stage, Fault("vcc", "ripple high", 10.0))
    assert low is not None
    assert ripple is not None
    assert low.value == pytest.approx(19.2)
    assert ripple.value == pytest.approx(math.hypot(0.04, 0.03))
    assert size_value(stage, Fault(stage.parts[0].name, "open")) is None


def test_a_capacitance_meter_sees_lost_capacitance_and_not_leakage() -> None:
    """Common practice, and the reason why a part check is no proof."""
    stage = one(part_of("electrolytic", "C1"))
    loss, leak = mode_for(stage, "C1", "capacitance loss"), mode_for(stage, "C1", "leakage")
    assert miss(loss, "good", "capacitance and ESR") < 0.1
    assert miss(leak, "good", "capacitance and ESR") == 1.0
    assert miss(leak, "good", "Leakage at 25 V") < 0.1
    for mode in (loss, leak):
        assert miss(mode, "replaced") < 0.05
        assert miss(mode, "good", "swapped over") < 0.05
        assert miss(mode, "cleaned") == 1.0
    dirty = mode_for(one(part_of("switch", "S1")), "S1", "poor contact")
    assert miss(dirty, "cleaned") < 0.3
    astray = mode_for(one(part_of("trimmer", "RV1")), "RV1", "misadjusted")
    assert miss(astray, "adjusted") < 0.1
    with pytest.raises(InputError, match="bad"):
        miss(loss, "bad")


def test_an_unknown_part_or_mode_names_the_nearest() -> None:
    stage = every_kind()
    capacitor = next(p.name for p in stage.parts if p.kind == "electrolytic")
    with pytest.raises(InputError, match="capacitance loss"):
        mode_for(stage, capacitor, "capacitence loss")
    with pytest.raises(InputError, match="did you mean: vcc"):
        mode_for(stage, "vc", "low")


GOOD = """\
film:
  rate: {failures: 0.1, source: judgement}
  published: {source: judgement, shares: {open: 0.6, short: 0.4}}
  modes:
    open:
      share: {weight: 0.6, of: open}
      change: [{series: {pin: a, ohms: 1 Gohm}}]
      finds: {any: 0.1}
    short:
      share: {weight: 0.4, of: short}
      size: {quantity: resistance, unit: ohm, from: 1 ohm, to: 0.1 ohm}
      change: [{shunt: {pins: [a, b], ohms: size}}]
      finds: {any: 0.1}
"""


@pytest.mark.parametrize(
    ("old", "new", "words_of_message", "line"),
    [
        ("film:", "fillm:", "film", 1),
        ("weight: 0.4", "weight: 0.3", "as published", 5),
        ("short: 0.4}", "short: 0.5}", "adds up to 1", 3),
        ("weight: 0.4, of: short", "weight: 0.4, of: shrt", "did you mean: short", 10),
        ("weight: 0.4, of: short", "weight: 0.4", "either `of` or `source`", 10),
        ("source: judgement}", "source: hearsay}", "judgement", 2),
        ("failures: 0.1", "failures: 0", "above zero", 2),
        ("failures: 0.1", "failures: 0.1, age: 5", "why", 2),
        ("pins: [a, b]", "pins: [a, a]", "two pins", 12),
        ("pins: [a, b]", "pins: [a, c]", "one of: a, b", 12),
        ("shunt: {pins: [a, b], ohms: size}", "shant: {what: value}", "shunt", 12),
        ("shunt: {pins: [a, b], ohms: size}", "scale: {what: BF}", "default", 12),
        ("ohms: 1 Gohm", "ohms: size", "no size", 7),
        ("to: 0.1 ohm", "to: 1 ohm", "log scale", 11),
        ("to: 0.1 ohm", "to: -1 ohm", "log scale", 11),
        ("to: 0.1 ohm", "to: 0.1 ohm, first sizes: 2", "from 3 to 7", 11),
        ("to: 0.1 ohm", "to: 0.1 ohm, first sizes: 3.5", "whole number", 11),
        ("{any: 0.1}", "{any: 1.1}", "between 0 and 1", 8),
        ("{any: 0.1}", "{anny: 0.1}", "did you mean: any", 8),
        ("film:\n", "film:\n  like: ceramic\n", "kind to be like", 2),
    ],
)
def test_a_mistake_in_a_mode_file_is_shown_where_it_stands(
    tmp_path: Path, old: str, new: str, words_of_message: str, line: int
) -> None:
    assert old in GOOD
    path = tmp_path / "modes.yaml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        build("film", read_kinds(tmp_path), words())
    assert words_of_message in caught.value.render()
    assert caught.value.place is not None
    assert caught.value.place.line == line


def test_a_kind_may_start_from_another(tmp_path: Path) -> None:
    more = GOOD + "ceramic:\n  like: film\n  modes: {short: {finds: {any: 0.9}}}\n"
    (tmp_path / "modes.yaml").write_text(more, encoding="utf-8")
    raw = read_kinds(tmp_path)
    film, ceramic = build("film", raw, words()), build("ceramic", raw, words())
    assert [m.name for m in ceramic.modes] == ["open", "short"]
    assert ceramic.modes[0] == film.modes[0]
    assert ceramic.modes[1].miss("any") == 0.9
    assert replace(ceramic.modes[1], misses=()) == replace(film.modes[1], misses=())
    assert film.modes[1].miss("any") == 0.1
    (tmp_path / "modes.yaml").write_text(
        "film: {like: ceramic}\nceramic: {like: film}\n", encoding="utf-8"
    )
    with pytest.raises(InputError, match="circle"):
        build("film", read_kinds(tmp_path), words())


def test_no_mode_file_is_left_out() -> None:
    assert set(read_kinds(FOLDER)) == set(KINDS)
