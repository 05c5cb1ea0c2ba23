"""Injected faults move the readings the way, and as far, as the trade and the equations say.

The table with its sources is tests/published/fault_directions.yaml; each test is one of its lines.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import pytest

from circuits.load import load_stage, stage_names
from circuits.reading import Reading
from circuits.stage import Rail, Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.published.read import published
from tests.small import THERMAL_VOLT, capacitor, db, device, opamp, read, resistor

TABLE = published("fault_directions")
CAPACITORS = ("electrolytic", "tantalum", "film", "ceramic", "paper")
GAIN = Reading("gain", frequency=1e3)

# 1 mA through 1 k of emitter resistor: the base stands at 1 V and a junction's drop.
_BASE = 1.0 + THERMAL_VOLT * math.log(1e-3 / 1e-14)

COMMON_EMITTER = Stage(
    "common emitter",
    (
        resistor("R1", "vcc", "b", 10e3 * (12.0 / _BASE - 1.0)),
        resistor("R2", "b", "0", 10e3),
        resistor("R3", "vcc", "c", 4.7e3),
        resistor("R4", "e", "0", 1e3),
        device("Q1", "npn", ("c", "b", "e"), {"IS": 1e-14, "BF": 1e4}),
        capacitor("C1", "in", "b", 1.0),
        capacitor("C2", "c", "out", 1.0),
        capacitor("C3", "e", "0", 1.0),
        resistor("R5", "out", "0", 1e6),
    ),
    rails=(Rail("vcc", 12.0),),
)


def change(stage: Stage, faults: Fault | Iterable[Fault], reading: Reading) -> float:
    """How far a fault moves a reading, on the reading's own scale."""
    before, after = read(stage, reading)[0], read(inject(stage, faults), reading)[0]
    return after - before


def bias(stage: Stage, nodes: Iterable[str]) -> list[float]:
    return read(stage, *(Reading("dc voltage", at=node) for node in nodes))


def bias_change(stage: Stage, fault: Fault) -> list[float]:
    """How far base, emitter and collector move, V."""
    before, after = (bias(s, ("b", "e", "c")) for s in (stage, inject(stage, fault)))
    return [b - a for a, b in zip(before, after, strict=True)]


def test_the_stage_runs_at_one_milliampere() -> None:
    (emitter,) = bias(COMMON_EMITTER, ["e"])
    assert emitter / 1e3 == pytest.approx(1e-3, rel=2e-3)


def test_emitter_bypass_open() -> None:
    """r_e / (r_e + R_E) with r_e = 25.85 Ω at 1 mA."""
    line = TABLE["emitter bypass open"]
    fault = Fault("C3", "open")
    assert change(COMMON_EMITTER, fault, GAIN) == pytest.approx(line["change"], abs=0.06)
    assert bias_change(COMMON_EMITTER, fault) == pytest.approx([0.0] * 3, abs=1e-3)


@pytest.mark.parametrize("fault", [Fault("C3", "short"), Fault("C3", "leakage", 3e3)])
def test_emitter_bypass_shorted_or_leaky(fault: Fault) -> None:
    _, emitter, collector = bias_change(COMMON_EMITTER, fault)
    assert emitter < 0.05  # held by the base, or at ground
    assert collector < -1.0


@pytest.mark.parametrize("part", ["C1", "C2"])
def test_coupling_open(part: str) -> None:
    fault = Fault(part, "open")
    lost = change(COMMON_EMITTER, fault, GAIN)
    if part == "C2":
        # 3 pF into the 1 Mohm of R5: a divider of a reactance and a resistance
        reactance = 1.0 / (2.0 * math.pi * 1e3 * 3e-12)
        assert lost == pytest.approx(20.0 * math.log10(1e6 / math.hypot(1e6, reactance)), abs=0.1)
    else:
        assert lost < -55.0
    assert bias_change(COMMON_EMITTER, fault) == pytest.approx([0.0] * 3, abs=1e-3)


def test_coupling_leaky() -> None:
    """The collector's voltage reaches the base of the next stage, whose collector falls."""
    pair = replace(
        COMMON_EMITTER,
        parts=(
            *COMMON_EMITTER.parts,
            resistor("R6", "vcc", "out", 100e3),
            resistor("R7", "out", "0", 12e3),
            resistor("R8", "vcc", "c2", 4.7e3),
            resistor("R9", "e2", "0", 1e3),
            device("Q2", "npn", ("c2", "out", "e2"), {"IS": 1e-14, "BF": 200.0}),
        ),
    )
    nodes = ("b", "e", "c", "out", "c2")
    for size in (1e6, 1e5):
        before, after = bias(pair, nodes), bias(inject(pair, Fault("C2", "leakage", size)), nodes)
        moved = dict(zip(nodes, (b - a for a, b in zip(before, after, strict=True)), strict=True))
        assert moved["out"] > 0.03
        assert moved["c2"] < -0.1
        assert moved["b"] == pytest.approx(0.0, abs=1e-3)


