"""The further stages of a whole receiver, healthy: against theory, and figures of the trade.

Limits are common practice unless a source stands beside the check. Networks are worked out here by
nodal analysis or closed forms from the parts that the stage files name.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Stage
from tests.small import db, parallel, read

SMALL = (
    "line-two-transistor", "tone-control", "volume-contour", "filter-high", "filter-low",
)
BIPOLAR = (*SMALL, "supply-regulated", "output-quasi-complementary", "output-mosfet")
AUDIO = tuple(float(f) for f in np.geomspace(20.0, 20e3, 31))
OFF = ("supply-regulated", "Q5")
"""The current limiter, which does not conduct while all is well."""


def gains(stage: Stage, frequencies: Sequence[float]) -> list[float]:
    return read(stage, *(Reading("gain", frequency=f) for f in frequencies))


def responses(stage: Stage, frequencies: Sequence[float], reference: float = 1e3) -> list[float]:
    return read(
        stage, *(Reading("response", frequency=f, reference=reference) for f in frequencies)
    )


def volts(stage: Stage, *nodes: str) -> list[float]:
    return read(stage, *(Reading("dc voltage", at=node, meter=math.inf) for node in nodes))


def value(stage: Stage, name: str) -> float:
    found = stage.part(name).value
    assert found is not None
    return found


def turned(stage: Stage, **positions: float) -> Stage:
    for name, position in positions.items():
        stage = stage.with_part(replace(stage.part(name), position=position))
    return stage


@pytest.mark.parametrize("name", BIPOLAR)
def test_every_transistor_works_in_its_active_region(name: str) -> None:
    """A base-emitter voltage of 0.5 to 0.75 V, and more than 0.5 V from collector to emitter."""
    stage = load_stage(name)
    for part in stage.parts:
        if part.kind not in ("npn", "pnp") or (name, part.name) == OFF:
            continue
        collector, base, emitter = volts(stage, *part.nodes)
        sign = 1.0 if part.kind == "npn" else -1.0
        assert 0.5 < sign * (base - emitter) < 0.75, part.name
        assert sign * (collector - emitter) > 0.5, part.name


@pytest.mark.parametrize("name", SMALL)
def test_small_signal_stage_can_swing_both_ways(name: str) -> None:
    """The last transistor rests at 0.3 to 0.7 of its rail, and the stage draws a few mA."""
    stage = load_stage(name)
    last = next(p.nodes[0] for p in stage.parts if "output coupling" in p.role)
    rest, rail = volts(stage, last, "vd")
    assert 0.3 * rail < rest < 0.7 * rail
    (current,) = read(stage, Reading("supply current", rail="vcc"))
    assert 1e-3 < current < 10e-3


@pytest.mark.parametrize("name", [*SMALL, "line-triode"])
def test_line_stage_is_quiet(name: str) -> None:
    """DIN 45500 asked for 50 dB below the nominal signal (from memory); such stages do better."""
    stage = load_stage(name)
    level = ("input level", dict(stage.signal)["input level"])
    snr, *hum = read(
        stage,
        Reading("snr", level=level),
        *(Reading("hum", frequency=f, level=level) for f in (50.0, 100.0, 150.0)),
    )
    assert snr > 70.0
    assert max(hum) < -60.0


def test_line_amplifier_gain_is_set_by_its_feedback() -> None:
    """1 + 10k/2.2k = 14.9 dB, less what 10 k of source, the bleeders and the finite loop take."""
    stage = load_stage("line-two-transistor")
    ideal = db(1.0 + value(stage, "R8") / value(stage, "R9"))
    source = parallel(value(stage, "R1"), value(stage, "R4"))
    entry = db(source / (source + 10e3))
    leaving = db(parallel(47e3, 100e3) / (parallel(47e3, 100e3) + value(stage, "R10")))
    (middle,) = gains(stage, [1e3])
    assert middle == pytest.approx(ideal + entry + leaving, abs=0.4)
    assert middle < ideal + entry + leaving
    assert max(map(abs, responses(stage, AUDIO))) < 0.5


NETWORK = ("R4", "R5", "C3", "C4", "R6", "R15", "C5", "C6", "R16")


def ideal_tone(stage: Stage, frequency: float) -> float:
    """Gain of the network around an ideal inverting amplifier, by nodal analysis, dB.

    The summing point is at 0 V and no current leaves it: that fixes the output.
    """
    branches: list[tuple[str, str, complex]] = []
    for name in NETWORK:
        part = stage.part(name)
        capacitive = part.kind == "film"
        size = value(stage, name)
        admittance = 2j * math.pi * frequency * size if capacitive else complex(1.0 / size)
        branches.append((part.nodes[0], part.nodes[1], admittance))
    for name in ("RV1", "RV2"):
        part = stage.part(name)
        top, wiper, bottom = part.nodes
        whole, up = value(stage, name), min(max(part.position, 1e-4), 1.0 - 1e-4)
        branches += [
            (top, wiper, complex(1.0 / (whole * (1.0 - up)))),
            (wiper, bottom, complex(1.0 / (whole * up))),
        ]
    unknown = ["bt", "bw", "bb", "t1", "tt", "tb", "t2", "n2"]
    rows = ["bt", "bw", "bb", "t1", "tt", "tb", "t2", "s"]
    matrix = np.zeros((8, 8), complex)
    drive = np.zeros(8, complex)
    for a, b, admittance in branches:
        for here, there in ((a, b), (b, a)):
            if here not in rows:
                continue
            row = rows.index(here)
            if here in unknown:
                matrix[row, unknown.index(here)] += admittance
            if there in unknown:
                matrix[row, unknown.index(there)] -= admittance
            elif there == "n1":
                drive[row] += admittance
    return db(abs(np.linalg.solve(matrix, drive)[-1]))


@pytest.mark.parametrize("bass", [0.0, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("treble", [0.0, 0.5, 0.75, 1.0])
def test_tone_control_follows_its_network(bass: float, treble: float) -> None:
    """Within 1 dB of the network around an ideal amplifier; the loop gain is finite."""
    stage = turned(load_stage("tone-control"), RV1=bass, RV2=treble)
    frequencies = [50.0, 100.0, 300.0, 1e3, 3e3, 10e3]
    found = gains(stage, frequencies)
    (flat,) = gains(load_stage("tone-control"), [1e3])
    for frequency, gain in zip(frequencies, found, strict=True):
        assert gain - flat == pytest.approx(ideal_tone(stage, frequency), abs=1.0), frequency


def test_tone_control_range() -> None:
    """Flat within 1 dB in the middle; 8 to 12 dB either way at 100 Hz and 10 kHz, mirrored."""
    stage = load_stage("tone-control")
    assert max(map(abs, responses(stage, AUDIO))) < 1.0
    assert abs(gains(stage, [1e3])[0]) < 1.0
    for name, frequency in (("RV1", 100.0), ("RV2", 10e3)):
        (boost,) = responses(turned(stage, **{name: 1.0}), [frequency])
        (cut,) = responses(turned(stage, **{name: 0.0}), [frequency])
        assert 8.0 < boost < 12.0
        assert boost == pytest.approx(-cut, abs=0.5)


def test_loudness_contour() -> None:
    """About 6 dB at 50 Hz with the control 20 to 30 dB down: the ear's curves at a low level.

    The curves of equal loudness (ISO 226, from memory) flatten by about 10 dB at 50 Hz for 20 dB;
    networks of the trade give half of it or a little more.
    """
    stage = load_stage("volume-contour")
    assert -30.0 < gains(stage, [1e3])[0] < -20.0
    assert responses(stage, [50.0])[0] == pytest.approx(6.0, abs=1.0)
    off = stage.with_part(replace(stage.part("S1"), value=1e9))
    assert max(map(abs, responses(off, [50.0, 100.0, 300.0, 3e3, 10e3]))) < 1.0


@pytest.mark.parametrize("frequency", [30.0, 50.0, 100.0, 300.0, 3e3, 10e3])
def test_loudness_contour_follows_its_network(frequency: float) -> None:
    """Divider of the track above the tap over the tap's impedance to earth, by hand."""
    stage = load_stage("volume-contour")

    def tap(f: float) -> complex:
        s = 2j * math.pi * f
        above = 1.0 / (1.0 / value(stage, "RV1") + s * value(stage, "C2"))
        contour = value(stage, "R2") + 1.0 / (s * value(stage, "C3"))
        below = 1.0 / (1.0 / value(stage, "RV2") + 1.0 / contour)
        return below / (below + above + stage.source_impedance)

    expected = db(abs(tap(frequency) / tap(1e3)))
    assert responses(stage, [frequency])[0] == pytest.approx(expected, abs=0.4)


