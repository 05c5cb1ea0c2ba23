"""Verdicts: how far a value is from its limit, how sure that is, and the sentence it comes to.

Margins are checked against levels computed from the definition (20·lg of a ratio); the zone of
doubt against the coverage of two standard uncertainties of the Guide to the expression of
uncertainty in measurement (from memory).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.reading import Reading
from diagnose.answer.judgement import VerdictLine, verdict_json
from diagnose.answer.verdict import Judged, judged, margin_text, verdict
from diagnose.sheet.case import load_case
from diagnose.sheet.entry import Measured
from diagnose.sheet.limits import Limit
from diagnose.sheet.standards import STATUS, standards

HUM = Reading("hum", frequency=50.0)
THD = Reading("thd", frequency=1e3, level=("power", 20.0), load=8.0)
DAMPING = Reading("damping factor", frequency=1e3, load=8.0)
AT_C1 = Reading("dc voltage", at="c1")


def sheet(tmp_path: Path, body: str, stage: str = "output-complementary") -> Judged:
    path = tmp_path / "case.yaml"
    path.write_text(f"stage: {stage}\n{body}")
    return judged(load_case(path))


def line(limit: Limit, value: float, uncertainty: float | None = None) -> VerdictLine:
    (made,) = verdict([limit], [Measured(limit.reading, value, uncertainty)])
    return made


@pytest.mark.parametrize(
    ("limit", "value", "margin", "unit", "text"),
    [
        # 1.3 mV over 0.3 mV: 20·lg(13/3) = 12.74 dB
        (Limit(HUM, high=0.3e-3), 1.3e-3, -12.736, "dB", "12.7 dB over"),
        # the contract's example, 0.24 % against 0.2 %: 20·lg 1.2
        (Limit(THD, high=0.002), 0.0024, -1.584, "dB", "1.58 dB over"),
        (Limit(THD, high=0.002), 0.001, 6.021, "dB", "6.02 dB to spare"),
        # of a ratio, per cent of the limit: 18 is 10 % under 20, 25 is 25 % over it
        (Limit(DAMPING, low=20.0), 18.0, -10.0, "%", "10 % under"),
        (Limit(DAMPING, low=20.0), 25.0, 25.0, "%", "25 % to spare"),
        (Limit(DAMPING, high=20.0), 18.0, 10.0, "%", "10 % to spare"),
        (Limit(AT_C1, -0.05, 0.05), 0.062, -0.012, "V", "12 mV over"),
        (Limit(AT_C1, -0.05, 0.05), -0.062, -0.012, "V", "12 mV under"),
        (Limit(AT_C1, -0.05, 0.05), -0.03, 0.02, "V", "20 mV to spare"),
    ],
)
def test_the_margin_is_told_in_the_unit_that_people_compare_in(
    limit: Limit, value: float, margin: float, unit: str, text: str
) -> None:
    made = line(limit, value)
    assert made.margin == pytest.approx(margin, abs=1e-3)
    assert made.margin_unit == unit
    assert margin_text(made) == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "passes", "certain", "result"),
    [
        # twice 0.5 dB is 1 dB: 0.2 % +- 1 dB is 0.1783 to 0.2244 %
        (0.0024, None, False, True, "not met"),
        (0.0022, None, False, False, "uncertain"),
        (0.0018, None, True, False, "uncertain"),
        (0.0017, None, True, True, "met"),
        # a better meter sees what a usual one does not
        (0.0022, 0.1, False, True, "not met"),
        (0.0024, 1.0, False, False, "uncertain"),
    ],
)
def test_near_its_limit_a_value_proves_nothing(
    value: float, uncertainty: float | None, passes: bool, certain: bool, result: str
) -> None:
    made = line(Limit(THD, high=0.002), value, uncertainty)
    assert (made.passes, made.certain, made.result) == (passes, certain, result)


def test_what_a_meter_cannot_see_is_decided_without_doubt() -> None:
    (made,) = verdict([Limit(THD, high=0.002)], [Measured(THD, 0.0019, None, "<")])
    assert made.result == "met"


def test_the_document_keeps_its_keys_and_has_new_ones() -> None:
    made = verdict_json(line(Limit(THD, high=0.002), 0.0024, 0.3))
    assert list(made)[:5] == ["reading", "measured", "unit", "max", "passes"]  # the contract's
    assert (made["passes"], made["certain"], made["result"]) == (False, True, "not met")
    assert made["margin"] == pytest.approx(-20.0 * math.log10(1.2))


FOUR = """
readings:
  - {quantity: thd, frequency: 1 kHz, power: 20 W, load: 8 ohm, value: 0.1 %}
  - {quantity: hum, frequency: 50 Hz, value: 1.3 mV}
  - {quantity: damping factor, frequency: 1 kHz, value: 21}
  - {quantity: response, reference: 1 kHz, points: {20 Hz: -0.2 dB, 20 kHz: -2.0 dB}}
