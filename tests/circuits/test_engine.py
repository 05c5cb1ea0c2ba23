"""The engine against closed forms, standards' constants and an independent simulator."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from circuits.bench import sweep
from circuits.bench.analysis import NoiseSpectrum, OperatingPoint, SmallSignal, Transient
from circuits.bench.engine import Engine
from circuits.circuit import Circuit, Element, Model
from tests.circuits.engine_circuits import RC, STAGE, C, R

# The constants that SPICE uses: CODATA 1986 or later, they differ by parts per million.
BOLTZMANN = 1.380649e-23  # J/K, exact in the SI of 2019
CHARGE = 1.602176634e-19  # C, exact in the SI of 2019
ROOM = 300.15  # K, 27 °C


@pytest.mark.parametrize("count", [1, 2, 3, 4, 40])
def test_low_pass_of_first_order(count):
    # Closed form: 1 / (1 + jωRC); current of the source: -(1 - v)/R.
    frequencies = tuple(np.geomspace(3.0, 3e5, count)) if count > 1 else (159.0,)
    (answer,) = Engine().run(RC, [SmallSignal("V1", frequencies, ("out", "in", "0"), ("v1",))])
    expected = 1.0 / (1.0 + 2j * np.pi * np.array(frequencies) * R * C)
    np.testing.assert_allclose(answer.nodes[:, 0], expected, rtol=1e-8)
    np.testing.assert_allclose(answer.nodes[:, 1:], [[1.0, 0.0]] * count, atol=1e-12)
    np.testing.assert_allclose(answer.branches[:, 0], (expected - 1.0) / R, rtol=1e-6)
    np.testing.assert_array_equal(answer.frequencies, frequencies)


def test_frequencies_in_any_order_and_in_arithmetic_progression():
    # Closed form as above; a linear sweep of its own kind in ngspice.
    asked = (500.0, 100.0, 300.0, 200.0, 400.0, 100.0)
    (answer,) = Engine().run(RC, [SmallSignal("V1", asked, ("out",))])
    expected = 1.0 / (1.0 + 2j * np.pi * np.array(asked) * R * C)
    np.testing.assert_allclose(answer.nodes[:, 0], expected, rtol=1e-10)


def test_thermal_noise_of_a_resistor():
    # Nyquist: sqrt(4 k T R) per root hertz, seen through the low-pass.
    for frequencies in ((1e3,), (10.0, 1e3), (20.0, 100.0, 150.0, 1e3, 4e3, 20e3)):
        (answer,) = Engine().run(RC, [NoiseSpectrum("out", "V1", frequencies)])
        through = np.abs(1.0 / (1.0 + 2j * np.pi * np.array(frequencies) * R * C))
        expected = np.sqrt(4.0 * BOLTZMANN * ROOM * R) * through
        np.testing.assert_allclose(answer.density, expected, rtol=1e-4)


def test_diode_behind_a_resistor():
    # Closed form by Lambert's W: V = I R + n Vt ln(I/Is + 1) (Corless et al., 1996).
    from scipy.special import lambertw

    saturation, resistance, volts = 1e-12, 1000.0, 5.0
    thermal = BOLTZMANN * ROOM / CHARGE
    circuit = Circuit(
        (
            Element("V1", ("in", "0"), volts),
            Element("R1", ("in", "a"), resistance),
            Element("D1", ("a", "0"), text="dx"),
        ),
        (Model("dx", "d", (("is", saturation),)),),
        ("gmin=1e-15",),
    )
    (bias,) = Engine().run(circuit, [OperatingPoint(("a",), ("V1",))])
    scale = saturation * resistance / thermal
    argument = scale * np.exp((volts + saturation * resistance) / thermal)
    current = thermal / resistance * lambertw(argument).real - saturation
    assert -bias.branches[0] == pytest.approx(current, rel=3e-6)
    assert bias.nodes[0] == pytest.approx(volts - current * resistance, rel=3e-5)


def test_charging_of_a_capacitor():
    # Closed form: 1 - exp(-t/RC) after a step.
    source = replace(RC.elements[0], value=None, text="pulse(0 1 0 1n 1n 1 2)")
    circuit = replace(RC, elements=(source, *RC.elements[1:]))
    options = ("reltol=1e-6", "method=gear")
    (waves,) = Engine().run(
        circuit, [Transient(("out",), 5e-3, 1e-5, 1e-3, options, branches=("V1",))]
    )
    assert waves.time[0] >= 1e-3
    assert waves.time[-1] == pytest.approx(5e-3)
    expected = 1.0 - np.exp(-waves.time / (R * C))
    np.testing.assert_allclose(waves.nodes[:, 0], expected, atol=2e-5)
    np.testing.assert_allclose(waves.branches[:, 0], (expected - 1.0) / R, atol=2e-8)


@pytest.mark.skipif(shutil.which("gnucap") is None, reason="gnucap is not installed")
def test_bipolar_stage_as_gnucap_sees_it(tmp_path):
    # Another simulator with device code of its own (Debian's gnucap).
    parts = [
        e for e in STAGE.elements if e.name in ("V1", "Vcc", "C1", "R1", "R2", "R3", "R4", "Q1")
    ]
    model = Model("qm", "npn", (("is", 1e-14), ("bf", 128.0), ("vaf", 64.0)))
    circuit = Circuit(tuple(parts), (model,))
    deck = circuit.text().replace("V1 in 0 0.0", "V1 in 0 DC 0 AC 1").splitlines()
    commands = [
        ".options reltol=1e-6",
        ".print op v(b) v(c) v(e)",
        ".op 27",
        ".print ac vm(c)",
        ".ac 1000 1000 lin",
        ".end",
    ]
    file = tmp_path / "stage.ckt"
    keep = [line for line in deck if not line.startswith((".end", ".temp", "*", ".options"))]
    file.write_text("\n".join([*keep, *commands]) + "\n")
    done = subprocess.run(
        ["gnucap", "-b", file], capture_output=True, text=True, cwd=tmp_path, check=True
    )
    rows = [line.split() for line in done.stdout.splitlines()]
    numbers = [row for row in rows if row and row[0][0].isdigit()]
    volts = [float(x) for x in numbers[0][1:4]]
    gain = float(numbers[1][1])
    bias, answer = Engine().run(
        circuit, [OperatingPoint(("b", "c", "e")), SmallSignal("V1", (1e3,), ("c",))]
    )
    np.testing.assert_allclose(bias.nodes, volts, rtol=1e-4)
    assert abs(answer.nodes[0, 0]) == pytest.approx(gain, rel=1e-3)


def riaa(source):
    """A passive network of the RIAA time constants' order behind a coupling capacitor."""
    return Circuit(
        (
            Element("V1", ("in", "0"), 0.0),
            Element("C0", ("in", "a"), 4.7e-6),
            Element("R1", ("a", "out"), 75e3),
            Element("R2", ("out", "b"), 8.2e3),
            Element("C1", ("b", "0"), 39e-9),
            Element("C2", ("out", "0"), 10e-9),
            Element("R3", ("out", "0"), 820e3),
            *source,
        )
    )


