"""Unit text to SI floats and back: the only place that knows what ``4k7`` or ``-38 dBV`` means.

Text is read by full match or not at all: a number that is nearly understood is the most expensive
mistake on a bench sheet. Prefixes are those of the SI brochure, ``M`` is mega and ``m`` is milli,
always; codes such as ``4k7`` and ``R47`` are those of IEC 60062; ``0 dBu`` is the voltage that
drives 1 mW into 600 ohm, √0.6 V.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

from circuits.errors import InputError

PREFIXES = {
    "f": -15, "p": -12, "n": -9, "u": -6, "\u00b5": -6, "\u03bc": -6, "m": -3,
    "": 0, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12,
}
"""SI prefixes as powers of ten; both code points of µ, and K as schematics print it."""

_EXAMPLES = {
    "V": "a voltage, such as 24, 5 mV, 14.1 V rms or -38 dBV",
    "A": "a current, such as 40m or 1.2 A",
    "ohm": "a resistance, such as 4k7, 4.7 kohm or 2R2",
    "F": "a capacitance, such as 33n, 4u7 or 1000 µF",
    "H": "an inductance, such as 22 mH",
    "Hz": "a frequency, such as 50 Hz or 1k",
    "s": "a time, such as 3.1 us",
    "W": "a power, such as 20 W",
    "%": "a percentage, such as 0.24 %, or a ratio in dB, such as -52 dB",
    "dB": "a level in dB, such as -61 dB",
    "deg": "an angle in degrees, such as -12 deg",
    "": "a plain number, such as 0.5 or 1e-14",
    "V/s": "a slew rate, such as 13 V/us",
}
"""What each unit's text looks like; the keys are the units that `parse` takes."""

_SPELLINGS = {
    "V": r"[Vv](?:olts?)?(?:\s?\(?(?:rms|RMS|dc|DC|ac|AC)\)?)?",
    "A": r"[Aa](?:mps?)?(?:\s?\(?(?:rms|RMS|dc|DC|ac|AC)\)?)?",
    "ohm": r"(?:[Oo]hms?|OHMS?|\u03a9|\u2126|R)",
    "F": r"F",
    "H": r"[Hh]",
    "Hz": r"(?:Hz|hz|HZ)",
    "s": r"s(?:ec)?",
    "W": r"[Ww](?:\s?(?:rms|RMS))?",
    "": r"",
}
"""How units that take a prefix are written."""

_BARE = {
    "%": r"%|percent|per cent",
    "dB": r"d[Bb][cr]?|DB",
    "deg": r"deg|degrees?|\u00b0",
    "dBV": r"dBV",
    "dBu": r"dBu",
    "dBm": r"dBm",
    "dBW": r"dBW",
}
"""How units that take none are written."""

_FLOAT = r"[0-9]+(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?|\.[0-9]+(?:[eE][+-]?[0-9]+)?"
_PREFIX = "[fpnu\u00b5\u03bcmkKMGT]"
_NUMBER = re.compile(rf"([+-]?)({_FLOAT})\s?(.*)", re.DOTALL)
_CODE = re.compile(rf"([+-]?)([0-9]*)({_PREFIX}|[RFV])([0-9]+)\s?(.*)", re.DOTALL)
_POINTS = {"R": "ohm", "F": "F", "V": "V"}
_SUFFIX = {
    unit: re.compile(rf"({_PREFIX}?)\s?(?:{spelling})?") for unit, spelling in _SPELLINGS.items()
}
_FULL = {
    unit: re.compile(rf"({_PREFIX}?)\s?{spelling}") for unit, spelling in _SPELLINGS.items() if unit
}
_PLAIN = {unit: re.compile(spelling) for unit, spelling in _BARE.items()}
_SLEW = re.compile(rf"({_PREFIX}?)V\s?/\s?({_PREFIX}?)s")
_DBU_VOLT = math.sqrt(0.6)
"""V RMS at 0 dBu: 1 mW in 600 ohm."""


