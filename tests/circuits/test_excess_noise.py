"""Excess noise against the definition of the noise index and Schottky's formula.

Sources: the current noise index of IEC 60195, from memory: 20·lg of the noise voltage in one decade
of frequency, µV, over the direct voltage across the resistor, V; shot noise 2qI (Schottky); thermal
noise 4kTR (Nyquist); Miller's multiplication 1/(1 − (V/BV)ⁿ) and McIntyre's 2q·I·M³ for equal
ionisation, both from memory. The parts beside the one that is looked at are wire-wound and have
thermal noise alone.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits import excess
from circuits.bench.take import plan, take
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from faultlib.fault import Fault
from faultlib.inject import inject
from tests.small import BOLTZMANN, CHARGE, KELVIN, db, device, opamp, read

NYQUIST = 4.0 * BOLTZMANN * KELVIN
DECADE, TWO = (100.0, 1000.0), (100.0, 10_000.0)


def wire(name: str, a: str, b: str, ohms: float) -> Part:
    return Part(name, "wirewound", (a, b), ohms)


def divider(upper: Part, volts: float = 10.0) -> Stage:
    """A part from a stiff rail to the output and 10 k from there to ground."""
    return Stage(
        "divider",
        (upper, wire("R2", "out", "0", 10e3), wire("R3", "in", "0", 1e6)),
        rails=(Rail("vcc", volts),),
    )


def carbon(kind: str = "carbon-film", ohms: float = 10e3) -> Stage:
    return divider(Part("R1", kind, ("vcc", "out"), ohms))


@pytest.mark.parametrize("index", [20.0, 40.0])
def test_a_decade_holds_the_index_times_the_voltage(index: float) -> None:
    """5 V across 10 k in a divider that halves it: 20 dB is 10 µV/V, so 25 µV arrive."""
    faulty = inject(carbon(), Fault("R1", "noisy element", index))
    one, two = read(faulty, Reading("noise", band=DECADE), Reading("noise", band=TWO))
    made = 1e-6 * 10.0 ** (index / 20.0) * 5.0 / 2.0
    assert one == pytest.approx(math.hypot(made, math.sqrt(NYQUIST * 5e3 * 900.0)), rel=1e-3)
    # as powers, decades add up
    assert two == pytest.approx(
        math.hypot(made * math.sqrt(2.0), math.sqrt(NYQUIST * 5e3 * 9900.0)), rel=1e-3
    )


def test_good_parts_have_the_figures_of_their_kinds() -> None:
    """At 1000 V, whose noise drowns the thermal one: 1 µV/V composition, 0.2 µV/V carbon film.

    Of makers' figures, from memory; wire has none.
    """
    found = {}
    for kind in ("carbon-composition", "carbon-film", "metal-film", "wirewound"):
        stage = divider(Part("R1", kind, ("vcc", "out"), 10e3), 1000.0)
        thermal = NYQUIST * 5e3 * 900.0
        (value,) = read(stage, Reading("noise", band=DECADE))
        found[kind] = math.sqrt(max(value**2 - thermal, 0.0)) / 250.0 * 1e6
    assert found["carbon-composition"] == pytest.approx(1.0, rel=0.01)
    assert found["carbon-film"] == pytest.approx(0.2, rel=0.01)
    assert found["metal-film"] == pytest.approx(0.025, rel=0.02)
    assert found["wirewound"] < 0.002


def test_the_index_of_a_part_grows_with_its_direct_voltage() -> None:
    """6 dB of noise for twice the voltage, since the index is a ratio of voltages."""
    values = []
    for volts in (10.0, 20.0):
        made = divider(Part("R1", "carbon-film", ("vcc", "out"), 10e3), volts)
        values += read(inject(made, Fault("R1", "noisy element", 40.0)),
                       Reading("noise", band=DECADE))
    assert db(values[1] / values[0]) == pytest.approx(6.02, abs=0.02)


def leaking(volts: float, heard: tuple[tuple[str, float], ...]) -> Stage:
    """A junction's leak of 1 M from a rail into 1 k at the output."""
    return Stage(
        "leak",
        (
            Part("leak", "defect", ("vcc", "out"), 1e6, parameters=heard),
            wire("R2", "out", "0", 1e3),
            wire("R3", "in", "0", 1e6),
        ),
        rails=(Rail("vcc", volts),),
    )


@pytest.mark.parametrize("volts", [100.0, 400.0])
def test_shot_noise_of_a_leakage_into_a_known_resistance(volts: float) -> None:
    """100 V across 1.001 M: √((2qI·R² + 4kTR)·B), R being 1 k beside 1 M."""
    (value,) = read(leaking(volts, (("shot", 1.0),)), Reading("noise", band=DECADE))
    current, ohms = volts / 1.001e6, 1e3 / 1.001
    density = 2.0 * CHARGE * current * ohms**2 + NYQUIST * ohms
    assert value == pytest.approx(math.sqrt(density * 900.0), rel=1e-3)