def second_order(x: float, q: float) -> float:
    """Low-pass of second order, x = f/f0, dB; a high-pass is the same at 1/x."""
    return -10.0 * math.log10((1.0 - x * x) ** 2 + (x / q) ** 2)


def test_rumble_filter() -> None:
    """Sallen and Key, unity gain: f0 = 1/(2π√(R3·R4·C3·C4)), Q = ½√(R4/R3) for equal capacitors."""
    stage = load_stage("filter-high")
    r3, r4, c = value(stage, "R3"), value(stage, "R4"), value(stage, "C3")
    assert c == value(stage, "C4")
    f0, q = 1.0 / (2.0 * math.pi * c * math.sqrt(r3 * r4)), 0.5 * math.sqrt(r4 / r3)
    frequencies = [7.0, 10.0, 15.0, 20.0, 30.0, 50.0, 100.0]
    for f, found in zip(frequencies, responses(stage, frequencies), strict=True):
        # Q2's base takes 2 % of R4's current, and below 10 Hz the couplings begin to count.
        assert found == pytest.approx(second_order(f0 / f, q), abs=0.6), f
    corner = brentq(lambda f: responses(stage, [f])[0] + 3.01, 15.0, 60.0, xtol=0.1)
    assert corner == pytest.approx(30.0, abs=3.0)
    upper, lower = responses(stage, [10.0, 5.0])
    assert upper - lower == pytest.approx(12.0, abs=1.0)


