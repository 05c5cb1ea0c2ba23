"""The floor under many tones against what can be worked out without a simulator.

Sources: products of polynomials counted by convolving the lines of the tones (numpy), Nyquist's
4kTRB, the noise of an ideal quantiser (step² / 12, 6.02 dB a bit and 1.76 dB for a sine), networks
that cannot distort, and the window with which recordings are measured.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuits.bench import distortion, driven
from circuits.bench.analysis import Transient, Waves
from circuits.bench.engine import Engine
from circuits.bench.steps import alone
from circuits.circuit import Circuit, Element
from circuits.reading import Reading
from circuits.signals import manytone, spectrum
from circuits.stage import Stage
from tests.circuits.test_distortion import SQUARE, SQUARE_GAIN, V0
from tests.circuits.test_further_readings import NYQUIST, SOURCE
from tests.small import capacitor, db, opamp, read, resistor

AUDIO = (20.0, 20e3)
TONES = driven.many_tones(AUDIO)
COMB = manytone.comb(AUDIO)


def floor(volts: float, **conditions: tuple[float, float]) -> Reading:
    band = conditions.get("band", (0.0, 0.0))
    return Reading("many-tone floor", level=("input level", volts), band=band)


def lines(comb: manytone.Comb, volts: float) -> np.ndarray:
    """Two-sided lines of the tones at −n … n multiples of the base; their power is volts²."""
    most = comb.orders[-1]
    made = np.zeros(2 * most + 1)
    for order, sign in zip(comb.orders, comb.signs, strict=True):
        made[[most + order, most - order]] = sign * volts / math.sqrt(2.0 * len(comb.orders))
    return made


def counted(
    comb: manytone.Comb, volts: float, second: float, third: float,
    band: tuple[float, float] = AUDIO,
) -> float:
    """All lines in the band that are no tones over the tones, dB, of x + a₂x² + a₃x³."""
    one = lines(comb, volts)
    two = np.convolve(one, one)
    three = np.convolve(two, one)
    middle = len(three) // 2
    total = third * three
    total[middle - len(two) // 2 : middle + len(two) // 2 + 1] += second * two
    total[middle - len(one) // 2 : middle + len(one) // 2 + 1] += one
    power = 2.0 * total[middle:] ** 2
    signal = power[list(comb.orders)].sum()
    power[list(comb.orders)] = 0.0
    places = comb.base * np.arange(len(power))
    inside = (places > 0.999 * band[0]) & (places < 1.001 * band[1])
    return 10.0 * math.log10(power[inside].sum() / signal)


# -- the tones -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "band", [AUDIO, (300.0, 3400.0), (1e3, 2e3), (20.0, 80e3), (1.0, 20e3), (19e3, 20e3)]
)
def test_tones_lie_in_the_band_on_odd_multiples_and_start_at_nothing(
    band: tuple[float, float],
) -> None:
    comb = manytone.comb(band)
    orders = np.array(comb.orders)
    assert 20 <= len(orders) <= 32
    assert np.all(orders % 2 == 1)
    assert np.all(np.diff(orders) > 0)
    assert 0.999 * max(band[0], band[1] / 1000.0) < comb.frequencies[0] < 1.01 * max(
        band[0], band[1] / 1000.0
    )
    assert 0.99 * band[1] < comb.frequencies[-1] <= band[1]
    turns = 2.0 * np.pi * np.arange(20000) / 20000
    wave = np.array(comb.signs) @ np.cos(np.outer(orders, turns))
    crest = np.abs(wave).max() / np.sqrt(np.square(wave).mean())
    assert crest == pytest.approx(comb.crest, rel=0.02)
    assert 20.0 * math.log10(crest) < 10.1
    assert abs(wave[0]) <= 1.0 + 1e-9


def test_the_tones_of_the_audio_band_are_evenly_spaced_above_300_hz() -> None:
    """Thirty over three decades; below, odd multiples of 20 Hz leave no room."""
    steps = np.diff(np.log([f for f in COMB.frequencies if f > 300.0]))
    assert len(COMB.orders) == 30
    assert steps.max() / steps.min() < 1.3


# -- what lies between -----------------------------------------------------------------------------


@pytest.mark.parametrize("band", [AUDIO, (200.0, 20e3), (1e3, 4e3)])
def test_a_square_law(band: tuple[float, float]) -> None:
    """(V0 + v)² / 2V0: the second-order products of 30 tones, by convolution."""
    comb = manytone.comb(band)
    (value,) = read(SQUARE, floor(0.2, band=band))
    assert value == pytest.approx(counted(comb, 0.2, 0.5 / V0, 0.0, band), abs=0.1)


@pytest.mark.parametrize(("second", "third"), [(0.0, 0.004), (0.01, 0.004), (0.0, -1e-5)])
def test_a_polynomial(second: float, third: float) -> None:
    """Second- and third-order products together, down to −88 dB."""
    law = f"v=v(a)+({second!r})*v(a)*v(a)+({third!r})*v(a)*v(a)*v(a)"
    net = Circuit((
        Element("V1", ("in", "0"), 0.0),
        Element("B1", ("a", "in"), None, f"v=time>0?{TONES.text(math.sqrt(2.0))}:0"),
        Element("B2", ("out", "0"), None, law),
        Element("R1", ("out", "0"), 1e3),
    ))
    wanted = Transient(("out",), 2.0 * TONES.period, TONES.step, 0.0, driven.OPTIONS)
    (waves,) = Engine().run(net, [wanted])
    assert isinstance(waves, Waves)
    kept = waves.time >= TONES.period
    signal, rest = manytone.between(waves.time[kept], waves.nodes[kept, 0], COMB, AUDIO)
    assert db(rest / signal) == pytest.approx(counted(COMB, 1.0, second, third), abs=0.1)


def high_pass(corner: float) -> Stage:
    parts = (capacitor("C1", "in", "out", 1.0 / (2.0 * math.pi * 1e4 * corner)),
             resistor("R1", "out", "0", 1e4))
    return Stage("coupling", parts, source_impedance=1.0)


@pytest.mark.parametrize("corner", [0.5, 2.0, 5.0, 10.0, 20.0, 100.0, 1000.0])
def test_what_cannot_distort_stays_below_minus_110_db(corner: float) -> None:
    """The floor of the run itself, noise and analyser left aside."""
    found = alone(driven.drive(high_pass(corner), TONES, 1.0), Engine().run)
    signal, rest = manytone.between(found.time, found.output, COMB, AUDIO)
    assert db(rest / signal) < -110.0


def test_noise_alone() -> None:
    """10 k, 20 kHz: 1.82 µV below 1 mV is −54.8 dB; half the band 3 dB less."""
    whole, half = read(SOURCE, floor(1e-3), floor(1e-3, band=(20.0, 10010.0)))
    thermal = math.sqrt(NYQUIST * 1e4 * (20e3 - 20.0))
    # the analyser adds 0.1 µV
    assert whole == pytest.approx(db(math.hypot(thermal, 1e-7) / 1e-3), abs=0.02)
    assert half - whole == pytest.approx(-3.01, abs=0.03)


def test_hum_counts_as_it_does_in_a_recording() -> None:
    """30 µV of 50 Hz and 40 µV of 150 Hz beside 1 mV: −26.0 dB."""
    wire = (resistor("R1", "in", "out", 1.0), resistor("R2", "out", "0", 1e9))
    stage = Stage("pickup", wire, source_impedance=1.0, pickup=((50.0, 30e-6), (150.0, 40e-6)))
    (value,) = read(stage, floor(1e-3))
    assert value == pytest.approx(db(50e-6 / 1e-3), abs=0.02)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_an_ideal_quantiser_has_the_bits_that_it_has(bits: int) -> None:
    """6.02 N + 1.76 dB for a sine that fills it, with the noise of its whole band.

    Tones of the same crest are quieter by their crest over √2, and of noise that is spread evenly
    up to half the rate the band holds a part.
    """
    rate = 96000
    time = np.arange(round(rate / COMB.base)) / rate
    wave = np.array(COMB.signs) @ np.cos(2.0 * np.pi * np.outer(COMB.frequencies, time))
    wave *= 0.999 / np.abs(wave).max()
    step = 2.0**(1 - bits)
    signal, rest = manytone.between(time, np.round(wave / step) * step, COMB, AUDIO)
    crest = np.abs(wave).max() / np.sqrt(np.square(wave).mean())
    in_band = 10.0 * math.log10(AUDIO[1] / (rate / 2.0))
    expected = -(6.02 * bits + 1.76) + db(crest / math.sqrt(2.0)) + in_band
    # a thousand lines of noise: their power varies by 0.14 dB
    assert db(rest / signal) == pytest.approx(expected, abs=0.5)
    found = (-(db(rest / signal) - db(crest / math.sqrt(2.0)) - in_band) - 1.76) / 6.02
    assert found == pytest.approx(bits, abs=0.1)


def test_a_recording_of_the_same_tones_is_measured_alike() -> None:
    """64 periods under the window of recordings: noise, and a cubic that leaves −61 dB.

    Recordings take for what lies under a tone what lies beside it, so of products they show more.
    """
    rate = 96000
    time = np.arange(64 * round(rate / COMB.base)) / rate
    period = len(time) // 64
    wave = np.array(COMB.signs) @ np.cos(2.0 * np.pi * np.outer(COMB.frequencies, time[:period]))
    wave = np.tile(wave / math.sqrt(15.0), 64)
    noise = 1e-3 * np.random.default_rng(4).standard_normal(len(time))
    for made, most in ((wave + noise, 0.4), (wave + 1e-3 * wave**3, 1.5)):
        tapered = spectrum.taper(made.copy(), rate)
        whole = spectrum.noise_rms(
            spectrum.without(tapered, COMB.frequencies), tapered.step, AUDIO
        )
        signal, rest = manytone.between(time[:period], made[:period], COMB, AUDIO)
        assert db(rest) == pytest.approx(db(whole), abs=most)
        assert signal == pytest.approx(math.sqrt(np.square(wave).mean()), rel=0.01)


# -- levels ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_level_is_that_of_all_tones_together() -> None:
    """Behind a low-pass of 1 kHz every tone has its own size; an a.c. meter shows them all."""
    parts = (resistor("R1", "in", "m", 1e3), capacitor("C1", "m", "0", 1.592e-7),
             opamp("U1", ("m", "out", "out")))
    generator = distortion.Generator(Stage("low", parts), TONES, 8.0)
    for level in (("output level", 2.0), ("power", 0.5)):
        found = alone(distortion.at_level(generator, level), Engine().run)
        even = np.interp(np.linspace(0.05, 0.1, 40001), found.time, found.output)
        assert np.sqrt(np.square(even).mean()) == pytest.approx(2.0, rel=0.01)
    found = alone(distortion.at_level(generator, ("input level", 1.0)), Engine().run)
    shares = 1.0 / (1.0 + np.square(np.array(COMB.frequencies) / 999.7))
    assert found.spectrum.rms == pytest.approx(math.sqrt(shares.mean()), rel=5e-3)


@pytest.mark.slow
def test_readings_at_every_kind_of_level() -> None:
    volts = 0.1 * SQUARE_GAIN
    values = read(
        SQUARE,
        floor(0.1),
        Reading("many-tone floor", level=("output level", volts)),
        Reading("many-tone floor", level=("power", volts**2 / 1e6)),
    )
    assert values[1:] == pytest.approx([values[0]] * 2, abs=0.1)


def test_where_no_level_is_stated_the_crest_is_that_of_the_usual_sine() -> None:
    """1 V clipped at 1.5 V: a sine passes; tones of 1 V RMS, with a crest of 3 V, do not."""
    clipper = opamp("U1", ("in", "out", "out"), {"swing": 1.5, "gbw": 1e8, "gain": 1e6,
                                                 "output resistance": 10.0})
    stage = Stage("clipper", (clipper, resistor("R1", "in", "0", 1e4)),
                  signal=(("input level", 1.0),))
    usual, stated = read(stage, Reading("many-tone floor"), floor(1.0))
    assert usual < -90.0
    assert stated > -40.0


def test_it_is_a_reading_under_drive() -> None:
    assert Reading("many-tone floor").driven


def test_a_dead_stage_reads_no_less_than_its_noise() -> None:
    dead = Stage("dead", (resistor("R1", "in", "0", 1e3), resistor("R2", "out", "0", 1e3)))
    (value,) = read(dead, floor(1.0))
    assert value > -1.0