NETWORKS = {
    "riaa": (riaa(()), "out"),
    # 1 kHz, Q = 10: R = sqrt(L/C)/10.
    "resonance": (
        riaa(
            (
                Element("E1", ("x", "0", "out", "0"), 1.0),
                Element("L1", ("x", "y"), 0.1),
                Element("R9", ("y", "z"), 2.0 * np.pi * 1e3 * 0.1 / 10.0),
                Element("C9", ("z", "0"), 1.0 / (0.1 * (2.0 * np.pi * 1e3) ** 2)),
            )
        ),
        "z",
    ),
}


@pytest.mark.parametrize("name", NETWORKS)
def test_sweeps_agree_with_single_points(name):
    # Reference: the same circuit at one frequency a run, which needs no interpolation.
    circuit, output = NETWORKS[name]
    frequencies = (*np.geomspace(20.0, 20e3, 37), 930.0, 985.0, 1016.0, 1103.0)
    (swept,) = Engine().run(circuit, [SmallSignal("V1", frequencies, (output,))])
    single = np.array(
        [
            Engine().run(circuit, [SmallSignal("V1", (f,), (output,))])[0].nodes[0, 0]
            for f in frequencies
        ]
    )
    ratio = swept.nodes[:, 0] / single
    assert np.abs(20.0 * np.log10(np.abs(ratio))).max() < 1e-4
    assert np.abs(np.angle(ratio)).max() < 1e-5


def test_interpolation_knows_where_it_fails():
    # Closed form: a band-pass of Q 5000, far narrower than the grid, beside two others.
    frequencies = tuple(np.linspace(700.0, 1400.0, 57))
    plan = sweep.plan(frequencies)

    def response(f):
        total = np.zeros(len(f), complex)
        for centre, q in ((800.0, 5000.0), (1030.0, 3000.0), (1180.0, 4000.0), (1300.0, 2000.0)):
            x = 1j * f / centre
            total += (x / q) / (1.0 + x / q + x * x)
        return total[:, None]

    values, trusted = sweep.interpolate(plan, response(plan.run.frequencies))
    exact = response(np.array(frequencies))
    assert not trusted.all()
    np.testing.assert_allclose(values[trusted], exact[trusted], rtol=1.15e-5)


def test_noise_sweep_agrees_with_single_points():
    circuit, output = NETWORKS["riaa"]
    frequencies = tuple(np.geomspace(20.0, 20e3, 12))
    (swept,) = Engine().run(circuit, [NoiseSpectrum(output, "V1", frequencies)])
    single = [
        Engine().run(circuit, [NoiseSpectrum(output, "V1", (f,))])[0].density[0]
        for f in frequencies
    ]
    np.testing.assert_allclose(swept.density, single, rtol=1e-4)
