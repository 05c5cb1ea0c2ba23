"""Readings at rest against closed forms: what every device does under direct current.

Sources: Ohm and Kirchhoff; Shockley's equation solved by Lambert's W function; Ebers and Moll;
the square laws of field-effect transistors (SPICE level 1). These also fix the sign and pin order
of every element that the netlist writes.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy.optimize import brentq
from scipy.special import lambertw

from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from tests.small import THERMAL_VOLT, capacitor, device, opamp, parallel, read, resistor

VT = THERMAL_VOLT
VCC = (Rail("vcc", 12.0),)


def bias(*parts: Part, rails: tuple[Rail, ...] = VCC) -> Stage:
    """A stage whose ports are out of the way of its bias."""
    ports = (resistor("Rin", "in", "0", 1e3), resistor("Rout", "out", "0", 1e3))
    return Stage("bias", (*parts, *ports), rails=rails)


def volts(stage: Stage, node: str) -> float:
    return read(stage, Reading("dc voltage", at=node, meter=math.inf))[0]


def test_divider_behind_the_rails_own_resistance() -> None:
    """24 V behind 100 Ω, 10 k and 4.7 k: 24·4.7/14.8 V and 24/14.8 k A."""
    stage = bias(
        resistor("R1", "vcc", "b", 10e3),
        resistor("R2", "b", "0", 4.7e3),
        rails=(Rail("vcc", 24.0, (), 100.0),),
    )
    base, ground, current = read(
        stage,
        Reading("dc voltage", at="b", meter=math.inf),
        Reading("dc voltage", at="0"),
        Reading("supply current", rail="vcc"),
    )
    assert base == pytest.approx(24.0 * 4.7 / 14.8, rel=1e-6)
    assert ground == 0.0
    assert current == pytest.approx(24.0 / 14.8e3, rel=1e-6)


def test_supply_current_of_a_negative_rail_is_positive() -> None:
    stage = bias(resistor("R1", "vee", "0", 1e3), rails=(Rail("vee", -15.0),))
    (current,) = read(stage, Reading("supply current", rail="vee"))
    assert current == pytest.approx(15e-3, rel=1e-5)


@pytest.mark.parametrize(("position", "wiper"), [(1.0, 12.0), (0.0, 0.0), (0.25, 3.0)])
def test_wiper_stands_at_the_first_node_at_position_one(position: float, wiper: float) -> None:
    trimmer = Part("RV1", "trimmer", ("vcc", "w", "0"), 10e3, position=position)
    # A worn track leaves a ten-thousandth of the resistance at its ends.
    assert volts(bias(trimmer), "w") == pytest.approx(wiper, abs=2e-3)


def test_trimmer_as_variable_resistor() -> None:
    trimmer = Part("RV1", "trimmer", ("vcc", "w"), 10e3, position=0.3)
    stage = bias(trimmer, resistor("R1", "w", "0", 1e3))
    assert volts(stage, "w") == pytest.approx(12.0 * 1.0 / 4.0, rel=1e-5)


def diode_current(supply: float, ohms: float, saturation: float, emission: float) -> float:
    """Diode and resistor in series: I = nVt/R·W(IsR/nVt·exp((V + IsR)/nVt)) − Is."""
    slope = emission * VT
    argument = saturation * ohms / slope * math.exp((supply + saturation * ohms) / slope)
    return float(slope / ohms * lambertw(argument).real) - saturation


def test_diode_and_resistor() -> None:
    diode = device("D1", "diode", ("a", "0"), {"IS": 1e-12, "N": 1.5})
    current = diode_current(5.0, 4.7e3, 1e-12, 1.5)
    stage = bias(resistor("R1", "vcc", "a", 4.7e3), diode, rails=(Rail("vcc", 5.0),))
    assert volts(stage, "a") == pytest.approx(5.0 - 4.7e3 * current, abs=2e-5)


def test_zener_holds_its_value_at_its_test_current() -> None:
    """BV at IBV is the definition; 5 mA flow at 12 V through 1.28 k with 5.6 V across the diode."""
    zener = replace(
        device("D1", "zener", ("0", "z"), {"IS": 1e-14, "IBV": 5e-3, "NBV": 1.0}), value=5.6
    )
    assert volts(bias(resistor("R1", "vcc", "z", 1280.0), zener), "z") == pytest.approx(
        5.6, abs=0.005
    )


@pytest.mark.parametrize(("kind", "sign"), [("npn", 1.0), ("pnp", -1.0)])
def test_transistor_by_ebers_and_moll(kind: str, sign: float) -> None:
    """10 k and 4.7 k on 10 V, R_E 470, β 150: Thévenin's source, one unknown, no Early effect."""
    rails = (Rail("vcc", sign * 10.0),)
    stage = bias(
        resistor("R1", "vcc", "b", 10e3),
        resistor("R2", "b", "0", 4.7e3),
        resistor("R3", "vcc", "c", 1e3),
        resistor("R4", "e", "0", 470.0),
        device("Q1", kind, ("c", "b", "e"), {"IS": 1e-14, "BF": 150.0}),
        rails=rails,
    )
    source, inner = 10.0 * 4.7 / 14.7, parallel(10e3, 4.7e3)

    def excess(base_emitter: float) -> float:
        collector = 1e-14 * math.expm1(base_emitter / VT)
        base = collector / 150.0
        return source - inner * base - base_emitter - 470.0 * (collector + base)

    across = brentq(excess, 0.3, 0.9, xtol=1e-12)
    collector = 1e-14 * math.expm1(across / VT)
    assert volts(stage, "b") == pytest.approx(sign * (source - inner * collector / 150.0), abs=2e-4)
    assert volts(stage, "c") == pytest.approx(sign * (10.0 - 1e3 * collector), abs=2e-3)
    assert volts(stage, "e") == pytest.approx(sign * 470.0 * collector * 151.0 / 150.0, abs=2e-3)


