"""What an a.c. input shows of a node: its own resistance and capacitance are in the circuit.

Sources: Ohm's law and the divider of two impedances; kT/C noise (Nyquist); a netlist written here
and run by plain ngspice, with the probe drawn and without; a probe drawn as parts of the stage,
which has nothing to do with how the bench puts one in. 1 Mohm, 100 pF with a cable and 10 Mohm,
15 pF of a times-ten probe are common practice.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import plan, take
from circuits.load import load_stage
from circuits.probe import DIRECT, NONE, TIMES_TEN
from circuits.reading import Reading
from circuits.stage import GROUND, Part, Rail, Stage
from faultlib.fault import Fault
from faultlib.simulate import Variant, unit
from tests.small import BOLTZMANN, KELVIN, capacitor, db, device, read, resistor

OHMS = 1e6


def behind(*parts: Part, source: float = OHMS) -> Stage:
    """A node ``b`` that a generator of so many ohms feeds, beside an output that does not."""
    ends = (resistor("Rin", "b", "0", 1e12), resistor("Rout", "b", "out", 1e12),
            resistor("Rload", "out", "0", 1e3))
    return Stage("probed", (*ends, *parts), input="b", source_impedance=source)


def impedance(loading: tuple[float, float], frequency: float) -> complex:
    ohms, farads = loading
    return 1.0 / (1.0 / ohms + 2j * math.pi * frequency * farads)


def divided(loading: tuple[float, float], frequency: float, ohms: float = OHMS) -> complex:
    across = impedance(loading, frequency)
    return across / (across + ohms)


@pytest.mark.parametrize("frequency", [20.0, 1e3, 20e3])
@pytest.mark.parametrize(("probe", "loading"), [
    ((), (10e6, 15e-12)), ((1e6, 100e-12), (1e6, 100e-12)), ((2.2e6, 0.0), (2.2e6, 0.0)),
])
def test_a_node_of_a_megohm(
    probe: tuple[float, float] | tuple[()], loading: tuple[float, float], frequency: float
) -> None:
    """Zp / (Zp + 1 Mohm), gain and phase; without a word a times-ten probe."""
    gain, phase = read(behind(), Reading("gain", at="b", frequency=frequency, probe=probe),
                       Reading("phase", at="b", frequency=frequency, probe=probe))
    ratio = divided(loading, frequency)
    assert gain == pytest.approx(db(abs(ratio)), abs=1e-4)
    assert phase == pytest.approx(math.degrees(np.angle(ratio)), abs=1e-3)


def test_each_probe_is_taken_off_before_the_next_reading() -> None:
    readings = [Reading("gain", at="b", frequency=1e3, probe=p) for p in (DIRECT, NONE, TIMES_TEN)]
    readings.append(Reading("dc voltage", at="b", meter=math.inf))
    made = behind()
    together = read(made, *readings)
    # 1e15 ohm of a probe that is off leaves 1e-9 of 1 Mohm, 9e-9 dB
    assert together == pytest.approx([read(made, one)[0] for one in readings], abs=2e-8)
    assert together[1] == pytest.approx(0.0, abs=1e-4)
    assert together[0] < together[2] - 5.0


def test_a_response_is_bent_by_the_cable() -> None:
    """20 kHz against 1 kHz behind 1 Mohm: both levels by the divider."""
    (value,) = read(behind(), Reading("response", at="b", frequency=20e3, reference=1e3,
                                      probe=DIRECT))
    assert value == pytest.approx(
        db(abs(divided(DIRECT, 20e3))) - db(abs(divided(DIRECT, 1e3))), abs=1e-4)


def test_noise_by_a_cable_is_that_of_both_resistances_and_its_capacitance() -> None:
    """kT/C of 100 pF with 1 Mohm of the node beside 1 Mohm of the input, arctan of the band."""
    (value,) = read(behind(), Reading("noise", at="b"))
    corner = 1.0 / (2.0 * math.pi * 0.5e6 * 100e-12)
    share = (math.atan(20e3 / corner) - math.atan(20.0 / corner)) / (math.pi / 2.0)
    assert value == pytest.approx(math.sqrt(BOLTZMANN * KELVIN / 100e-12 * share), rel=3e-3)


def test_hum_is_divided_as_well() -> None:
    """1 mV behind 1 Mohm read directly: half of it, less what 100 pF takes at 50 Hz."""
    made = replace(behind(), pickup=((50.0, 1e-3),))
    direct, ideal = read(made, Reading("hum", at="b", frequency=50.0),
                         Reading("hum", at="b", frequency=50.0, probe=NONE))
    assert ideal == pytest.approx(1e-3, rel=1e-4)
    assert direct == pytest.approx(1e-3 * abs(divided(DIRECT, 50.0)), rel=1e-4)


def test_the_output_has_its_load_and_no_probe_but_a_stated_one() -> None:
    made = Stage("out", (resistor("Rin", "in", "0", 1e12), resistor("R1", "in", "out", 100e3)),
                 load=100e3)
    frequency = 20e3
    plain, named, stated = read(
        made, Reading("gain", frequency=frequency), Reading("gain", frequency=frequency, at="out"),
        Reading("gain", frequency=frequency, probe=DIRECT))
    assert plain == named == pytest.approx(db(0.5), abs=1e-3)
    assert stated == pytest.approx(db(0.5 * abs(divided(DIRECT, frequency, 50e3))), abs=1e-3)


def test_a_phase_between_two_points_has_both_probes_on() -> None:
    """A ladder of 1 Mohm, probes of 10 Mohm and 15 pF at both nodes: two node equations."""
    made = behind(resistor("R2", "b", "c", OHMS))
    (value,) = read(made, Reading("phase", at="c", origin="b", frequency=1e3))
    assert value == pytest.approx(
        math.degrees(np.angle(divided(TIMES_TEN, 1e3))), abs=1e-3)


# -- against plain ngspice -------------------------------------------------------------------------

MODEL = {"IS": 1e-14, "BF": 200.0, "VAF": 80.0, "CJC": 4e-12, "CJE": 8e-12, "TF": 4e-10}
NETLIST = """common emitter by hand
Vcc vcc 0 20
Vgen g 0 dc 0 ac 1
Rs g i 100k
Ci i b 10u
Rb vcc b 22meg
Rc vcc c 270k
Re e 0 10k
Ro c x 1meg
Rx x 0 4.7meg
Rl out 0 1k
Ry x out 1e12
Q1 c b e qq
{probe}
.model qq npn(is=1e-14 bf=200 vaf=80 cjc=4p cje=8p tf=0.4n)
.options temp=27
.control
ac lin 1 {frequency} {frequency}
print vm({at})
.endc
.end
"""
PARTS = (
    capacitor("Ci", "i", "b", 10e-6), resistor("Rb", "vcc", "b", 22e6),
    resistor("Rc", "vcc", "c", 270e3), resistor("Re", "e", "0", 10e3),
    resistor("Ro", "c", "x", 1e6), resistor("Rx", "x", "0", 4.7e6),
    resistor("Rl", "out", "0", 1e3), resistor("Ry", "x", "out", 1e12),
    device("Q1", "npn", ("c", "b", "e"), MODEL),
)
AMPLIFIER = Stage("by hand", PARTS, rails=(Rail("vcc", 20.0),), input="i", source_impedance=1e5)


def by_ngspice(folder: Path, at: str, frequency: float, probe: str) -> float:
    path = folder / "hand.cir"
    path.write_text(NETLIST.format(at=at, frequency=frequency, probe=probe), "utf-8")
    done = subprocess.run([shutil.which("ngspice") or "ngspice", "-b", str(path)],
                          capture_output=True, text=True, timeout=60, check=False,
                          stdin=subprocess.DEVNULL)
    found = re.search(r"vm\(\w+\) = (\S+)", done.stdout)
    assert found, done.stdout + done.stderr
    return float(found[1])


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the ngspice program is not there")
@pytest.mark.parametrize("at", ["c", "x"])
@pytest.mark.parametrize("frequency", [1e3, 10e3])
def test_an_amplifier_with_and_without_a_probe_by_plain_ngspice(
    tmp_path: Path, at: str, frequency: float
) -> None:
    """The blocking capacitor of the netlist is 1 F, so that the bias stays."""
    for probe, lines in (
        (NONE, ""),
        (DIRECT, f"Cp {at} 0 100p\nCac {at} p 1\nRp p 0 1meg"),
        ((), f"Cp {at} 0 15p\nCac {at} p 1\nRp p 0 10meg"),
    ):
        (value,) = read(AMPLIFIER, Reading("gain", at=at, frequency=frequency, probe=probe))
        assert value == pytest.approx(db(by_ngspice(tmp_path, at, frequency, lines)), abs=2e-3)


# -- many units with one plan ----------------------------------------------------------------------


def drawn(stage: Stage, reading: Reading, loading: tuple[float, float]) -> float:
    """The reading with its probe drawn as parts of the stage."""
    ohms, farads = loading
    parts = (
        Part("Cblock", "film", (reading.at, "probe_in"), 1.0, 0.1),
        resistor("Rprobe", "probe_in", GROUND, ohms),
        Part("Cprobe", "film", (reading.at, GROUND), farads, 0.1),
    )
    made = replace(stage, parts=(*stage.parts, *parts))
    return read(made, replace(reading, probe=NONE))[0]


@pytest.mark.parametrize("fault", [
    None, Fault("R5", "open"), Fault("Q1", "base open"), Fault("R1", "drift up", 10.0),
    Fault("C3", "open"), Fault("Q2", "emitter open"),
])
def test_a_fault_with_the_plan_of_the_good_unit(fault: Fault | None) -> None:
    """Within a fifth of a usual instrument's error; where nothing comes, only that."""
    stage = load_stage("phono-two-transistor")
    readings = [Reading("gain", at=at, frequency=f, probe=DIRECT)
                for at, _ in stage.test_points if at != stage.output for f in (1e3, 20e3)]
    made = plan(stage, readings)
    faulty = unit(stage, Variant(() if fault is None else (fault,)))
    found = take(faulty, made)
    for reading, value in zip(readings, found, strict=True):
        if value > -70.0:
            assert value == pytest.approx(drawn(faulty, reading, DIRECT), abs=0.02), reading
