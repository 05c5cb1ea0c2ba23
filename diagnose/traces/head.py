"""What stands above the numbers of a trace: headings, units, and lines such as a sample interval.

Oscilloscopes and their programs write it in many ways: a pair a line, pairs in columns of their
own beside the first points, a row of words above a row of their values, units in the heading or in
a second row. Words of all these are told by their sense; what is not known is passed over.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from circuits.yamlfile import Text
from diagnose.sheet.cells import Line

SECONDS: Mapping[str, float] = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "ns": 1e-9,
    "ps": 1e-12,
}
"""Units of time in small letters, in s."""
VOLTS: Mapping[str, tuple[str, float]] = {
    "v": ("V", 1.0), "volt": ("V", 1.0), "volts": ("V", 1.0), "vdc": ("V", 1.0),
    "mv": ("V", 1e-3), "uv": ("V", 1e-6), "µv": ("V", 1e-6), "μv": ("V", 1e-6), "kv": ("V", 1e3),
    "a": ("A", 1.0), "amp": ("A", 1.0), "ampere": ("A", 1.0), "amps": ("A", 1.0),
    "ma": ("A", 1e-3),
}
"""Units of a channel in small letters: what they are of, and how much."""
_RATES: Mapping[str, float] = {
    f"{prefix}{word}": size
    for word in ("sa/s", "s/s", "sps", "hz", "samples/s")
    for prefix, size in (("", 1.0), ("k", 1e3), ("m", 1e6), ("g", 1e9))
}
"""Units of a sampling rate in small letters: no scope takes a thousandth of a sample a second."""
_FURTHER = ("hz", "khz", "mhz", "db", "deg", "°", "degrees", "dbv", "dbm", "dbu", "vpp", "mvpp",
            "vrms")
"""Further units, of sweeps, in small letters."""
_TIME = re.compile(r"^(time|t|x|x[- _]?axis|seconds?|secs?|s)\b", re.IGNORECASE)
_COUNT = re.compile(r"^(sequence|samples?|index|points?|no\.?|nr\.?|n|#)$", re.IGNORECASE)
_FREQUENCY = re.compile(r"^(f|freq\w*)\b", re.IGNORECASE)
_INTERVAL = re.compile(
    r"\b(sampl\w*|horizontal|time)[ _-]*(interval|incr\w*|period|step|resolution)\b"
    r"|\bx[- _]?inc\w*|^incr\w*$|^dt$|\bdelta[ _-]?[tx]?$|^interval$", re.IGNORECASE)
_RATE = re.compile(r"\bsampl\w*[ _-]*(rate|freq\w*)\b|^fs$", re.IGNORECASE)
_START = re.compile(r"^start( time)?$|\bx[- _]?(zero|orig\w*)|^t0$", re.IGNORECASE)
_LENGTH = re.compile(
    r"\b(record|memory|waveform)[ _-]*(length|size|points)\b|^(number of )?(points|samples)$",
    re.IGNORECASE)
_NUMBER = re.compile(r"[-+]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][-+]?[0-9]+)?")


@dataclass(frozen=True)
class Heading:
    """The head of one column: its name without the unit, and the unit as it is written."""

    name: str
    unit: str

    @property
    def is_time(self) -> bool:
        """Whether it is of times."""
        return not self.is_frequency and not self.is_count and (
            self.unit.lower() in SECONDS or _TIME.match(self.name) is not None)

    @property
    def is_count(self) -> bool:
        """Whether the column only counts its rows."""
        return any(_COUNT.match(word) for word in (self.name, self.unit))

    @property
    def is_frequency(self) -> bool:
        """Whether it is of frequencies, so that the file is a sweep."""
        return self.unit.lower() in ("hz", "khz", "mhz") or _FREQUENCY.match(self.name) is not None


@dataclass(frozen=True)
class Head:
    """What stands above the numbers.

    Attributes
    ----------
    columns : tuple of Heading
        Of the columns that hold numbers.
    interval : float
        s between two points, where that is said; 0 where not.
    start : float
        s, of the first point.
    length : int
        Points that there should be; 0 where that is not said.
    """

    columns: tuple[Heading, ...]
    interval: float = 0.0
    start: float = 0.0
    length: int = 0


def read_head(
    above: Sequence[Line], beside: Sequence[Sequence[Text]], separator: str, places: Sequence[int],
) -> Head:
    """The head of a trace.

    Parameters
    ----------
    above : sequence of Line
        The lines above the first row of numbers.
    beside : sequence of sequence of Text
        Cells of the first rows left of the numbers, where pairs may stand.
    places : sequence of int
        The columns of the numbers.
    """
    rows = [[_plain(cell) for cell in line.cells(separator)] for line in above]
    whole = [[line.text.strip('#%/; "')] for line in above]
    said = _pairs([*whole, *rows, *([cell.value for cell in row] for row in beside)])
    interval = _said(said, _INTERVAL, SECONDS)
    rate = _said(said, _RATE, _RATES)
    if not interval and rate > 0.0:
        interval = 1.0 / rate
    return Head(
        _columns(rows, places), abs(interval), _said(said, _START, SECONDS),
        round(_said(said, _LENGTH, {})),
    )


def _plain(cell: Text) -> str:
    return cell.value.lstrip("#%/; ").strip()


def _pairs(rows: Sequence[Sequence[str]]) -> list[tuple[str, float, str]]:
    """Words with the number beside or below them, and the unit behind that."""
    found = []
    for k, row in enumerate(rows):
        for c, cell in enumerate(row):
            word, mark, behind = cell.partition(":") if ":" in cell else cell.partition("=")
            inside = _number(behind.strip()) if mark else None
            if inside is not None:
                found.append((word.strip(), *inside))
                continue
            word = cell.rstrip(":= ")
            if not word or _number(word) is not None:
                continue
            beside = _number(row[c + 1]) if c + 1 < len(row) else None
            below = rows[k + 1] if k + 1 < len(rows) else ()
            if beside is not None:
                unit = row[c + 2] if c + 2 < len(row) and not beside[1] else ""
                found.append((word, beside[0], beside[1] or unit))
            elif c < len(below) and (under := _number(below[c])) is not None:
                found.append((word, *under))
    return found


def _number(text: str) -> tuple[float, str] | None:
    """A number with the unit behind it; None for a word."""
    match = _NUMBER.match(text)
    if match is None:
        return None
    unit = text[match.end() :].strip()
    if unit and not re.fullmatch(r"[A-Za-zµμ/]{1,9}", unit):
        return None
    return float(match[0].replace(",", ".")), unit


def _said(
    pairs: Sequence[tuple[str, float, str]], sense: re.Pattern[str], units: Mapping[str, float]
) -> float:
    for word, number, unit in pairs:
        inner = re.search(r"[(\[]([^)\]]*)[)\]]", word)
        named = unit or (inner[1] if inner else "")
        if sense.search(word.split("(")[0].split("[")[0].strip()):
            return number * units.get(named.lower(), 1.0)
    return 0.0


def _columns(rows: Sequence[Sequence[str]], places: Sequence[int]) -> tuple[Heading, ...]:
    """Names and units: the last row of words in these columns, and one of units below it."""
    wide = [row for row in rows
            if len(row) > max(places) and all(_number(row[p]) is None or p != places[0]
                                              for p in places)
            and any(row[p] for p in places)]
    if not wide:
        return tuple(Heading("", "") for _ in places)
    last = wide[-1]
    if len(wide) > 1 and all(_is_unit(last[p]) for p in places):
        names = wide[-2]
        return tuple(Heading(names[p], last[p].strip("()[] ")) for p in places)
    return tuple(Heading(*_split(last[p])) for p in places)


def _is_unit(word: str) -> bool:
    """Whether a word is a unit, or says that the column below counts its rows."""
    plain = word.strip("()[] ").lower()
    known = (SECONDS, VOLTS, _FURTHER)
    return not plain or any(plain in words for words in known) or bool(_COUNT.match(plain))


def _split(heading: str) -> tuple[str, str]:
    """A heading without its unit, and the unit: ``CH1 (mV)``, ``Time[s]``, ``CH1_V``, ``Volt``."""
    match = re.fullmatch(r"(.*?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]\s*", heading)
    if match and _is_unit(match[2]):
        return match[1].strip(), match[2]
    match = re.fullmatch(r"(.*[^\s_,/])[\s_,/]+(\S+)", heading)
    if match and match[2].lower() != "a" and _is_unit(match[2]):  # channel A is no current
        return match[1].strip(), match[2]
    return (heading, heading) if heading and _is_unit(heading) else (heading, "")