def parse(text: str | int | float, unit: str) -> float:
    """A quantity written by a person, as an SI float.

    Parameters
    ----------
    text : str, int or float
        ``4k7``, ``33 µF``, ``0.24 %``, ``-61 dB``, ``1e3``; a bare number is in `unit`.
    unit : str
        What is wanted: ``V A ohm F H Hz s W % dB deg V/s`` or empty for a pure number. A ``%``
        quantity is a ratio inside: ``0.24 %`` and a bare 0.24 are 0.0024, ``-52 dB`` is
        10^(-52/20).

    Returns
    -------
    float
        Finite.

    Raises
    ------
    InputError
        When the text is not wholly understood, or is of another dimension.
    """
    expected = _EXAMPLES[unit]
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise InputError(f"{text!r} is not a quantity", expected=expected)
    if not isinstance(text, str):
        value = float(text) if abs(text) < 1e300 else math.inf
        if unit == "%" and math.isfinite(value):
            value = _scaled(repr(value), -2)
    else:
        value = _read(text, unit, expected)
    if not math.isfinite(value):
        raise InputError(f"{text!r} is not a finite number", expected=expected)
    return value


_DIGITS = re.compile(r"([+\-\u2212]?)([0-9]+(?:\.[0-9]*)?|\.[0-9]+)")


def half_digit(text: str) -> str | None:
    """The text with half a unit of the last digit written added to its size.

    ``1.4 V`` is then ``1.45 V``, ``24 V`` ``24.5 V``, ``4k7`` ``4k75`` and ``1e-3`` ``1.5e-3``. All
    digits count that are written, noughts at the end too: who writes 300 mV has not read 0.3 V.

    Parameters
    ----------
    text : str
        That `parse` reads.

    Returns
    -------
    str or None
        None for a nought without decimals, of which nobody knows how far it was read.
    """
    word = re.sub(r"(?<=[0-9]),(?=[0-9])", ".", text.strip())
    code = _CODE.fullmatch(word)
    if code:
        end = code.end(4)
        return f"{word[:end]}5{word[end:]}"
    match = _DIGITS.match(word)
    if not match or not match[2].strip("0"):
        return None
    point = "" if "." in match[2] else "."
    return f"{match[0]}{point}5{word[match.end():]}"


def _read(text: str, unit: str, expected: str) -> float:
    word = re.sub(r"[\s\u00a0\u2009\u202f]+", " ", text).strip().replace("\u2212", "-")
    if not word:
        raise InputError("a value is missing here", expected=expected)
    if len(word) > 60:
        raise InputError("this is too long for a quantity", expected=expected)
    word = _decimal_point(word, text, expected)
    if unit == "ohm" and re.fullmatch(r"[0-9]+E[0-9]+\D*", word):
        raise InputError(
            f"{text!r} can be read as a code or as a power of ten",
            expected="4R7 for 4.7 ohm, or 4e7 for forty million",
        )
    code = _CODE.fullmatch(word)
    if code:
        sign, whole, letter, part, rest = code.groups()
        number = f"{sign}{whole or '0'}.{part}"
        if letter not in _POINTS:
            # a code has its prefix already: 4k7 may be followed by the unit, not by another prefix
            if not rest or (unit in _SPELLINGS and re.fullmatch(_SPELLINGS[unit], rest)):
                return _scaled(number, PREFIXES[letter])
        elif _POINTS[letter] == unit and not rest:
            return float(number)
        raise _refusal(text, letter + rest if letter in _POINTS else rest, unit, expected)
    match = _NUMBER.fullmatch(word)
    if not match:
        raise _refusal(text, "", unit, expected)
    sign, digits, rest = match.groups()
    return _with_suffix(sign + digits, rest.strip(), text, unit, expected)