@pytest.mark.parametrize(("kind", "sign"), [("njf", 1.0), ("pjf", -1.0)])
def test_junction_field_effect_transistor(kind: str, sign: float) -> None:
    """Self bias: I = β(V_GS − V_TO)², V_GS = −I·R; 2 V of pinch-off, 0.5 mA/V², 1 k."""
    model = {"VTO": -2.0, "BETA": 0.5e-3, "IS": 1e-14}
    stage = bias(
        device("J1", kind, ("d", "g", "s"), model),
        resistor("R1", "g", "0", 1e6),
        resistor("R2", "s", "0", 1e3),
        resistor("R3", "vcc", "d", 3.3e3),
        rails=(Rail("vcc", sign * 24.0),),
    )
    current = brentq(lambda i: 0.5e-3 * (2.0 - 1e3 * i) ** 2 - i, 0.0, 2e-3)
    assert volts(stage, "s") == pytest.approx(sign * 1e3 * current, rel=1e-3)
    assert volts(stage, "d") == pytest.approx(sign * (24.0 - 3.3e3 * current), rel=1e-3)


@pytest.mark.parametrize(("kind", "sign"), [("nmos", 1.0), ("pmos", -1.0)])
def test_power_field_effect_transistor(kind: str, sign: float) -> None:
    """Source follower at 6 V of gate: I = K/2·(V_GS − V_TO)²; threshold 3 V, 0.5 A/V², 10 Ω.

    5 Ω within the source tells it from the drain.
    """
    model = {"LEVEL": 1.0, "VTO": sign * 3.0, "KP": 0.5, "RS": 5.0}
    stage = bias(
        device("M1", kind, ("vcc", "g", "s"), model),
        resistor("R1", "vcc", "g", 1e3),
        resistor("R2", "g", "0", 1e3),
        resistor("R3", "s", "0", 10.0),
        rails=(Rail("vcc", sign * 12.0),),
    )
    current = brentq(lambda i: 0.25 * (3.0 - 15.0 * i) ** 2 - i, 0.0, 0.2)
    assert volts(stage, "s") == pytest.approx(sign * 10.0 * current, rel=1e-3)


def test_triode_law() -> None:
    """The published soft power law and a fit of a high-mu triode (from memory), 250 V and 100 k.

    E = V_a/kp·ln(1 + exp(kp(1/µ + V_g/√(kvb + V_a²)))), I = 2·E^ex/kg1.
    """
    mu, ex, kg1, kp, kvb = 100.0, 1.4, 1060.0, 600.0, 300.0
    model = {"mu": mu, "ex": ex, "kg1": kg1, "kp": kp, "kvb": kvb}

    def excess(current: float) -> float:
        cathode = 1.5e3 * current
        anode = 250.0 - 100e3 * current - cathode
        drive = kp * (1.0 / mu - cathode / math.sqrt(kvb + anode**2))
        effective = anode / kp * math.log1p(math.exp(drive))
        return 2.0 * effective**ex / kg1 - current

    current = brentq(excess, 1e-5, 2.4e-3)
    stage = bias(
        device("V1", "triode", ("a", "g", "k"), model),
        resistor("R1", "hv", "a", 100e3),
        resistor("R2", "g", "0", 1e6),
        resistor("R3", "k", "0", 1.5e3),
        rails=(Rail("hv", 250.0),),
    )
    # 1 GΩ across the valve keeps a cut-off one solvable and takes 0.2 µA.
    assert volts(stage, "k") == pytest.approx(1.5e3 * current, rel=2e-3)
    assert volts(stage, "a") == pytest.approx(250.0 - 100e3 * current, rel=2e-3)
    assert 0.5e-3 < current < 1.2e-3


