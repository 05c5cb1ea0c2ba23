"""Readings of a pair of channels, crosstalk and balance, from the sheet to the answer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from circuits.bench.take import take
from circuits.load import load_stage
from circuits.reading import Reading
from circuits.stage import Part, Rail, Stage
from circuits.supply import drawn
from diagnose.advice.candidates import candidates
from diagnose.answer.ranking import rank
from diagnose.answer.result import Result
from diagnose.inference.channels import Common, Other, TwoChannels, common_spreads
from diagnose.sheet.case import Case, load_case, right_of
from diagnose.sheet.entry import Measured
from faultlib.fault import Fault
from faultlib.inject import inject
from faultlib.simulate import Answer, Laboratory, Progress, Variant, unit
from faultlib.tolerance import Spread
from tests.small import device

GAIN = Reading("gain", frequency=1e3)
BALANCE = Reading("channel balance", frequency=1e3)
HEARD = Reading("crosstalk", frequency=1e3)
FET = {"VTO": -2.0, "BETA": 1e-3, "LAMBDA": 0.0}


def amplifier(shared: tuple[str, ...] = ("vcc",)) -> Stage:
    """One transistor; its rail has a reservoir, so what both draw from it is heard in both."""
    def part(name: str, kind: str, a: str, b: str, value: float) -> Part:
        return Part(name, kind, (a, b), value, 0.05)

    parts = (
        device("J1", "njf", ("out", "in", "s"), FET), part("R1", "carbon-film", "in", "0", 1e6),
        part("R2", "carbon-film", "s", "0", 2e3), part("R3", "carbon-film", "vcc", "out", 10e3),
        part("C1", "electrolytic", "s", "0", 100e-6),
    )
    supply = drawn("full-wave", 220e-6, 10e-3, 20.0)
    return Stage("amplifier", parts, rails=(Rail("vcc", 24.0, supply=supply),),
                 source_impedance=1e3, load=1e6, shared=shared)


@dataclass
class Beside:
    """A bench on paper: a gain is 20 dB a decade of R3; crosstalk tells R3 of both channels."""

    asked: list[tuple[Stage, Variant]] = field(default_factory=list)

    def values(
        self,
        stage: Stage,
        variants: Sequence[Variant],
        readings: Sequence[Reading],
        progress: Progress | None = None,
    ) -> Answer:
        """One number a reading: with two channels, the hearing one's and a tenth of the other's."""
        rows = np.empty((len(variants), len(readings)))
        for k, variant in enumerate(variants):
            self.asked.append((stage, variant))
            for m, reading in enumerate(readings):
                rows[k, m] = self._ohms(stage, variant)
                if reading.quantity == "crosstalk":
                    assert variant.beside is not None
                    rows[k, m] += 0.1 * self._ohms(stage, variant.beside)
        return Answer(rows, (), len(variants))

    @staticmethod
    def _ohms(stage: Stage, variant: Variant) -> float:
        return 20.0 * math.log10((unit(stage, variant).part("R3").value or 0.0) / 10e3)


def both(variant: Variant, right: bool = True, shared: tuple[str, ...] = ("vcc",)) -> list[float]:
    """Gain, balance and crosstalk of the suspect, then of the reference."""
    bench = TwoChannels(Beside(), shared, 3, right)
    readings = [GAIN, BALANCE, HEARD] * 2
    return [float(x) for x in bench.values(amplifier(), [variant], readings).values[0]]


TWICE = Variant((Fault("R3", "drift up", 2.0),))
DB = 20.0 * math.log10(2.0)


def test_a_balance_is_the_right_gain_less_the_left() -> None:
    """In the readings of either channel it is the same number, signed by where the fault is."""
    assert both(TWICE)[1] == both(TWICE)[4] == pytest.approx(DB)
    assert both(TWICE, right=False)[1] == both(TWICE, right=False)[4] == pytest.approx(-DB)
    moved = Variant((), ((Common("R3", "value", 1.0), 1.0),))
    assert both(moved)[1] == pytest.approx(0.0, abs=1e-12)
    other = Variant((), ((Other("R3", "value", 1.0), 1.0),))
    assert both(other)[1] == pytest.approx(-20.0 / math.log(10.0))


def test_crosstalk_has_the_other_channel_beside() -> None:
    """The suspect listens to the reference, the reference to the suspect."""
    gain, _, heard, other_gain, _, other_heard = both(TWICE)
    assert (gain, other_gain) == pytest.approx((DB, 0.0))
    assert (heard, other_heard) == pytest.approx((DB, 0.1 * DB))
    alike = both(TWICE, shared=("R3",))
    assert (alike[2], alike[5]) == pytest.approx((1.1 * DB, 1.1 * DB))
    assert alike[1] == pytest.approx(0.0)


def test_what_is_shared_is_what_the_sheet_says() -> None:
    """The simulator is told the sheet's word, not the stage's."""
    bench = Beside()
    TwoChannels(bench, ("R3",), 1).values(amplifier(), [Variant()], [HEARD])
    assert {stage.shared for stage, _ in bench.asked} == {("R3",)}


def test_a_shared_part_varies_once_and_its_drawing_is_doubted() -> None:
    kinds = [type(s) for s in common_spreads(amplifier(), ("R3",)) if s.target == "R3"]
    assert kinds == [Spread, Common]
    own = [type(s) for s in common_spreads(amplifier(), ()) if s.target == "R3"]
    assert own == [Spread, Other, Common]


# -- the sheet -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "right"),
    [(["left", "right"], "right"), (["right", "left"], "right"), (["Left", "other"], "other"),
     (["a", "b"], "b"), (["other", "left"], "other")],
)
def test_names_of_channels_say_which_is_right(names: list[str], right: str) -> None:
    assert right_of(names) == right


TWO = """stage: {stage}
channels:
  left: {{readings: [{{quantity: gain, frequency: 1 kHz, value: 35 dB}}]}}
  right: {{readings: [{{quantity: crosstalk, frequency: 1 kHz, value: -45 dB}},
                      {{quantity: channel balance, frequency: 1 kHz, value: 1 dB}}]}}