def _decimal_point(word: str, text: str, expected: str) -> str:
    """The word with a decimal comma made a point, where a comma can mean nothing else."""
    if "," not in word:
        return word
    if word.count(",") > 1 or "." in word or not re.search(r"[0-9],[0-9]", word):
        raise InputError(
            f"{text!r} has a comma that cannot be read", expected=f"{expected}; no grouping marks"
        )
    if re.match(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}(?![0-9])", word):
        raise InputError(
            f"{text!r} is ambiguous: the comma may mark decimals or thousands",
            expected="a decimal point, and no mark between thousands",
        )
    return word.replace(",", ".")


def _scaled(number: str, power: int) -> float:
    """The float nearest to a decimal number times a power of ten."""
    mantissa, _, exponent = number.lower().partition("e")
    return float(f"{mantissa}e{int(exponent or 0) + power}")


def _power(rest: str, unit: str) -> int | None:
    """The power of ten of what follows a number, or None where it is not of the unit."""
    if unit == "V/s":
        match = _SLEW.fullmatch(rest)
        if match:
            return PREFIXES[match[1]] - PREFIXES[match[2]]
        return PREFIXES.get(rest)
    pattern = _SUFFIX.get(unit)
    if pattern is None:
        return None
    match = pattern.fullmatch(rest)
    if match:
        return PREFIXES[match[1]]
    # makers and old drawings print 33 uf; a lone f would be femto, so a prefix must stand before it
    if unit == "F" and re.fullmatch(rf"{_PREFIX}f", rest):
        return PREFIXES[rest[0]]
    return None


def _with_suffix(number: str, rest: str, text: str, unit: str, expected: str) -> float:
    if unit == "F" and rest == "f":
        raise InputError(
            f"{text!r} may mean farads or femtofarads", expected="F for farad, fF for femtofarad"
        )
    power = _power(rest, unit)
    if power is not None:
        return _scaled(number, power)
    written = next((name for name, form in _PLAIN.items() if form.fullmatch(rest)), "")
    if unit in ("%", "dB", "deg") and not rest:
        written = unit
    value = _converted(number, written, unit)
    if value is None:
        raise _refusal(text, rest, unit, expected)
    return value


def _converted(number: str, written: str, unit: str) -> float | None:
    """A number in one of the units without prefixes, or None where it does not suit."""
    try:
        if written == unit and unit:
            return _scaled(number, -2 if unit == "%" else 0)
        match (unit, written):
            case ("", "%"):
                return _scaled(number, -2)
            case ("%", "dB") | ("V", "dBV"):
                return float(10.0 ** (float(number) / 20.0))
            case ("V", "dBu"):
                return float(_DBU_VOLT * 10.0 ** (float(number) / 20.0))
            case ("W", "dBW"):
                return float(10.0 ** (float(number) / 10.0))
            case ("W", "dBm"):
                return float(1e-3 * 10.0 ** (float(number) / 10.0))
            case _:
                return None
    except OverflowError:
        return math.inf


def _refusal(text: str, rest: str, unit: str, expected: str) -> InputError:
    """Why a text was not read, with the hint that fits."""
    rest = rest.strip()
    low = text.lower()
    if "meg" in low:
        return InputError(f"{text!r} is not read", expected="M for mega, such as 1M or 1 Mohm")
    if re.search(r"v\s?\(?(p-?p|pk-?pk|pk|peak|p)\b", low):
        return InputError(
            f"{text!r} is not an RMS value",
            expected="volts RMS; of a sine, peak to peak divided by 2.828",
        )
    if re.search(r"[0-9]\s?(mfd|mmf|uuf)", low):
        return InputError(f"{text!r} is not read", expected="µF or pF, such as 33 uF")
    if unit == "V" and rest in ("dBm", "dB"):
        return InputError(
            f"{text!r} is not a voltage",
            expected="dBV or dBu; 0 dBm into 600 ohm is 0 dBu, and dB alone is relative",
        )
    for other, form in (*_FULL.items(), *_PLAIN.items(), ("V/s", _SLEW)):
        if other != unit and rest and form.fullmatch(rest):
            return InputError(f"{text!r} is in {other}", expected=expected)
    return InputError(f"{text!r} is not understood", expected=expected)


