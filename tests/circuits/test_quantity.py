"""Unit text against IEC 60062 (letter and digit code), the SI prefixes and what dB means."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuits.errors import InputError
from circuits.quantity import half_digit, parse, render

# IEC 60062, the examples of its tables for resistance and capacitance (from memory)
CODE = {
    ("R10", "ohm"): 0.1, ("R332", "ohm"): 0.332, ("1R0", "ohm"): 1.0, ("3R32", "ohm"): 3.32,
    ("59R04", "ohm"): 59.04, ("590R", "ohm"): 590.0, ("1K0", "ohm"): 1e3, ("10K0", "ohm"): 1e4,
    ("3M32", "ohm"): 3.32e6, ("1G0", "ohm"): 1e9, ("1T0", "ohm"): 1e12,
    ("p10", "F"): 1e-13, ("3p32", "F"): 3.32e-12, ("1n0", "F"): 1e-9, ("33n2", "F"): 33.2e-9,
    ("1µ0", "F"): 1e-6, ("590µ", "F"): 590e-6, ("1m0", "F"): 1e-3, ("10m", "F"): 1e-2,
}

# what the contract's first rules name, and what old drawings and meters show
WRITTEN = {
    ("4k7", "ohm"): 4700.0, ("4.7k", "ohm"): 4700.0, ("4.7 kohm", "ohm"): 4700.0,
    ("4k7Ω", "ohm"): 4700.0, ("4.7 k\u2126", "ohm"): 4700.0, ("4,7k", "ohm"): 4700.0,
    ("2R2", "ohm"): 2.2, ("R47", "ohm"): 0.47, ("1e3", "ohm"): 1000.0, ("1M", "ohm"): 1e6,
    ("1m", "ohm"): 1e-3, ("33n", "F"): 33e-9, ("4u7", "F"): 4.7e-6, ("33 µF", "F"): 33e-6,
    ("33 \u03bcF", "F"): 33e-6, ("33uF", "F"): 33e-6, ("33 uf", "F"): 33e-6,
    ("0.24 %", "%"): 0.0024, ("0.24", "%"): 0.0024, ("-40 dB", "%"): 0.01, ("5%", ""): 0.05,
    ("-61 dB", "dB"): -61.0, ("\u221261 dB", "dB"): -61.0, ("-70 dBc", "dB"): -70.0,
    ("3.1 us", "s"): 3.1e-6, ("20 W", "W"): 20.0, ("1 kHz", "Hz"): 1e3, ("1k5", "Hz"): 1500.0,
    ("14.1 V rms", "V"): 14.1, ("14.1 Vrms", "V"): 14.1, ("24 V DC", "V"): 24.0, ("5V6", "V"): 5.6,
    ("-20 dBV", "V"): 0.1, ("0 dBV", "V"): 1.0, ("30 dBm", "W"): 1.0, ("10 dBW", "W"): 10.0,
    ("13 V/us", "V/s"): 13e6, ("0.5 V/ms", "V/s"): 500.0, ("-12 °", "deg"): -12.0,
    ("45 deg", "deg"): 45.0, ("40m", "A"): 0.04, ("22 mH", "H"): 22e-3, ("1e-14", ""): 1e-14,
    ("0,125", "V"): 0.125, ("+3", "V"): 3.0, ("1\u00a0kHz", "Hz"): 1e3, (" 5 mV ", "V"): 5e-3,
}


@pytest.mark.parametrize(("written", "value"), [*CODE.items(), *WRITTEN.items()])
def test_reads(written: tuple[str, str], value: float) -> None:
    text, unit = written
    assert parse(text, unit) == pytest.approx(value, rel=1e-14)


def test_numbers_take_the_own_unit() -> None:
    assert parse(24, "V") == 24.0
    assert parse(0.24, "%") == pytest.approx(0.0024)


def test_dbu_is_a_milliwatt_in_600_ohm() -> None:
    # IEC 60268-2 and common practice: 0.775 V
    assert parse("0 dBu", "V") == pytest.approx(math.sqrt(1e-3 * 600.0))
    assert parse("4 dBu", "V") == pytest.approx(1.228, abs=5e-4)


@pytest.mark.parametrize(
    ("prefix", "factor"),
    [("f", 1e-15), ("p", 1e-12), ("n", 1e-9), ("u", 1e-6), ("m", 1e-3), ("k", 1e3), ("M", 1e6)],
)
@pytest.mark.parametrize(
    ("unit", "name"),
    [(unit, unit) for unit in ("V", "A", "ohm", "F", "H", "Hz", "s", "W")],
)
def test_every_prefix_with_every_unit(prefix: str, factor: float, unit: str, name: str) -> None:
    # SI brochure, 9th edition, table 7
    assert parse(f"2.5 {prefix}{name}", unit) == pytest.approx(2.5 * factor, rel=1e-14)
    if (prefix, unit) != ("f", "F"):  # a lone f after a capacitance is refused
        assert parse(f"2.5{prefix}", unit) == pytest.approx(2.5 * factor, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "unit", "word"),
    [
        ("4k7 Hz", "ohm", "resistance"), ("1meg", "ohm", "1M"), ("1 MEG", "ohm", "1M"),
        ("1,000", "ohm", "ambiguous"), ("1,000,000", "ohm", "comma"), ("1,234.5", "ohm", "comma"),
        ("5 Vpp", "V", "RMS"), ("5 V p-p", "V", "RMS"), ("5 V pk", "V", "RMS"),
        ("-61 dB", "V", "relative"), ("-10 dBm", "V", "600 ohm"), ("-38 dBV", "dB", "level"),
        ("33 f", "F", "farad"), ("10 mfd", "F", "µF"), ("4E7", "ohm", "4R7"), ("47 kF", "ohm", "F"),
        ("20 Hz", "s", "time"), ("20", "volt", ""), ("4k7k", "ohm", "understood"),
        ("4.7.3", "V", "understood"), ("1 2", "V", "understood"), ("0x10", "V", "understood"),
        ("1_000", "V", "understood"), ("٣", "V", "understood"), ("nan", "V", "understood"),
        ("inf", "V", "understood"), ("1e999", "V", "finite"), ("1e99999 dB", "%", "finite"),
        ("", "V", "missing"), ("yes", "V", "understood"), ("1:30", "s", "understood"),
        ("5R6", "F", "capacitance"), ("k", "ohm", "understood"), ("--5", "V", "understood"),
        ("5 %", "dB", "level"), ("5 V", "%", "percentage"), ("1 S", "s", "understood"),
    ],
)
def test_refuses(text: str, unit: str, word: str) -> None:
    if unit == "volt":  # a unit that the program does not have is a mistake of ours, not the user's
        with pytest.raises(KeyError):
            parse(text, unit)
        return
    with pytest.raises(InputError) as caught:
        parse(text, unit)
    assert word in caught.value.render()


@pytest.mark.parametrize("value", [True, None, math.nan, -math.inf, [1], 10**400])
@pytest.mark.parametrize("unit", ["V", "%"])
def test_refuses_what_is_no_number(value: object, unit: str) -> None:
    with pytest.raises(InputError):
        parse(value, unit)  # type: ignore[arg-type]  # the point of the test


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4.7 kΩ"), (33e-6, "F", "33 µF"), (4.7e-3, "F", "4700 µF"),
        (12e-9, "s", "12 ns"), (-61.0, "dB", "-61.0 dB"), (0.0024, "%", "0.24 %"),
        (20.0, "Hz", "20 Hz"), (1000.0, "Hz", "1 kHz"), (999.96, "Hz", "1 kHz"), (0.0, "V", "0 V"),
        (13e6, "V/s", "13 V/µs"), (-1e-4, "dB", "0.00 dB"), (5e-3, "V", "5 mV"),
        (1e-6, "A", "1 µA"), (40.0, "", "40"), (1.5, "bit", "1.5 bit"), (-12.3, "deg", "-12.3°"),
        (100.0, "ohm", "100 Ω"), (math.nan, "V", "nan V"),
    ],
)
def test_renders(value: float, unit: str, text: str) -> None:
    assert render(value, unit) == text


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    st.floats(1e-18, 1e15) | st.floats(-1e15, -1e-18) | st.just(0.0),
    st.sampled_from(["V", "A", "ohm", "F", "H", "Hz", "s", "W", "%", "", "deg", "V/s"]),
    st.integers(1, 7),
)
def test_comes_back(value: float, unit: str, digits: int) -> None:
    assert parse(render(value, unit, digits), unit) == pytest.approx(
        value, rel=0.51 * 10.0 ** (1 - digits)
    )


@settings(derandomize=True, deadline=None)
@given(st.floats(-200, 200))
def test_levels_come_back(value: float) -> None:
    assert parse(render(value, "dB"), "dB") == pytest.approx(value, abs=0.051)


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.text(max_size=12) | st.from_regex(r"[-+]?[0-9.,]{1,5} ?[a-zA-Zµ%/]{0,5}", fullmatch=True))
def test_any_text_gives_a_number_or_a_message(text: str) -> None:
    for unit in ("V", "ohm", "F", "%", "dB", "s", "W", "V/s", ""):
        try:
            value = parse(text, unit)
        except InputError:
            continue
        assert math.isfinite(value)


@settings(derandomize=True, deadline=None)
@given(st.decimals("0.001", "999", places=3), st.sampled_from(["p", "n", "u", "m", "k", "M"]))
def test_the_float_is_the_nearest_one(number: Decimal, prefix: str) -> None:
    # Python's own decimal arithmetic rounds once; 33 µF must equal 33e-6 exactly
    power = {"p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6}[prefix]
    assert parse(f"{number}{prefix}", "V") == float(number.scaleb(power))


HALVES = {
    ("1.4 V", "V"): 0.05, ("1.400 V", "V"): 0.0005, ("24 V", "V"): 0.5, ("47k", "ohm"): 500.0,
    ("4k7", "ohm"): 50.0, ("4R70", "ohm"): 0.005, ("33 µF", "F"): 0.5e-6, ("1e-3", "V"): 0.5e-3,
    ("300 mV", "V"): 0.5e-3, ("1.0e-6", "V"): 0.05e-6, ("-61 dB", "dB"): 0.5, ("0.24 %", "%"): 5e-5,
    ("0,125", "V"): 0.0005, ("\u221212.5 deg", "deg"): 0.05, ("5V6", "V"): 0.05,
    ("0.00", "V"): 0.005, (".5 V", "V"): 0.05, ("3. V", "V"): 0.5, ("20.50 dB", "dB"): 0.005,
}
"""Half a unit of the last digit written, from the text by hand."""


@pytest.mark.parametrize(("written", "half"), HALVES.items())
def test_half_a_unit_of_the_last_digit(written: tuple[str, str], half: float) -> None:
    text, unit = written
    more = half_digit(text)
    assert more is not None
    assert abs(parse(more, unit) - parse(text, unit)) == pytest.approx(half, rel=1e-9)


def test_a_bare_nought_does_not_say_how_far_it_was_read() -> None:
    assert half_digit("0 V") is None
    assert half_digit("OL") is None