suspect: right
"""
ONE = """stage: {stage}
readings:
  - {{quantity: gain, frequency: 1 kHz, value: 35 dB}}
  - {{quantity: crosstalk, frequency: 1 kHz, value: -45 dB}}
  - {{quantity: channel balance, frequency: 1 kHz, value: 1 dB}}
"""


def sheet(folder: Path, text: str, stage: str, more: str = "") -> Case:
    path = folder / "sheet.yaml"
    path.write_text(text.format(stage=stage) + more, encoding="utf-8")
    return load_case(path)


@pytest.mark.parametrize(
    ("text", "stage", "more", "shared", "weighed"),
    [
        # a stage that says nothing: all rails, as is common practice
        (TWO, "phono-two-transistor", "", ("vcc",), (True, True)),
        (TWO, "phono-two-transistor", "supply: own\n", (), (False, True)),
        (TWO, "phono-opamp", "", ("vcc", "vee", "J2"), (True, True)),
        (TWO, "phono-opamp", "supply: own\n", ("J2",), (True, True)),
        (TWO, "phono-opamp", "supply: shared\n", ("vcc", "vee", "J2"), (True, True)),
        (ONE, "phono-opamp", "", ("vcc", "vee", "J2"), (True, False)),
        (ONE, "phono-two-transistor", "supply: own\n", (), (False, False)),
    ],
)
def test_what_a_sheet_can_weigh(
    text: str, stage: str, more: str, shared: tuple[str, ...], weighed: tuple[bool, bool],
    tmp_path: Path,
) -> None:
    """Crosstalk where anything is shared; a balance where both channels were read."""
    case = sheet(tmp_path, text, stage, more)
    assert case.shared == case.stage.shared == shared
    assert (case.weighs(HEARD), case.weighs(BALANCE)) == weighed


def test_a_sheet_of_one_channel_without_crosstalk_is_as_it_was(tmp_path: Path) -> None:
    case = sheet(tmp_path, ONE.split("  - {{quantity: crosstalk")[0], "phono-opamp")
    assert case.shared == ()
    assert case.stage == load_stage("phono-opamp")


def test_a_supply_with_a_name_is_shared_with_its_parts(tmp_path: Path) -> None:
    text = Path(load_stage.__code__.co_filename).with_name("stages") / "phono-opamp.yaml"
    body = text.read_text(encoding="utf-8").replace(
        "vcc: {volts: 15, ripple: {100 Hz: 2 mV, 200 Hz: 0.5 mV}, resistance: 0.5}",
        "vcc: {volts: 15, supply: {rectifier: bridge, reservoir: 470u, current: 10m, name: pre, "
        "transformer: mains-tr}}",
    )
    (tmp_path / "made.yaml").write_text(body, encoding="utf-8")
    case = sheet(tmp_path, TWO, "made.yaml")
    assert case.shared == ("vcc", "vee", "pre", "mains-tr", "J2")


# -- what is proposed ------------------------------------------------------------------------------


def test_two_channels_can_be_read_against_each_other() -> None:
    """With both on the bench; crosstalk where they share anything; nothing that was taken."""
    stage, bench = amplifier(), Laboratory(workers=0)

    def proposed(stage: Stage, taken: Sequence[Reading], beside: bool) -> list[tuple[str, float]]:
        with bench:
            found = candidates(stage, taken, bench, beside=beside)
        return [(r.quantity, r.frequency) for r in found
                if r.quantity in ("crosstalk", "channel balance")]

    assert proposed(stage, [], False) == []
    everything = [("channel balance", 1e3), *(("crosstalk", f) for f in (100.0, 1e3, 10e3))]
    assert proposed(stage, [GAIN], True) == everything
    assert proposed(replace(stage, shared=()), [GAIN], True) == everything[:1]
    assert proposed(stage, [HEARD, BALANCE], True) == [everything[1], everything[3]]


# -- the answer ------------------------------------------------------------------------------------

FREQUENCIES = (20.0, 100.0)


def of_a_unit(suspect: Fault, crosstalk: bool) -> Result:
    """Right channel of a unit with a fault, simulated and read; the left one beside."""
    stage = amplifier()
    right = inject(stage, suspect)
    left = right if suspect.part.startswith("vcc") else stage
    readings = [GAIN, Reading("dc voltage", at="out"), Reading("gain", frequency=20.0)]
    if crosstalk:
        readings += [replace(HEARD, frequency=f) for f in FREQUENCIES]

    def read(mine: Stage, other: Stage) -> tuple[Measured, ...]:
        values = take(mine, readings, other)
        return tuple(Measured(r, float(x)) for r, x in zip(readings, values, strict=True))

    channels = (("left", read(left, right)), ("right", read(right, left)))
    case = Case("pair", stage, channels[1][1], channels=channels, suspect="right",
                shared=("vcc",))
    with Laboratory(workers=0) as bench:
        return rank(case, bench)


def chance(result: Result, part: str) -> float:
    return math.fsum(s.probability for s in result.suspects if s.part == part)


@pytest.mark.slow
def test_crosstalk_finds_a_dry_reservoir_that_gain_and_bias_do_not() -> None:
    """Common practice: bass of one channel in the other, both else in order: the supply."""
    dry = Fault("vcc reservoir", "capacitance loss", 0.2)
    without, beside = of_a_unit(dry, False), of_a_unit(dry, True)
    assert chance(beside, "vcc reservoir") > 0.8
    assert chance(without, "vcc reservoir") < without.healthy
    (heard, *_) = [e for s in beside.suspects[:1] for e in s.explains
                   if e.reading.startswith("crosstalk")]
    assert heard.measured is not None
    assert heard.measured > heard.healthy + 10.0


@pytest.mark.slow
def test_an_own_fault_is_not_blamed_on_the_supply() -> None:
    """The channel's own bypass is gone: its gain falls, and the supply is as good as it was."""
    result = of_a_unit(Fault("C1", "open"), True)
    assert chance(result, "C1") > 0.8
    assert chance(result, "vcc reservoir") < 0.01


