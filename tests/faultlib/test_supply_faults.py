"""Faults of supplies: what the trade and the handbooks say that they do to rail and hum."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from circuits.bench.supply import SupplyState, resolved, state
from circuits.bench.take import take
from circuits.errors import InputError
from circuits.reading import Reading
from circuits.stage import Rail, Stage, Supply
from circuits.supply import DIODES, IMBALANCE, Regulator, drawn
from faultlib.catalogue import hypotheses, kind_modes, mode_for, size_value
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.mode import FORTY
from faultlib.tolerance import MAINS, deviate, spreads
from tests.diodes import PULSE, forward
from tests.small import db, resistor

RAILS = {"vcc": 24.0, "vee": -24.0}


def plain(rectifier: str = "full-wave", transformer: str = "", name: str = "") -> Supply:
    return drawn(rectifier, 1000e-6, 40e-3, 2.0, 0.1, transformer=transformer, name=name)


def regulated() -> Supply:
    return drawn("bridge", 1000e-6, 40e-3, 2.0, 0.1,
                 regulator=Regulator(24.7, 1e3, 34.0, 0.0, "driver-npn"))


def shunt() -> Supply:
    """A zener across the rail; it takes 15 mA beside the load's 40."""
    return drawn("bridge", 1000e-6, 40e-3, 2.0, 0.1, regulator=Regulator(24.0, 180.0, 34.0))


def on(supply: Supply) -> Stage:
    """A divider by ten on one rail."""
    parts = (resistor("R1", "vcc", "out", 9e3), resistor("R2", "out", "0", 1e3),
             resistor("R3", "in", "out", 1e9))
    return Stage("divider", parts, rails=(Rail("vcc", 24.0, supply=supply),))


def pair(supply: Supply) -> Stage:
    parts = (resistor("R1", "vcc", "out", 1e3), resistor("R2", "vee", "out", 1e3),
             resistor("R3", "in", "out", 1e6))
    return Stage("pair", parts, rails=tuple(Rail(n, v, supply=supply) for n, v in RAILS.items()))


def found(stage: Stage, *faults: Fault, rail: str = "vcc") -> SupplyState:
    return state(inject(stage, faults).rail(rail), stage.mains)


def hum(stage: Stage, *faults: Fault) -> list[float]:
    """Hum at f, 2f, … 6f, dB re 1 V."""
    readings = [Reading("hum", frequency=50.0 * k) for k in range(1, 7)]
    return [db(float(volts)) for volts in take(inject(stage, faults), readings)]


@pytest.mark.parametrize("rectifier", ["full-wave", "bridge"])
def test_one_rectifier_open(rectifier: str) -> None:
    """About +6.3 dB of ripple, and f appears (values of the project; half-wave rule: 6.0)."""
    stage = on(plain(rectifier))
    broken = Fault("vcc rectifier diode", "open")
    more = db(found(stage, broken).swing / found(stage).swing)
    assert more == pytest.approx(6.3, abs=0.3)
    before, after = hum(stage), hum(stage, broken)
    assert after[0] - before[0] > 20.0
    assert after[0] > after[1]


def test_reservoir_halved() -> None:
    """2f +5.7 dB (values of the project), in the hum as on the rail."""
    stage = on(drawn("full-wave", 2200e-6, 0.5, 0.5, 0.03))
    half = Fault("vcc reservoir", "capacitance loss", 0.5)
    before, after = hum(stage), hum(stage, half)
    assert after[1] - before[1] == pytest.approx(5.7, abs=0.35)
    shown = size_value(stage, half)
    assert shown is not None
    assert shown.value == pytest.approx(1100e-6)


def test_a_reservoir_leaves_f_and_3f_alone_in_full_wave() -> None:
    """Common practice: a hum of f and 3f does not point at a full-wave supply's capacitors."""
    stage = on(plain())
    before, after = hum(stage), hum(stage, Fault("vcc reservoir", "capacitance loss", 0.1))
    assert after[1] - before[1] > 15.0
    for order in (1, 3):
        assert after[1] - after[order - 1] > 25.0