def test_collector_load_up() -> None:
    line = TABLE["collector load up by half"]
    found = change(COMMON_EMITTER, Fault("R3", "drift up", 1.5), GAIN)
    # 1 M of load takes 0.02 dB of the larger resistor's gain.
    assert found == pytest.approx(line["change"], abs=0.05)


def test_emitter_resistor_up() -> None:
    """Unbypassed: gain R_C/(R_E + r_e), and r_e doubles with half the current."""
    unbypassed = inject(COMMON_EMITTER, Fault("C3", "open"))
    line = TABLE["emitter resistor doubled, unbypassed"]
    found = change(unbypassed, Fault("R4", "drift up", 2.0), GAIN)
    assert found == pytest.approx(line["change"], abs=0.1)


def test_lower_bias_resistor() -> None:
    """More base voltage, more current, collector down towards saturation; and the reverse."""
    up = bias_change(COMMON_EMITTER, Fault("R2", "drift up", 1.5))
    down = bias_change(COMMON_EMITTER, Fault("R2", "drift down", 0.6))
    assert up[0] > 0.3
    assert up[2] < -1.0
    assert down[0] < -0.3
    assert down[2] > 1.0
    (nearly,) = bias(inject(COMMON_EMITTER, Fault("R2", "drift down", 0.2)), ["c"])
    assert nearly == pytest.approx(12.0, abs=0.05)
    emitter, saturated = bias(inject(COMMON_EMITTER, Fault("R2", "open")), ["e", "c"])
    assert saturated - emitter < 0.2


@pytest.mark.parametrize("name", stage_names())
def test_any_open_capacitor_leaves_the_bias_alone(name: str) -> None:
    stage = load_stage(name)
    nodes = [node for node, _ in stage.test_points]
    healthy = bias(stage, nodes)
    tried = [part.name for part in stage.parts if part.kind in CAPACITORS]
    if not tried or not nodes:
        pytest.skip("no capacitor, or no test point")
    for part in tried:
        assert bias(inject(stage, Fault(part, "open")), nodes) == pytest.approx(
            healthy, abs=1e-3
        ), part


def coupling(farads: float, ohms: float) -> Stage:
    return Stage(
        "coupling", (capacitor("C1", "in", "out", farads), resistor("R1", "out", "0", ohms))
    )


def corner_level(stage: Stage, corner: float) -> float:
    """Level at a frequency, dB against one far above."""
    return read(stage, Reading("response", frequency=corner, reference=corner * 1e3))[0]


def test_coupling_dries_out() -> None:
    """Corner 1/(2πRC), 20 Hz down by √(1 + (fc/20)²)."""
    line = TABLE["coupling 10 to 1 uF into 10 kohm"]
    healthy, dry = coupling(10e-6, 10e3), Fault("C1", "capacitance loss", 0.1)
    found = change(healthy, dry, Reading("response", frequency=20.0, reference=1e3))
    assert found == pytest.approx(line["change at 20 Hz"], abs=0.06)
    before, after = line["corners"]
    assert corner_level(healthy, before) == pytest.approx(-3.01, abs=0.02)
    assert corner_level(inject(healthy, dry), after) == pytest.approx(-3.01, abs=0.02)


def test_output_capacitor_dries_out() -> None:
    """Corner 1/(2πRC) with 8 Ω."""
    before, after = TABLE["output capacitor 2200 to 500 uF into 8 ohm"]["corners"]
    healthy = coupling(2200e-6, 8.0)
    dry = inject(healthy, Fault("C1", "capacitance loss", 500.0 / 2200.0))
    assert corner_level(healthy, before) == pytest.approx(-3.01, abs=0.02)
    assert corner_level(dry, after) == pytest.approx(-3.01, abs=0.02)


FOOT = Stage(
    "feedback foot",
    (
        resistor("R0", "in", "0", 1e4),
        opamp("U1", ("in", "m", "out")),
        resistor("R1", "out", "m", 22e3),
        resistor("R2", "m", "f", 1e3),
        capacitor("C1", "f", "0", 1e-3),
    ),
)


def test_feedback_foot_capacitor_open() -> None:
    """1 + 22k/1k against 1: the block in series with the foot opens the divider."""
    line = TABLE["feedback-foot capacitor open"]
    assert change(FOOT, Fault("C1", "open"), GAIN) == pytest.approx(line["change"], abs=0.05)


def test_feedback_foot_capacitor_open_in_the_shipped_output_stage() -> None:
    """Its foot is 1 k below 22 k as well; its loop gain is finite."""
    line = TABLE["feedback-foot capacitor open"]
    stage = load_stage("output-complementary")
    assert change(stage, Fault("C4", "open"), GAIN) == pytest.approx(line["change"], abs=0.1)