def render(x: float, unit: str, digits: int = 3) -> str:
    """A quantity as people write it: ``4.7 kΩ``, ``33 µF``, ``-61.0 dB``, ``0.24 %``.

    Parameters
    ----------
    x : float
        SI; a ratio for ``%``.
    unit : str
        As in `parse`; any other word is printed after a plain number.
    digits : int
        Significant digits; levels in dB have one or two decimals with three digits.

    Returns
    -------
    str
        `parse` reads it back to within the digits.
    """
    sign = {"ohm": "Ω", "deg": "°"}.get(unit, unit)
    if not math.isfinite(x):
        return f"{x} {sign}".rstrip()
    if unit == "dB":
        whole = len(str(int(abs(x))))
        text = f"{x:.{max(digits - whole, 1)}f}"
        return (text.removeprefix("-") if float(text) == 0.0 else text) + " dB"
    if unit == "%":
        return _significant(x * 100.0, digits) + " %"
    if unit == "V/s":
        return _significant(x * 1e-6, digits) + " V/µs"
    if unit == "deg":
        return _significant(x, digits) + sign
    if unit not in _SPELLINGS or unit == "":
        return f"{_significant(x, digits)} {unit}".rstrip()
    rounded = float(f"{x:.{digits - 1}e}")
    if rounded == 0.0:
        return f"0 {sign}"
    exponent = 3 * math.floor(math.log10(abs(rounded)) / 3.0 + 1e-12)
    if unit == "F" and exponent == -3:
        exponent = -6  # nobody writes 4.7 mF on a drawing
    if not -15 <= exponent <= 12:
        return f"{rounded:.{digits}g} {sign}"
    letter = ("f", "p", "n", "µ", "m", "", "k", "M", "G", "T")[exponent // 3 + 5]
    return f"{_significant(rounded / 10.0**exponent, digits)} {letter}{sign}"


def to_step(x: float, unit: str, step: float) -> str:
    """A quantity to a step of its last digit, noughts at its end kept: ``1.390 V``, ``4.70 kohm``.

    Parameters
    ----------
    x : float
        SI.
    unit : str
        One that takes a prefix.
    step : float
        What the last digit is to be worth, about; SI.

    Returns
    -------
    str
        In signs of ASCII but for µ; `parse` reads it.
    """
    power = math.floor(math.log10(max(step, 1e-15)) + 1e-9)
    size = math.log10(max(abs(x), step, 1e-15))
    exponent = min(max(3 * math.floor(size / 3.0 + 1e-9), -15), 12)
    while exponent < power:  # noughts before the point would be digits that nobody read
        exponent += 3
    letter = ("f", "p", "n", "µ", "m", "", "k", "M", "G", "T")[exponent // 3 + 5]
    return f"{x / 10.0**exponent:.{exponent - power}f} {letter}{unit}"


def exact(value: float, unit: str) -> str:
    """The shortest text that is read back as exactly this value; of zero, no digit too many."""
    if value == 0.0:
        return f"0 {unit}".strip()
    for digits in range(3, 18):
        text = render(value, unit, digits).replace("Ω", "ohm")
        if parse(text, unit) == value:
            return text
    # shifting the decimal point keeps every digit, which multiplying by 100 would not
    return str(Decimal(repr(value)).scaleb(2 if unit == "%" else 0))


def _significant(x: float, digits: int) -> str:
    """Plain digits without needless zeros; a power of ten only far from one."""
    rounded = float(f"{x:.{digits - 1}e}")
    if rounded == 0.0:
        return "0"
    power = math.floor(math.log10(abs(rounded)) + 1e-12)
    if not -6 <= power <= 9:
        return f"{rounded:.{digits}g}"
    text = f"{rounded:.{max(digits - 1 - power, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