limits:
  - {quantity: thd, frequency: 1 kHz, power: 20 W, max: 0.2 %}
  - {quantity: hum, frequency: 50 Hz, max: 0.3 mV}
  - {quantity: damping factor, frequency: 1 kHz, load: 8 ohm, min: 20}
  - {quantity: response, band: 20 Hz to 20 kHz, within: 0.5 dB}
  - {quantity: noise, max: 1 mV}
"""


def test_a_case_comes_to_a_plain_sentence(tmp_path: Path) -> None:
    made = sheet(tmp_path, FOUR)
    # damping 21 against 20 is 0.049 in natural logarithms, less than twice the bench's 0.05
    assert made.summary == (
        "The unit meets 1 of 4 published figures: hum at 50 Hz is 12.7 dB over; damping factor at "
        "1 kHz is too near its limit to be sure (5 % to spare); response at 20 kHz is 1.50 dB "
        "under."
    )
    # the figure over a band has a line for each reading in it and counts once
    assert [x.figure for x in made.lines] == [0, 1, 2, 3, 3]
    assert made.unread == ("noise at most 1 mV",)


def test_all_met_and_none_met_are_said_so(tmp_path: Path) -> None:
    entry = "readings: [{quantity: noise, value: 1 mV}]\nlimits: [{quantity: noise, max: %s}]\n"
    assert sheet(tmp_path, entry % "10 mV").summary == "The unit meets the published figure."
    assert sheet(tmp_path, entry % "0.1 mV").summary == (
        "The unit meets no published figure: noise is 20.0 dB over."
    )
    assert sheet(tmp_path, "readings: [{quantity: noise, value: 1 mV}]\n").summary == ""


@pytest.mark.parametrize(
    ("limit", "reading", "covers"),
    [
        # 20 W into 8 ohm is 12.649 V (computed from the definition)
        ("power: 20 W, load: 8 ohm", "output level: 12.65 V, load: 8 ohm", True),
        ("power: 20 W, load: 8 ohm", "output level: 12.65 V", True),
        ("power: 20 W, load: 8 ohm", "power: 20 W", True),
        ("power: 20 W", "power: 20 W, load: 4 ohm", False),
        ("power: 20 W", "power: 10 W", False),
        ("power: 20 W", "input level: 12.65 V", False),
        ("power: 20 W", "load: 8 ohm", False),
    ],
)
def test_a_condition_may_be_stated_in_other_words(
    tmp_path: Path, limit: str, reading: str, covers: bool
) -> None:
    made = sheet(tmp_path, f"""
readings: [{{quantity: thd, frequency: 1 kHz, {reading}, value: 0.01 %}}]
limits: [{{quantity: thd, frequency: 1 kHz, {limit}, max: 0.2 %}}]
""")
    assert len(made.lines) == (1 if covers else 0)


TWO = """
channels:
  left: {readings: [{quantity: gain, frequency: 1 kHz, value: 26.1 dB}]}
  right: {readings: [{quantity: gain, frequency: 1 kHz, value: 20.0 dB}]}
suspect: right
limits:
  - {quantity: gain, frequency: 1 kHz, min: 25 dB, max: 27 dB}
  - {quantity: channel balance, frequency: 1 kHz, within: 2 dB}
"""


def test_of_two_channels_each_has_its_verdict(tmp_path: Path) -> None:
    made = sheet(tmp_path, TWO)
    assert [(x.channel, x.result) for x in made.lines] == [
        ("left", "met"), ("right", "not met"), ("", "not met"),
    ]
    assert made.summary == (
        "The left channel meets the published figure. The right channel meets no published "
        "figure: gain at 1 kHz is 5.00 dB under. The pair of channels meets no published "
        "figure: channel balance at 1 kHz is 4.10 dB under."
    )


# -- standards -------------------------------------------------------------------------------------


def test_every_standard_says_where_it_is_from_and_how_far_it_was_read() -> None:
    assert set(standards()) == {"DIN 45500 amplifier", "16 CFR 432"}
    for one in standards().values():
        assert one.status in STATUS
        assert one.source


def test_the_figures_of_din_45500(tmp_path: Path) -> None:
    """Extracts: 40 Hz to 16 kHz +-1.5 dB, THD 1 %, IMD 3 %, damping 3, 10 W."""
    made = sheet(tmp_path, """