@pytest.mark.slow
def test_a_balance_alone_finds_the_weak_channel() -> None:
    """6 dB less on the right with everything at rest in order: its bypass, not the left one's."""
    stage = amplifier()
    right = inject(stage, Fault("C1", "open"))
    rest = [Reading("dc voltage", at="out"), Reading("dc voltage", at="s")]
    volts = [Measured(r, float(x)) for r, x in zip(rest, take(stage, rest), strict=True)]
    (good,), (ill,) = take(stage, [GAIN]), take(right, [GAIN])
    mine = (*volts, Measured(BALANCE, float(ill - good)))
    case = Case("pair", stage, mine, channels=(("left", tuple(volts)), ("right", mine)),
                suspect="right", shared=("vcc",))
    with Laboratory(workers=0) as bench:
        found = rank(case, bench)
        wrong = rank(replace(case, channels=(("right", tuple(volts)), ("left", mine)),
                             suspect="left"), bench)
    assert chance(found, "C1") > 0.8
    # the left channel is suspected, and the right one is the weak one
    assert chance(wrong, "C1") < 0.1


@pytest.mark.slow
def test_what_cannot_be_weighed_is_told(tmp_path: Path) -> None:
    case = sheet(tmp_path, ONE, "phono-two-transistor", "supply: own\n")
    with Laboratory(workers=0) as bench:
        notes = rank(case, bench).notes
    left = [n for n in notes if n.startswith("not simulated")]
    assert left == ["not simulated, so not ranked by: crosstalk at 1 kHz, channel balance at 1 kHz"]