def test_high_esr_lifts_the_higher_lines_most() -> None:
    """The charging pulses are short, and a resistance shows them so (common practice)."""
    stage = on(plain())
    before, after = hum(stage), hum(stage, Fault("vcc reservoir", "high esr", 3.0))
    assert 0.0 < after[1] - before[1] < after[3] - before[3] < after[5] - before[5]


@pytest.mark.parametrize("size", [0.9, 0.6])
def test_shorted_turns_lower_the_rail_in_proportion(size: float) -> None:
    stage = on(plain())
    low = found(stage, Fault("vcc transformer", "shorted turns", size)).volts
    diode = forward(PULSE)
    assert low == pytest.approx(size * (24.0 + diode) - diode, rel=0.01)


def test_a_regulator_holds_until_its_input_falls_below_what_it_gives() -> None:
    stage = on(regulated())
    healthy = found(stage).volts
    slight = found(stage, Fault("vcc transformer", "shorted turns", 0.85))
    worse = found(stage, Fault("vcc transformer", "shorted turns", 0.6))
    assert slight.volts == pytest.approx(healthy, rel=0.02)
    assert worse.volts < worse.reservoir < 24.0


def test_an_open_zener_lets_the_rail_rise() -> None:
    """The base follows the input, less the drop of its current in 1 kohm (common practice)."""
    stage = on(regulated())
    high = found(stage, Fault("vcc zener", "open"))
    base = high.volts / 600.0 / 130.0  # A: the load's current over a current gain of 130
    assert high.volts == pytest.approx(high.reservoir - 0.65 - 1e3 * base, abs=0.4)
    assert db(high.ripple[1][1] / found(stage).ripple[1][1]) > 20.0


def test_a_shorted_pass_transistor_passes_everything() -> None:
    stage = on(regulated())
    high = found(stage, Fault("vcc pass transistor", "collector-emitter short"))
    assert high.volts == pytest.approx(high.reservoir, rel=0.01)


@pytest.mark.parametrize("fault", [
    Fault("vcc rectifier diode", "short"), Fault("vcc reservoir", "short"),
    Fault("vcc transformer", "open"),
], ids=Fault.label)
@pytest.mark.parametrize("rectifier", DIODES)
def test_what_shorts_the_winding_blows_the_fuse(rectifier: str, fault: Fault) -> None:
    """Common practice: the rail is dead, with no ripple."""
    stage = on(plain(rectifier))
    dead = found(stage, fault)
    assert dead.blown == (fault.mode == "short")
    assert abs(dead.volts) < 0.1
    (volts,) = take(inject(stage, fault), [Reading("dc voltage", at="vcc")])
    assert abs(volts) < 0.1
    assert max(hum(stage, fault)) < -100.0


def test_overload_sags_and_ripples() -> None:
    """I/(2fC): three times the current, three times the ripple, less for longer charging."""
    stage = on(plain())
    over = found(stage, Fault("vcc supply", "overloaded", 3.0))
    share = over.volts / 24.0  # the load is a resistor
    more = over.swing / found(stage).swing
    assert 0.85 * 3.0 * share < more < 3.0 * share
    assert share < 0.98


def test_one_supply_of_a_split_pair_low() -> None:
    stage = pair(plain(transformer="mains"))
    fault = Fault("vee reservoir", "capacitance loss", 0.05)
    unit = resolved(inject(stage, fault))
    assert unit.rail("vcc").volts == pytest.approx(24.0, rel=1e-3)
    assert -23.5 < unit.rail("vee").volts < -15.0
    both = resolved(inject(stage, Fault("mains transformer", "shorted turns", 0.8)))
    assert both.rail("vcc").volts == pytest.approx(-both.rail("vee").volts, rel=1e-6)
    assert both.rail("vcc").volts < 20.0
    (offset,) = take(inject(stage, fault), [Reading("dc voltage", at="out")])
    assert offset > 0.2