def test_a_junction_at_half_its_breakdown_multiplies_by_sixteen_fifteenths() -> None:
    """N = 4: M = 1/(1 − 1/16). The noise of the seed current grows by its cube."""
    assert excess.multiplication(50.0, 100.0) == pytest.approx(16.0 / 15.0)
    part = Part("J", "defect", ("a", "b"), 1e9, parameters=(("breakdown", 100.0),))
    made = excess.white(part, 1e9, np.array([50.0]))
    assert made == pytest.approx(2.0 * CHARGE * excess.SEED * (16.0 / 15.0) ** 3)
    assert excess.multiplication(1e3, 100.0) == pytest.approx(excess.MOST)


LIVE = Stage(
    "in series",
    (
        opamp("U1", ("in", "buf", "buf")),
        Part("R1", "carbon-film", ("buf", "out"), 10e3),
        wire("R2", "out", "0", 10e3),
        wire("R3", "in", "0", 1e3),
    ),
    source_impedance=1.0,
    load=1e9,
)
"""No direct current flows: what R1 makes, it makes of the signal."""


def test_an_alternating_voltage_makes_noise_as_a_direct_one_of_its_rms_value() -> None:
    """1 V RMS at the output leaves 1 V across R1; 40 dB are 100 µV, of which half arrives.

    The mean of a sine's square is the square of its RMS value, and the noise power follows it.
    """
    faulty = inject(LIVE, Fault("R1", "noisy element", 40.0))
    rest, one, two = read(
        faulty,
        Reading("noise", band=DECADE),
        *(Reading("noise", band=DECADE, level=("output level", v)) for v in (1.0, 2.0)),
    )
    thermal = math.sqrt(NYQUIST * 5e3 * 900.0)
    assert rest == pytest.approx(thermal, rel=2e-3)
    assert one == pytest.approx(math.hypot(50e-6, thermal), rel=2e-3)
    assert db(two / one) == pytest.approx(6.02, abs=0.02)


def test_a_noisy_contact_holds_the_ratio_of_signal_to_noise_where_it_is() -> None:
    """Both grow alike with the level, so S/N stays; a good unit's S/N rises by as much as it."""
    stage = Stage(
        "contact",
        (wire("R1", "in", "a", 1.0), Part("J1", "connector", ("a", "out"), 0.01)),
        load=1e3,
    )
    levels = [Reading("snr", level=("output level", v)) for v in (1.0, 3.0)]
    low, high = read(inject(stage, Fault("J1", "noisy contact", 100.0)), *levels)
    assert high - low == pytest.approx(0.0, abs=0.05)
    low, high = read(stage, *levels)
    assert high - low == pytest.approx(20.0 * math.log10(3.0), abs=0.01)


def test_a_breaking_junction_is_heard_only_where_the_swing_comes_near_it() -> None:
    """A common emitter stage near 20 V of 40, whose swing of 13 V RMS passes the breakdown by 2 V.

    There S/N is lower than at 4 V RMS; at 0.1 V RMS little is heard.
    """
    stage = Stage(
        "swinging",
        (
            wire("R1", "in", "b", 100e3),
            device("Q1", "npn", ("out", "b", "0"), {"IS": 1e-14, "BF": 200.0}),
            wire("R2", "vcc", "out", 2e3),
            wire("R3", "bias", "b", 1e6),
        ),
        rails=(Rail("vcc", 40.0), Rail("bias", 55.0)),
        source_impedance=1e6,
        load=1e9,
    )
    (centre,) = read(stage, Reading("dc voltage", at="out"))
    assert 15.0 < centre < 25.0
    crest = centre + 13.0 * math.sqrt(2.0)
    faulty = inject(stage, Fault("Q1", "breaking down", crest - 0.65 - 2.0))
    readings = [Reading("snr", level=("output level", v)) for v in (0.1, 4.0, 13.0)]
    good, bad = read(stage, *readings), read(faulty, *readings)
    assert good[0] - bad[0] < 3.0
    assert bad[2] < bad[1]
    assert good[2] > good[1]


def test_noise_at_rest_asks_for_no_more_than_it_did() -> None:
    """One run of noise without shares, one gain; no experiment."""
    made = plan(LIVE, [Reading("noise"), Reading("snr", weighting="A")])
    assert not made.experiments
    ((_, (request,)),) = made.groups
    assert len(request.analyses) == 2
    assert not getattr(request.analyses[0], "resistors", ())


def test_a_level_at_which_nothing_is_noisy_changes_nothing() -> None:
    still = Stage("still", (wire("R1", "in", "out", 1e3),), load=10e3)
    rest, beside = take(still, [Reading("noise"), Reading("noise", level=("input level", 1.0))])
    assert beside == pytest.approx(rest, rel=1e-6)