def test_decoupler_loses_its_low_resistance() -> None:
    """|10 − j1.59| / |0.1 − j1.59| with 100 µF at 1 kHz; ripple through 10 k."""
    line = TABLE["decoupler esr 0.1 to 10 ohm"]
    stage = Stage(
        "decoupler",
        (
            resistor("R1", "vcc", "out", 10e3),
            capacitor("C1", "out", "0", 100e-6, 0.1),
            resistor("R2", "in", "0", 1e3),
            resistor("R3", "in", "out", 1e8),
        ),
        rails=(Rail("vcc", 24.0, ((1000.0, 1.0),)),),
    )
    hum = Reading("hum", frequency=1e3)
    before, after = (read(s, hum)[0] for s in (stage, inject(stage, Fault("C1", "high esr", 9.9))))
    assert db(after / before) == pytest.approx(line["change"], abs=0.1)


def test_noisy_transistor() -> None:
    """Base current noise 2qI(1 + fc/f): 1 + ln(1000)·fc/B wide, 1 + ln(5)·fc/80 from 20 to 100 Hz.

    1 M in the base leaves nothing but the noise of its current to be heard.
    """
    line = TABLE["noisy transistor, 1/f corner 1 kHz"]
    stage = Stage(
        "hiss",
        (
            resistor("R1", "bias", "b", 1e6),
            device("Q1", "npn", ("out", "b", "0"), {"IS": 1e-14, "BF": 200.0}),
            resistor("R2", "vcc", "out", 100.0),
            resistor("R3", "in", "b", 1e9),
        ),
        rails=(Rail("vcc", 12.0), Rail("bias", 100.7)),
        source_impedance=1e9,
    )
    readings = (Reading("noise"), Reading("noise", band=(20.0, 100.0)))
    before = read(stage, *readings)
    after = read(inject(stage, Fault("Q1", "noisy", 1e3)), *readings)
    wide, low = (db(b / a) for a, b in zip(before, after, strict=True))
    assert wide == pytest.approx(line["change"], abs=0.05)
    assert low > line["below 100 Hz at least"]
    # 13.2 dB by the formula; the collector's own shot noise takes a little off.
    assert low == pytest.approx(10.0 * math.log10(1.0 + 1e3 * math.log(5.0) / 80.0), abs=0.1)


def test_loop_gain_lost() -> None:
    """Z = 60 Ω / |1 + Aβ|, gain 11 / |1 + 1/Aβ|; A = f_T/jf at 1 kHz, f_T 1 MHz to 10 kHz."""
    stage = Stage(
        "loop",
        (
            resistor("R0", "in", "0", 1e4),
            opamp("U1", ("in", "m", "out"), {"gbw": 1e6, "output resistance": 60.0}),
            resistor("R1", "out", "m", 1e6),
            resistor("R2", "m", "0", 1e5),
        ),
    )
    readings = (Reading("output impedance", frequency=1e3), GAIN)
    for faulty, ft in ((stage, 1e6), (inject(stage, Fault("U1", "slow", 0.01)), 1e4)):
        loop = ft / 1j / 1e3 / 11.0
        impedance, gain = read(faulty, *readings)
        assert impedance == pytest.approx(60.0 / abs(1.0 + loop), rel=2e-3)
        assert gain == pytest.approx(db(11.0 / (1.0 + 1.0 / loop)), abs=0.01)


HUM = tuple(Reading("hum", frequency=f) for f in (50.0, 100.0, 150.0, 200.0))


@pytest.mark.parametrize(
    ("fault", "moved"),
    [
        (Fault("pickup", "stray pick-up high", 30.0), (50.0, 150.0)),
        (Fault("J2", "poor contact", 10.0), (50.0, 150.0)),
        (Fault("vcc", "ripple high", 30.0), (100.0, 200.0)),
        (Fault("C10", "capacitance loss", 0.02), (100.0, 200.0)),
    ],
    ids=lambda x: x.label() if isinstance(x, Fault) else "",
)
def test_which_hum_lines_move(fault: Fault, moved: tuple[float, ...]) -> None:
    """Common practice: f and 3f are stray pick-up or an earth joint, 2f and 4f the supply."""
    stage = load_stage("phono-two-transistor")
    before, after = read(stage, *HUM), read(inject(stage, fault), *HUM)
    for reading, a, b in zip(HUM, before, after, strict=True):
        if reading.frequency in moved:
            assert db(b / a) > 6.0, reading.label()
        else:
            assert abs(db(b / a)) < 0.5, reading.label()


def test_ohmmeter_finds_what_is_open_or_shorted() -> None:
    """Common practice: in circuit a resistor never reads above its marking unless it is open."""
    stage = load_stage("phono-two-transistor")
    between = Reading("resistance", between=("e2", "0"))
    healthy, opened, shorted = (
        read(s, between)[0]
        for s in (stage, inject(stage, Fault("R6", "open")),
                  inject(stage, Fault("C4", "short", 0.1)))
    )
    assert healthy == pytest.approx(680.0, rel=0.01)
    assert opened > 1e5
    assert shorted == pytest.approx(0.1, rel=0.01)