def test_scratch_filter() -> None:
    """Sallen and Key, unity gain: f0 = 1/(2πR√(C2·C3)), Q = ½√(C2/C3) for equal resistors."""
    stage = load_stage("filter-low")
    r, c2, c3 = value(stage, "R4"), value(stage, "C2"), value(stage, "C3")
    assert r == value(stage, "R5")
    f0, q = 1.0 / (2.0 * math.pi * r * math.sqrt(c2 * c3)), 0.5 * math.sqrt(c2 / c3)
    frequencies = [3e3, 5e3, 8e3, 10e3, 15e3, 20e3]
    for f, found in zip(frequencies, responses(stage, frequencies), strict=True):
        assert found == pytest.approx(second_order(f / f0, q), abs=0.4), f
    corner = brentq(lambda f: responses(stage, [f])[0] + 3.01, 5e3, 12e3, xtol=10.0)
    assert corner == pytest.approx(8e3, rel=0.06)
    lower, upper = responses(stage, [20e3, 40e3])
    assert lower - upper == pytest.approx(12.0, abs=1.0)


def test_regulator_holds_its_voltage() -> None:
    """Reference times divider; 1 % of it for twice the load and for 10 % of mains either way."""
    stage = load_stage("supply-regulated")
    out, reference = volts(stage, "out", "b3")
    half = 0.5 * value(stage, "RV1")
    ratio = 1.0 + (value(stage, "R8") + half) / (value(stage, "R9") + half)
    assert out == pytest.approx(reference * ratio, rel=0.01)
    assert out == pytest.approx(24.0, rel=0.02)
    (heavy,) = volts(replace(stage, load=300.0), "out")
    assert heavy == pytest.approx(out, rel=0.01)
    raw = stage.rail("raw")
    for mains in (0.9, 1.1):
        (moved,) = volts(stage.with_rail(replace(raw, volts=raw.volts * mains)), "out")
        assert moved == pytest.approx(out, rel=0.01)


def test_regulator_rejects_ripple_and_is_stiff() -> None:
    """50 dB of line rejection and less than 1 Ω: the usual figures of a discrete regulator."""
    stage = load_stage("supply-regulated")
    ripple = dict(stage.rail("raw").ripple)
    hum, ohms = read(
        stage, Reading("hum", frequency=100.0), Reading("output impedance", frequency=1e3)
    )
    assert db(hum / ripple[100.0]) < -50.0
    assert ohms < 1.0