def test_a_supply_that_rails_share_fails_for_all_of_them() -> None:
    parts = (resistor("R1", "va", "out", 1e3), resistor("R2", "vb", "out", 1e3))
    shared = plain(name="main")
    stage = Stage("two", parts, rails=(Rail("va", 24.0, supply=shared),
                                       Rail("vb", 24.0, supply=shared)))
    names = [h.label() for h in hypotheses(stage)]
    assert names.count("main reservoir capacitance loss") == 1
    unit = inject(stage, Fault("main reservoir", "capacitance loss", 0.1))
    assert unit.rail("va").supply == unit.rail("vb").supply != shared
    apart = replace(stage, rails=(stage.rails[0], Rail("vb", 24.0, supply=plain())))
    unit = inject(apart, Fault("main reservoir", "capacitance loss", 0.1))
    assert unit.rail("vb") == apart.rail("vb")


@pytest.mark.parametrize("rectifier", DIODES)
def test_every_diode_of_the_rectifier_counts(rectifier: str) -> None:
    weights = {h.label(): h.prior for h in hypotheses(on(plain(rectifier)))}
    entry = kind_modes("rectifier")
    one = next(m for m in entry.modes if m.name == "open")
    expected = DIODES[rectifier] * entry.rate.aged(FORTY) * one.weight(FORTY)
    assert weights["vcc rectifier diode open"] == pytest.approx(expected)


def test_a_rail_with_a_supply_has_no_faults_of_its_own() -> None:
    stage = on(regulated())
    made = hypotheses(stage)
    assert not [h for h in made if h.part == "vcc"]
    kinds = {"transformer", "rectifier diode", "reservoir", "zener", "zener resistor",
             "pass transistor", "supply"}
    assert {h.part.partition(" ")[2] for h in made if h.part.startswith("vcc ")} == kinds
    with pytest.raises(InputError, match="has a supply behind it") as caught:
        mode_for(stage, "vcc", "low")
    assert "vcc reservoir" in caught.value.choices


HIDDEN = ("low gain", "collector-base leakage", "collector-emitter leakage")
"""What a regulator makes good as long as its load draws more than the pass transistor leaks."""


@pytest.mark.slow
@pytest.mark.parametrize("supply", [plain(), plain("half-wave"), regulated(), shunt()],
                         ids=["plain", "half-wave", "pass transistor", "shunt"])
def test_every_fault_at_its_worst_moves_the_rail_or_its_ripple(supply: Supply) -> None:
    stage = on(supply)
    good = found(stage)
    for hypothesis in hypotheses(stage):
        if not hypothesis.part.startswith("vcc "):
            continue
        bad = found(stage, hypothesis.fault(float(hypothesis.mode.grid(2)[-1])))
        apart = abs(bad.volts / good.volts - 1.0)
        lines = [db((b + 1e-6) / (g + 1e-6)) for (_, b), (_, g)
                 in zip(bad.ripple, good.ripple, strict=True)]
        seen = apart > 0.005 or max(map(abs, lines)) > 0.5
        assert seen or hypothesis.mode.name in HIDDEN, hypothesis.label()


def test_good_supplies_differ_by_their_parts_and_the_mains() -> None:
    stage = pair(plain(transformer="mains"))
    made = {(s.target, s.what): s for s in spreads(stage)}
    assert ("vcc", "volts") not in made
    # ±20 % of the reservoir is a limit: a uniform spread has limit / √3
    limit = math.log1p(0.2) / math.sqrt(3.0)
    assert made["vcc reservoir", "value"].sigma == pytest.approx(limit)
    assert [s for s in spreads(stage) if s.target == MAINS] == [made[MAINS, "volts"]]
    high = resolved(deviate(stage, [(made[MAINS, "volts"], 1.0)]))
    low = resolved(deviate(stage, [(made[MAINS, "volts"], -1.0)]))
    assert high.rail("vcc").volts > 24.5 > 23.5 > low.rail("vcc").volts
    assert high.rail("vcc").volts == pytest.approx(-high.rail("vee").volts)
    small = deviate(stage, [(made["vee reservoir", "value"], -1.0)])
    assert small.part("vee reservoir").value == pytest.approx(1e-3 * math.exp(-limit))
    assert small.part("vcc reservoir").value == 1e-3
    uneven = deviate(stage, [(made["mains transformer", "imbalance"], 1.0)])
    assert uneven.part("mains transformer").parameter("imbalance") > IMBALANCE