@pytest.mark.parametrize(("offset", "bias_current"), [(2e-3, 0.0), (-2e-3, 0.0), (0.0, 1e-7)])
def test_op_amp_offset_and_bias_current(offset: float, bias_current: float) -> None:
    """Gain 11; a positive offset raises the output, the bias current flows into the pins.

    V_out = 11·(V_os − I·100k) + I·100k, with 100 k in the feedback and at the input.
    """
    stage = bias(
        resistor("R1", "p", "0", 100e3),
        opamp("U1", ("p", "m", "o"), {"offset": offset, "bias current": bias_current}),
        resistor("R2", "o", "m", 100e3),
        resistor("R3", "m", "0", 10e3),
    )
    expected = 11.0 * (offset - bias_current * 100e3) + bias_current * 100e3
    assert volts(stage, "o") == pytest.approx(expected, abs=2e-5)


@pytest.mark.parametrize(("level", "sign"), [(1.0, 1.0), (-1.0, -1.0)])
def test_op_amp_stops_at_its_swing(level: float, sign: float) -> None:
    """Open loop and 1 V in: 13 V without supply pins, 2 V below the rail with them."""
    driven = resistor("R1", "vd", "p", 1e3)
    rails = (Rail("vcc", 12.0), Rail("vee", -12.0), Rail("vd", level))
    real = {"gain": 1e5, "gbw": 1e7, "swing": 13.0, "swing drop": 2.0}
    bare = bias(driven, opamp("U1", ("p", "0", "o"), real), resistor("R2", "o", "0", 1e5),
                rails=rails)
    railed = bias(driven, opamp("U1", ("p", "0", "o", "vcc", "vee"), real),
                  resistor("R2", "o", "0", 1e5), rails=rails)
    assert volts(bare, "o") == pytest.approx(sign * 13.0, abs=0.5)
    assert volts(railed, "o") == pytest.approx(sign * 10.0, abs=0.5)


def ohms(stage: Stage, red: str, black: str) -> float:
    return read(stage, Reading("resistance", between=(red, black)))[0]


def test_ohmmeter_sees_what_lies_in_parallel() -> None:
    """Power off the rails are open: R1 and R2 meet at the dead rail, R3 is across both."""
    stage = bias(
        resistor("R1", "a", "vcc", 10e3),
        resistor("R2", "vcc", "b", 22e3),
        resistor("R3", "a", "b", 47e3),
        resistor("R4", "b", "0", 1e3),
        capacitor("C1", "a", "0", 1e-5),
    )
    expected = parallel(32e3, 47e3)
    assert ohms(stage, "a", "b") == pytest.approx(expected, rel=1e-4)
    assert ohms(stage, "b", "a") == pytest.approx(expected, rel=1e-4)
    assert ohms(stage, "a", "0") == pytest.approx(expected + 1e3, rel=1e-4)


def test_ohmmeter_does_not_see_generator_or_load() -> None:
    stage = Stage(
        "ends",
        (resistor("R1", "in", "0", 82e3), resistor("R2", "in", "out", 1e6),
         resistor("R3", "out", "0", 10e6)),
        source_impedance=600.0,
        load=600.0,
    )
    assert ohms(stage, "in", "0") == pytest.approx(parallel(82e3, 11e6), rel=1e-4)


def test_ohmmeter_does_not_wake_silicon() -> None:
    """0.1 V on a low-power range leaves silicon junctions off: 1 M across one reads 1 M."""
    diode = device("D1", "diode", ("a", "0"), {"IS": 1e-14, "N": 1.0})
    stage = bias(resistor("R1", "a", "0", 1e6), diode)
    assert ohms(stage, "a", "0") == pytest.approx(1e6, rel=1e-3)


def test_red_lead_is_the_positive_one() -> None:
    """A junction of 1 µA saturation current does conduct at 0.1 V behind 1 k, one way only."""
    diode = device("D1", "diode", ("a", "0"), {"IS": 1e-6, "N": 1.0})
    forward = diode_current(0.1, 1e3, 1e-6, 1.0)
    stage = bias(diode, resistor("R1", "a", "0", 1e9))
    assert ohms(stage, "a", "0") == pytest.approx((0.1 - 1e3 * forward) / forward, rel=2e-3)
    # Backwards little more than the saturation current flows.
    assert ohms(stage, "0", "a") == pytest.approx(0.1 / 1e-6, rel=0.05)


def test_open_circuit_reads_open() -> None:
    stage = bias(capacitor("C1", "a", "0", 1e-6), capacitor("C2", "a", "b", 1e-6),
                 resistor("R1", "b", "0", 1e3))
    assert ohms(stage, "a", "0") >= 1e8


def test_short_reads_its_own_resistance() -> None:
    stage = bias(Part("F1", "fuse", ("a", "0"), 0.05), resistor("R1", "a", "0", 1e3))
    assert ohms(stage, "a", "0") == pytest.approx(0.05, rel=1e-2)