def test_regulator_limits_its_current() -> None:
    """One junction of 0.6 to 0.7 V across 4.7 Ω: about 140 mA into anything near a short."""
    stage = load_stage("supply-regulated")
    for load in (10.0, 50.0):
        (out,) = volts(replace(stage, load=load), "out")
        assert out / load == pytest.approx(0.65 / value(stage, "R4"), rel=0.15)


def test_output_network_passes_nearly_everything() -> None:
    """Contacts in series: gain and damping from their sum, the bass corner from the capacitor."""
    stage = load_stage("output-network")
    series = sum(value(stage, name) for name in ("F1", "K1", "S1", "S2", "J2"))
    series += stage.part("L1").esr + stage.source_impedance
    gain, damping = read(
        stage, Reading("gain", frequency=1e3), Reading("damping factor", frequency=1e3)
    )
    assert gain == pytest.approx(db(8.0 / (8.0 + series)), abs=0.06)
    assert damping == pytest.approx(8.0 / series, rel=0.2)
    corner = 1.0 / (2.0 * math.pi * (8.0 + series) * value(stage, "C2"))
    assert responses(stage, [20.0])[0] == pytest.approx(
        -10.0 * math.log10(1.0 + (corner / 20.0) ** 2), abs=0.05
    )
    assert max(map(abs, responses(stage, AUDIO))) < 0.5


def test_headphones_get_a_tenth() -> None:
    """270 Ω over 33 Ω and headphones of 32 Ω: a divider, and about 30 Ω of source."""
    network = load_stage("output-network")
    stage = replace(network, output="hp", load=32.0)
    (gain,) = gains(stage, [1e3])
    shunt = parallel(33.0, 32.0, 10e3)
    assert gain == pytest.approx(db(shunt / (270.0 + shunt)), abs=0.1)
    (ohms,) = read(stage, Reading("output impedance", frequency=1e3))
    assert ohms == pytest.approx(parallel(33.0, 10e3, 270.0), rel=0.02)


def test_triode_stage_by_hand() -> None:
    """Bias from the valve's law and the resistors; gain μR/(R + r_a + (μ+1)R_k).

    The law is the widely published one that the device file states; R is the anode's whole load,
    and μ and r_a are the slopes of the law at the working point.
    """
    stage = load_stage("line-triode")
    p = dict(stage.part("V1").parameters)

    def current(anode: float, grid: float) -> float:
        inner = p["kp"] * (1.0 / p["mu"] + grid / math.sqrt(p["kvb"] + anode * anode))
        drive = anode / p["kp"] * math.log1p(math.exp(inner))
        return 2.0 * max(drive, 0.0) ** p["ex"] / p["kg1"]

    kathode = value(stage, "R3") + value(stage, "R4")
    ht = stage.rail("ht")
    dropper, bleed = ht.resistance + value(stage, "R8") + value(stage, "R9"), value(stage, "R10")

    def anode_to_earth(i: float) -> float:
        supply = (ht.volts / dropper - i) / (1.0 / dropper + 1.0 / bleed)
        return supply - i * value(stage, "R5")

    def excess(i: float) -> float:
        return current(anode_to_earth(i) - i * kathode, -i * kathode) - i

    i = brentq(excess, 1e-5, 2e-3)
    anode, cathode, tension = volts(stage, "p", "k", "hd")
    assert cathode == pytest.approx(i * kathode, rel=0.005)
    assert anode == pytest.approx(anode_to_earth(i), rel=0.002)
    assert 230.0 < tension < 270.0

    across, grid = anode_to_earth(i) - i * kathode, -i * kathode
    slope = (current(across, grid + 1e-4) - current(across, grid - 1e-4)) / 2e-4
    ra = 0.2 / (current(across + 0.1, grid) - current(across - 0.1, grid))
    load = parallel(value(stage, "R5"), value(stage, "R6"), value(stage, "R7") + stage.load)
    mu = slope * ra
    expected = db(mu * load / (load + ra + (mu + 1.0) * value(stage, "R3")))
    # 10 k of source on 1 M of grid leak, 1 k on the load
    expected += db(1e6 / 1.01e6) + db(stage.load / (stage.load + 1e3))
    (gain,) = gains(stage, [1e3])
    assert gain == pytest.approx(expected, abs=0.15)
    assert gain == pytest.approx(30.0, abs=2.0)
    assert max(map(abs, responses(stage, AUDIO))) < 1.5