readings:
  - {quantity: response, reference: 1 kHz, points: {30 Hz: -9 dB, 50 Hz: -1.2 dB, 15 kHz: -2 dB}}
  - {quantity: thd, frequency: 1 kHz, power: 5 W, value: 0.8 %, uncertainty: 1 %}
  - {quantity: thd, frequency: 10 kHz, power: 1 W, load: 4 ohm, value: 1.2 %, uncertainty: 1 %}
  - {quantity: imd, tones: [60 Hz, 7 kHz], ratio: "4:1", power: 5 W, value: 1 %}
  - {quantity: output impedance, frequency: 1 kHz, value: 4 ohm}
  - {quantity: maximum output, frequency: 1 kHz, thd: 1 %, value: 8 W}
limits: [{standard: din 45500 Amplifier}]
""")
    found = [(x.reading.split(",")[0].removesuffix(" of 60 Hz and 7 kHz"), x.passes)
             for x in made.lines]
    assert found == [
        ("response at 50 Hz", True), ("response at 15 kHz", False),  # 30 Hz is outside the band
        ("thd at 1 kHz", True), ("thd at 10 kHz", False), ("imd", True),
        ("maximum output at 1 kHz", False),  # 8 W of 10 W
        ("damping factor at 1 kHz", False),  # 8 ohm over 4 ohm is 2, at least 3 wanted
    ]
    assert made.lines[5].minimum == pytest.approx(math.sqrt(10.0 * 8.0))
    assert {x.standard for x in made.lines} == {"DIN 45500 amplifier"}
    assert made.unread == ()  # nobody needs to read all that a standard asks for


def test_a_channel_of_two_needs_less_power(tmp_path: Path) -> None:
    """Extracts of DIN 45500: 10 W, or twice 6 W."""
    of = "{readings: [{quantity: maximum output, frequency: 1 kHz, thd: 1 %, value: 8 W}]}"
    made = sheet(tmp_path, f"channels: {{left: {of}, right: {of}}}\nsuspect: left\n"
                 "limits: [{standard: DIN 45500 amplifier}]\n")
    assert [x.passes for x in made.lines] == [True, True]


def test_the_rule_on_power_claims(tmp_path: Path) -> None:
    """16 CFR 432: into 8 ohm, from 250 mW up, 20 Hz to 20 kHz, at most 1 % of THD+N."""
    made = sheet(tmp_path, """
readings:
  - {quantity: thd+n, frequency: 1 kHz, power: 250 mW, load: 8 ohm, value: 2 %}
  - {quantity: thd+n, frequency: 1 kHz, power: 100 mW, load: 8 ohm, value: 2 %}
  - {quantity: thd+n, frequency: 1 kHz, power: 20 W, load: 4 ohm, value: 2 %}
  - {quantity: thd+n, frequency: 25 kHz, power: 20 W, load: 8 ohm, value: 2 %}
  - {quantity: thd+n, frequency: 20 kHz, output level: 12.65 V, load: 8 ohm, value: 0.3 %}
  - {quantity: thd+n, frequency: 1 kHz, load: 8 ohm, value: 2 %}
limits: [{standard: 16 CFR 432}]
""")
    assert [(x.reading, x.passes) for x in made.lines] == [
        ("thd+n at 1 kHz, 250 mW into 8 Ω", False), ("thd+n at 20 kHz, 12.7 V into 8 Ω", True),
    ]


def test_an_unknown_standard_offers_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        sheet(tmp_path, "limits:\n  - {standard: DIN 45500 amplifyer}\n")
    text = caught.value.render()
    assert "did you mean: DIN 45500 amplifier?" in text
    assert "case.yaml:3:16" in text


def test_a_stage_without_a_loudspeaker_is_asked_for_no_power(tmp_path: Path) -> None:
    (tmp_path / "bare.yaml").write_text(
        "stage: bare\nports: {input: in, output: out}\n"
        "parts: {R1: {kind: carbon-film, nodes: [in, out], value: 1k}, "
        "R2: {kind: carbon-film, nodes: [out, '0'], value: 1k}}\n"
    )
    made = sheet(tmp_path, "readings: [{quantity: thd, frequency: 1 kHz, value: 2 %}]\n"
                 "limits: [{standard: DIN 45500 amplifier}]\n", "bare.yaml")
    assert [x.passes for x in made.lines] == [False]
