"""The supply of both polarities and the valve output stages, healthy: by hand from their parts.

Limits are common practice unless a source stands beside the check. Laws of devices are the ones
that SPICE's manuals and the device files state, solved here by themselves.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq, fsolve

from circuits.cautions import caution_texts
from circuits.device import load_devices
from circuits.hazards import hazards
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from tests.circuits.test_more_stages import gains, responses, value, volts
from tests.circuits.test_stages_sane import SETTLED, oscillates, ringing, step_answer
from tests.small import db, parallel, read

THERMAL = 0.025865
"""kT/q at 27 °C, V."""
DUAL = load_stage("supply-dual")
SINGLE = load_stage("valve-single-ended")
PUSH = load_stage("valve-push-pull")
HALVES = [
    (1.0, ("vp", "zp", "bp", "op"), ("R1", "Z1", "R2", "Q1", "R3")),
    (-1.0, ("vn", "zn", "bn", "om"), ("R4", "Z2", "R5", "Q2", "R6")),
]


def zener_volts(name: str, current: float) -> float:
    """Of a zener in breakdown: BV at IBV, its emission coefficient and its series resistance."""
    p = dict(DUAL.part(name).parameters)
    swing = p["NBV"] * THERMAL * math.log(current / p["IBV"])
    return value(DUAL, name) + swing + p["RS"] * current


@pytest.mark.parametrize(("sign", "nodes", "parts"), HALVES)
def test_either_half_is_its_zener_less_a_junction(
    sign: float, nodes: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    """Feed and zener by hand; behind them the base's current, and Ebers and Moll's junction."""
    raw, reference, base, out = (sign * v for v in volts(DUAL, *nodes))
    feed, zener, filter_, pass_, bleeder = parts
    q = dict(DUAL.part(pass_).parameters)
    emitter = out / value(DUAL, bleeder)
    if sign > 0.0:
        emitter += out / DUAL.load
    based = (reference - base) / value(DUAL, filter_)
    current = brentq(
        lambda i: raw - (i + based) * value(DUAL, feed) - zener_volts(zener, i), 1e-4, 20e-3)
    assert reference == pytest.approx(zener_volts(zener, current), rel=1e-3)
    # the gain of the data: within a quarter, for high injection and the Early voltage move it
    assert emitter / based - 1.0 == pytest.approx(q["BF"], rel=0.25)
    junction = THERMAL * math.log(emitter / q["IS"]) + emitter * q["RE"] + based * q["RB"]
    assert base - out == pytest.approx(junction, abs=5e-3)


def test_supply_of_both_polarities_holds_its_voltages() -> None:
    """15 V within 3 % either way; 2 % for half the load and 10 % of mains either way."""
    out, below = volts(DUAL, "out", "om")
    assert out == pytest.approx(15.0, rel=0.03)
    assert below == pytest.approx(-15.0, rel=0.03)
    (light,) = volts(replace(DUAL, load=1200.0), "out")
    assert light == pytest.approx(out, rel=0.02)
    for mains in (0.9, 1.1):
        moved = DUAL
        for rail in DUAL.rails:
            moved = moved.with_rail(replace(rail, volts=rail.volts * mains))
        assert volts(moved, "out", "om") == pytest.approx([out, below], rel=0.02)


@pytest.mark.parametrize(("sign", "nodes", "parts"), HALVES)
def test_ripple_gets_by_the_zener_and_its_filter_and_by_the_early_effect(
    sign: float, nodes: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    """Divider of feed and zener, pole of the filter; the Early effect on collector and base.

    At a given emitter current V_T/V_A of the collector's ripple comes out, and the base current
    I_B changes by I_B/V_A (transistor with a voltage V_A + V_CB of Early's line; textbooks).
    50 dB is the usual figure of a discrete regulator.
    """
    before, behind = read(DUAL, *(
        Reading("ripple", at=nodes[k], frequency=100.0) for k in (0, 3)))
    raw, _, base, _ = (sign * v for v in volts(DUAL, *nodes))
    slope, based = zener_slope(sign, nodes, parts)
    q = dict(DUAL.part(parts[3]).parameters)
    filter_ = value(DUAL, parts[2])
    held = of_capacitor("C3" if sign > 0.0 else "C8", 100.0)
    held += DUAL.source_impedance if sign > 0.0 else 0.0
    early = q["VAF"] + raw - base
    ideal = slope / (value(DUAL, parts[0]) + slope) * held / (filter_ + slope + held)
    ideal += (THERMAL + based * (q["RB"] + filter_ * held / (filter_ + held))) / early
    assert db(behind / before) == pytest.approx(db(abs(ideal)), abs=0.5)
    assert db(behind / before) < -50.0


def zener_slope(sign: float, nodes: tuple[str, ...], parts: tuple[str, ...]
                ) -> tuple[float, float]:
    """Slope resistance of a half's zener, ohm, and base current of its transistor, A."""
    raw, reference, base, _ = (sign * v for v in volts(DUAL, *nodes))
    based = (reference - base) / value(DUAL, parts[2])
    p = dict(DUAL.part(parts[1]).parameters)
    current = (raw - reference) / value(DUAL, parts[0]) - based
    return p["RS"] + p["NBV"] * THERMAL / current, based


def of_capacitor(name: str, frequency: float) -> complex:
    """Impedance of a capacitor with its series resistance, ohm."""
    return 1.0 / (2j * math.pi * frequency * value(DUAL, name)) + DUAL.part(name).esr


@pytest.mark.parametrize("frequency", [20.0, 100.0, 1e3, 10e3])
def test_what_gets_into_the_filters_earth_comes_out_by_a_follower(frequency: float) -> None:
    """Filter, emitter follower and output capacitor as impedances; the same for what is behind."""
    sign, nodes, parts = HALVES[0]
    slope, based = zener_slope(sign, nodes, parts)
    emitter = volts(DUAL, "op")[0] * (1.0 / value(DUAL, "R3") + 1.0 / DUAL.load)
    q = dict(DUAL.part("Q1").parameters)
    lead = 1.0 / (DUAL.source_impedance + of_capacitor("C3", frequency))
    rest = 1.0 / (value(DUAL, "R2") + slope)
    inner = THERMAL / emitter + q["RE"] + (q["RB"] + 1.0 / (lead + rest)) * based / emitter
    shunt = 1.0 / value(DUAL, "R3") + 1.0 / of_capacitor("C4", frequency)
    ideal = lead / (lead + rest) / (1.0 + inner * (shunt + 1.0 / DUAL.load))
    assert gains(DUAL, [frequency])[0] == pytest.approx(db(abs(ideal)), abs=0.05)
    (ohms,) = read(DUAL, Reading("output impedance", frequency=frequency))
    behind = abs(1.0 / (1.0 / inner + shunt)) + value(DUAL, "J1")
    assert ohms == pytest.approx(behind, rel=0.05)


# -- a pentode -------------------------------------------------------------------------------------


def pentode(p: dict[str, float], anode: float, screen: float, grid: float) -> tuple[float, float]:
    """Anode and screen current by the law that the device file states, A; volts to cathode."""
    drive = screen / p["kp"] * math.log1p(math.exp(p["kp"] * (1.0 / p["mu"] + grid / screen)))
    power = max(drive, 0.0) ** p["ex"]
    return 2.0 * power / p["kg1"] * math.atan(anode / p["kvb"]), power / p["kg2"]


def at_work(stage: Stage) -> tuple[float, float, float, float]:
    """Anode and screen current, and the anode's and screen's volts to the cathode, by load line."""
    p = dict(stage.part("V1").parameters)
    winding = stage.part("T1").parameter("primary resistance")
    rail, bleeder = stage.rail("ht"), value(stage, "R7")
    series = rail.resistance + value(stage, "F1")
    screened = value(stage, "R5") + value(stage, "R6")

    def between(currents: tuple[float, float]) -> tuple[float, float, float]:
        i, s = currents
        tension = (rail.volts / series - i - s) / (1.0 / series + 1.0 / bleeder)
        cathode = (i + s) * value(stage, "R3")
        return tension - i * winding - cathode, tension - s * screened - cathode, -cathode

    def excess(x: tuple[float, float]) -> list[float]:
        anode, screen = pentode(p, *between(x))
        return [1e3 * (anode - x[0]), 1e3 * (screen - x[1])]

    i, s = fsolve(excess, (0.03, 0.004), xtol=1e-10)
    anode, screen, _ = between((i, s))
    return i, s, anode, screen


def test_power_pentode_is_of_its_class() -> None:
    """What its entry says at 250 V, against the ranges of the class (common practice)."""
    p = dict(load_devices()["power-pentode"].parameters)
    at = (250.0, 250.0, -7.3)
    anode, screen = pentode(p, *at)
    assert anode == pytest.approx(48e-3, rel=0.03)
    assert screen == pytest.approx(5.5e-3, rel=0.03)
    slope = (pentode(p, 250.0, 250.0, -7.2)[0] - pentode(p, 250.0, 250.0, -7.4)[0]) / 0.2
    assert 9e-3 < slope < 12e-3
    inner = 2.0 / (pentode(p, 251.0, 250.0, -7.3)[0] - pentode(p, 249.0, 250.0, -7.3)[0])
    assert 40e3 < inner < 65e3


def test_single_ended_stage_rests_where_its_load_line_says() -> None:
    """Cathode, anode and screen by the law and the resistors; within what the valve bears."""
    i, s, anode, screen = at_work(SINGLE)
    cathode, plate, second = volts(SINGLE, "k", "p", "s")
    assert cathode == pytest.approx((i + s) * value(SINGLE, "R3"), rel=0.005)
    assert plate - cathode == pytest.approx(anode, rel=0.003)
    assert second - cathode == pytest.approx(screen, rel=0.003)
    # class A with a margin: 70 to 95 % of the 12 W that it bears (common practice)
    assert 0.7 * 12.0 < i * anode < 0.95 * 12.0


def test_output_transformer_suits_the_valve() -> None:
    """The load line of a class A pentode: about 0.9 V/I (radio handbooks, from memory)."""
    i, _, anode, _ = at_work(SINGLE)
    reflected = SINGLE.part("T1").parameter("ratio") ** 2 * SINGLE.load
    assert reflected == pytest.approx(0.9 * anode / i, rel=0.25)


def by_hand(stage: Stage, frequency: float) -> float:
    """Gain of the stage over the generator's e.m.f., dB, from the slopes of the valve.

    Two coupled windings, L₁, L₁/n² and k·L₁/n, are solved with the load and the roll-off.
    """
    p = dict(stage.part("V1").parameters)
    _, _, anode, screen = at_work(stage)
    grid = -volts(stage, "k")[0]

    def slope(da: float, dg: float, which: int) -> float:
        up = pentode(p, anode + da, screen, grid + dg)[which]
        return (up - pentode(p, anode - da, screen, grid - dg)[which]) / (2.0 * (da + dg))

    steep, inner = slope(0.0, 0.01, 0), slope(0.1, 0.0, 0)
    jw = 2j * math.pi * frequency
    foot = value(stage, "R3") * (z := 1.0 / (jw * value(stage, "C2")) + stage.part("C2").esr)
    foot /= value(stage, "R3") + z
    degenerate = 1.0 + (steep + slope(0.0, 0.01, 1)) * foot
    leak = value(stage, "R1")
    entry = leak / (leak + stage.source_impedance + 1.0 / (jw * value(stage, "C1")))
    t = stage.part("T1")
    n, k, ohms = (t.parameter(x) for x in ("ratio", "coupling", "primary resistance"))
    henries = value(stage, "T1")
    load = parallel(value(stage, "R8"), stage.load + value(stage, "J2"))
    outer = 1.0 / (value(stage, "R4") + 1.0 / (jw * value(stage, "C3"))) + inner
    mutual = jw * k * henries / n
    # unknown: anode volts, currents into the primary and into the secondary
    rows = np.array([
        [outer, 1.0, 0.0],
        [1.0, -(ohms + jw * henries), -mutual],
        [0.0, mutual, ohms / n**2 + jw * henries / n**2 + load],
    ])
    _, _, out = np.linalg.solve(rows, [-steep / degenerate * entry, 0.0, 0.0])
    share = stage.load / (stage.load + value(stage, "J2"))
    return db(abs(out * load) * share)


def test_single_ended_gain_and_response_by_hand() -> None:
    """Slope times what the transformer brings to the anode, with inductance and leakage."""
    frequencies = (50.0, 100.0, 1e3, 5e3, 10e3, 20e3)
    for frequency, found in zip(frequencies, gains(SINGLE, frequencies), strict=True):
        assert found == pytest.approx(by_hand(SINGLE, frequency), abs=0.25), frequency


def test_single_ended_response_is_that_of_a_radio() -> None:
    """Within 4 dB from 50 Hz to 10 kHz: inductance below, the roll-off above (common practice)."""
    assert max(map(abs, responses(SINGLE, (50.0, 100.0, 300.0, 3e3, 1e4)))) < 4.0


@pytest.mark.slow
def test_single_ended_stage_gives_its_power() -> None:
    """10 %, where handbooks rate a single pentode, at about what a sine of its current yields.

    That is I²R/2 in the load that the anode sees: class A cannot swing by more (radio handbooks).
    """
    (most,) = read(SINGLE, Reading("maximum output", frequency=1e3, thd=0.1))
    i, *_ = at_work(SINGLE)
    reflected = SINGLE.part("T1").parameter("ratio") ** 2 * SINGLE.load
    assert most**2 / SINGLE.load == pytest.approx(0.5 * i**2 * reflected, rel=0.15)


def test_an_overdriven_pentode_is_simulated() -> None:
    """Ten times what it needs: the output is clipped, so it has 20 % and more (a square has 48)."""
    (thd,) = read(SINGLE, Reading("thd", frequency=1e3, level=("input level", 15.0)))
    assert 0.2 < thd < 0.5


def test_valves_and_their_transformer_bring_their_cautions() -> None:
    """High tension kills, and an unloaded output transformer arcs over: worked out, not stated."""
    about = hazards(SINGLE)
    assert about.lethal
    assert about.transformed
    told = " ".join(caution_texts(SINGLE))
    assert "can kill" in told
    assert "without its load" in told


# -- two of them in push-pull ----------------------------------------------------------------------


def triode(p: dict[str, float], anode: float, grid: float) -> float:
    """Anode current by the law that the device file states, A; volts to cathode."""
    inner = p["kp"] * (1.0 / p["mu"] + grid / math.sqrt(p["kvb"] + anode * anode))
    return 2.0 * (anode / p["kp"] * math.log1p(math.exp(inner))) ** p["ex"] / p["kg1"]


def test_valves_of_the_push_pull_stage_carry_what_their_resistors_do() -> None:
    """The law at the voltages that stand there, against Ohm's law in anode or cathode lead."""
    nodes = ("p1", "g1", "k1", "f", "p2", "k2", "p3", "s3", "k3", "p4", "k4", "hd")
    at = dict(zip(nodes, volts(PUSH, *nodes), strict=True))
    small, power = (dict(PUSH.part(name).parameters) for name in ("V1", "V3"))
    first = triode(small, at["p1"] - at["k1"], at["g1"] - at["k1"])
    assert first == pytest.approx((at["k1"] - at["f"]) / value(PUSH, "R4"), rel=0.01)
    assert first == pytest.approx((at["hd"] - at["p1"]) / value(PUSH, "R3"), rel=0.01)
    second = triode(small, at["p2"] - at["k2"], at["p1"] - at["k2"])
    assert second == pytest.approx(at["k2"] / value(PUSH, "R9"), rel=0.01)
    assert at["hd"] - at["p2"] == pytest.approx(at["k2"], rel=0.005)  # equal loads, one current
    pair = pentode(power, at["p3"] - at["k3"], at["s3"] - at["k3"], -at["k3"])
    assert sum(pair) == pytest.approx(at["k3"] / value(PUSH, "R14"), rel=0.01)
    assert (at["p4"], at["k4"]) == pytest.approx((at["p3"], at["k3"]), rel=1e-6)
    assert 6.0 < pair[0] * (at["p3"] - at["k3"]) < 12.0


def test_phase_splitter_feeds_both_grids_alike() -> None:
    """One current in two equal resistors: within 1 % (the splitter with split load; handbooks)."""
    upper, lower = (gains(replace(PUSH, output=node, load=1e9), [1e3])[0] for node in ("ga", "gb"))
    assert upper == pytest.approx(lower, abs=0.1)


def test_feedback_of_the_push_pull_stage_is_blacks() -> None:
    """A/(1 + Aβ), β of both resistors; impedance at the output by 1 + A₀β (textbooks)."""
    opened = PUSH.with_part(replace(PUSH.part("R6"), value=1e9))
    opened = opened.with_part(replace(PUSH.part("C11"), value=1e-15))
    share = value(PUSH, "R5") / (value(PUSH, "R5") + value(PUSH, "R6"))
    asked = [Reading("gain", frequency=1e3), Reading("output impedance", frequency=1e3)]
    (without, before), (with_it, behind) = read(opened, *asked), read(PUSH, *asked)
    entry = value(PUSH, "R1") / (value(PUSH, "R1") + PUSH.source_impedance)
    loop = 10.0 ** (without / 20.0) / entry * share
    assert with_it == pytest.approx(without - db(1.0 + loop), abs=0.2)
    assert 10.0 < db(1.0 + loop) < 26.0  # what such amplifiers have (common practice)
    unloaded = loop * (before + PUSH.load) / PUSH.load
    joint = value(PUSH, "J2")
    assert behind - joint == pytest.approx((before - joint) / (1.0 + unloaded), rel=0.05)


def test_push_pull_stage_is_flat() -> None:
    """Within 1 dB from 30 Hz to 20 kHz (common practice for such amplifiers)."""
    assert max(map(abs, responses(PUSH, (30.0, 100.0, 300.0, 3e3, 1e4, 2e4)))) < 1.0


@pytest.mark.slow
def test_push_pull_stage_gives_its_power() -> None:
    """Some 9 W below 2 %, and less than one valve alone gives.

    That is V²/2R in a quarter of the load between anodes, down to a knee of 20 to 40 V (class B;
    radio handbooks).
    """
    (most,) = read(PUSH, Reading("maximum output", frequency=1e3, thd=0.02))
    anode, cathode = volts(PUSH, "p3", "k3")
    quarter = PUSH.part("T1").parameter("ratio") ** 2 * PUSH.load
    assert 8.0 < most**2 / PUSH.load < (anode - cathode - 20.0) ** 2 / (2.0 * quarter)


@pytest.mark.parametrize(("load", "farads"), [(8.0, 0.0), (8.0, 100e-9), (1e9, 0.0)])
def test_push_pull_stage_is_stable(load: float, farads: float) -> None:
    """Resistive, slightly capacitive and open: what a service bench tries."""
    time, out = step_answer(PUSH, load, farads)
    final = out[time > 50e-6].mean()
    assert ringing(time, out) < SETTLED
    assert out.max() < 1.3 * final
    assert not oscillates(time, out, final)
