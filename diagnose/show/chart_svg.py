"""A panel of a `diagnose.show.figure.Figure` as SVG: for the page and for the report.

Drawn at the size that it is shown at, so that its text stays legible on a narrow screen. Colours,
dashes and weights are classes (`STYLE`), so that a page can be light, dark or printed. Every line
differs from the others in colour, dash and marker; the band of healthy units has edges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from circuits.quantity import render
from diagnose.show.figure import DASHES, PALETTE, Axis, Panel, Series

TEXT_SIZE = 13.0
"""Height of the letters, CSS pixels."""
_CHARACTER = 0.58 * TEXT_SIZE
"""Usual width of a letter, CSS pixels: the server cannot measure one."""
_ROW = 19.0
"""Height of a line of words under the axes, CSS pixels."""
_TOP = 10.0
"""Room above the axes, CSS pixels, for half of the uppermost mark."""
_MARKS = ("circle", "square", "triangle", "diamond", "down", "plus", "cross")
_DARK = ("#e8e6e0", "#5db0e6", "#ff8a4a", "#33c79a", "#e39ac6", "#f0b440", "#8fd0f5")
"""`PALETTE` made lighter for a dark ground, hue by hue."""


def _dash(k: int) -> str:
    dash = DASHES[k]
    if isinstance(dash, tuple):
        return " ".join(f"{2.0 * length:g}" for length in dash[1])
    return {"-": "none", "--": "7 4", "-.": "8 3 2 3", ":": "2 3"}[str(dash)]


STYLE = "\n".join([
    ".chart { max-width: 100%; height: auto; }",
    f".chart text {{ font-size: {TEXT_SIZE:g}px; fill: currentColor; }}",
    ".chart .grid { stroke: currentColor; stroke-opacity: .16; }",
    ".chart .frame { fill: none; stroke: currentColor; stroke-opacity: .5; }",
    ".chart .band { fill: #56b4e9; fill-opacity: .22; stroke: currentColor; stroke-opacity: .55;"
    " stroke-dasharray: 1 3; }",
    ".chart .line { fill: none; stroke-width: 1.8; }",
    ".chart .mark { stroke-width: 1.6; }",
    *(f".chart .s{k} .line {{ stroke-dasharray: {_dash(k)}; }}" for k in range(len(PALETTE))),
    *(f".chart .s{k} {{ --ink: {PALETTE[k]}; stroke: var(--ink); }}" for k in range(len(PALETTE))),
    *(f"[data-theme=dark] .chart .s{k} {{ --ink: {_DARK[k]}; }}" for k in range(len(PALETTE))),
    "@media (prefers-color-scheme: dark) {",
    *(f"  :root:not([data-theme=light]) .chart .s{k} {{ --ink: {_DARK[k]}; }}"
      for k in range(len(PALETTE))),
    "}",
    "@media print {",
    *(f"  :root .chart .s{k}.s{k} {{ --ink: {PALETTE[k]}; }}" for k in range(len(PALETTE))),
    "}",
    ".chart .mark.filled { fill: var(--ink); }",
    ".chart .mark { fill: none; }",
])
"""What a page or report must hold for the charts in it."""


@dataclass(frozen=True)
class _Scale:
    """Values to pixels along one axis."""

    axis: Axis
    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        low, high = self._inner(self.low), self._inner(self.high)
        share = (self._inner(value) - low) / ((high - low) or 1.0)
        if self.axis.falling:
            share = 1.0 - share
        return self.start + share * (self.stop - self.start)

    def _inner(self, value: float) -> float:
        return math.log10(max(value, 1e-30)) if self.axis.logarithmic else value

    def ticks(self, most: int) -> list[tuple[float, str]]:
        if self.axis.words:
            return list(self.axis.words)
        places = _decades if self.axis.logarithmic else _steps
        return [(x, render(x, self.axis.unit)) for x in places(self.low, self.high, most)]


def chart(panel: Panel, width: float = 520.0, height: float = 300.0) -> str:
    """Draw one panel.

    Parameters
    ----------
    width, height : float
        CSS pixels.

    Returns
    -------
    str
        An ``<svg>`` whose lines are ``<g class="series" data-label="…">`` with the values of each
        point in ``data-x`` and ``data-y``, SI units.
    """
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "class": "chart", "role": "img",
        "aria-label": _summary(panel), "width": f"{width:g}", "height": f"{height:g}",
        "viewBox": f"0 0 {width:g} {height:g}",
    })
    legend = _legend(panel, width)
    bottom = height - _ROW * (1 + (bool(panel.x.label))) - _ROW * len(legend)
    low, high = _reach(panel, "y")
    y = _Scale(panel.y, low, high, bottom, _TOP)
    marks = y.ticks(max(2, int((bottom - _TOP) / 34.0)))
    left = 10.0 + _CHARACTER * max((len(word) for _, word in marks), default=4)
    x = _Scale(panel.x, *_reach(panel, "x"), left, width - 16.0)
    _grid(root, x, y, marks, bottom)
    for band in panel.bands:
        around = [*zip(band.x, band.high, strict=True),
                  *reversed(list(zip(band.x, band.low, strict=True)))]
        shape = ET.SubElement(root, "path", {
            "class": "band", "d": _path(around, x, y) + "Z", "data-label": band.label,
            "data-x": _data(band.x), "data-low": _data(band.low), "data-high": _data(band.high),
        })
        ET.SubElement(shape, "title").text = band.label
    for k, line in enumerate(panel.series):
        root.append(_series(line, k, x, y))
    ET.SubElement(root, "rect", {
        "class": "frame", "x": f"{left:g}", "y": f"{_TOP:g}", "width": f"{x.stop - left:.1f}",
        "height": f"{bottom - _TOP:.1f}",
    })
    if panel.x.label:
        _text(root, panel.x.label, (left + x.stop) / 2.0, bottom + 2 * _ROW - 4.0, "middle")
    for row, entries in enumerate(legend):
        foot = height - _ROW * (len(legend) - row) + 13.0
        _legend_row(root, entries, foot)
    return ET.tostring(root, encoding="unicode")


def _summary(panel: Panel) -> str:
    names = ", ".join([*(s.label for s in panel.series), *(b.label for b in panel.bands)])
    over = f" over {panel.x.label}" if panel.x.label else ""
    return f"{panel.title}: {panel.y.label}{over}; {names}"


def _data(values: Iterable[float]) -> str:
    return " ".join(f"{v:.6g}" for v in values)


def _reach(panel: Panel, which: str) -> tuple[float, float]:
    """The least and the greatest of one axis, with some room where it is vertical."""
    axis = panel.x if which == "x" else panel.y
    values = [v for s in panel.series for v in getattr(s, which)]
    for band in panel.bands:
        values += band.x if which == "x" else (*band.low, *band.high)
    values += [place for place, _ in axis.words]
    values = [v for v in values if math.isfinite(v) and (v > 0.0 or not axis.logarithmic)]
    if not values:
        return (1.0, 10.0) if axis.logarithmic else (0.0, 1.0)
    low, high = min(values), max(values)
    if axis.logarithmic:
        room = 1.6 if which == "y" or low == high else (high / low) ** 0.02
        return low / room, high * room
    room = 0.06 * (high - low) if which == "y" else 0.0
    if high - low <= 1e-9 * max(abs(high), 1e-9):
        room = max(0.1 * abs(high), 0.5 if axis.unit == "dB" else 1e-3)
    if which == "y" and axis.unit == "dB":
        room = max(room, (1.0 - (high - low)) / 2.0)
    if which == "x" and axis.words:
        room = 0.4
    return low - room, high + room


def _steps(low: float, high: float, most: int) -> list[float]:
    """Round values between two, at most so many."""
    raw = (high - low) / max(most, 1)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * k for k in (1.0, 2.0, 5.0, 10.0) if size * k >= raw * (1.0 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def _decades(low: float, high: float, most: int) -> list[float]:
    """Powers of ten between two, with 2 and 5 of each where there is room for them."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for factors in ((1.0, 2.0, 5.0), (1.0, 3.0), (1.0,)):
        marks = [f * 10.0**k for k in range(first, last + 1) for f in factors]
        marks = [v for v in marks if low * 0.999 <= v <= high * 1.001]
        if len(marks) <= max(most, 2):
            break
    if len(marks) < 2:
        return _steps(low, high, min(most, 4))
    return marks[:: math.ceil(len(marks) / max(most, 2))]


def _grid(
    root: ET.Element, x: _Scale, y: _Scale, marks: Sequence[tuple[float, str]], bottom: float
) -> None:
    for value, word in marks:
        place = y.at(value)
        _line(root, x.start, place, x.stop, place)
        _text(root, word, x.start - 6.0, place + 4.5, "end")
    room = max(2, int((x.stop - x.start) / 74.0))
    for value, word in x.ticks(room):
        place = x.at(value)
        _line(root, place, _TOP, place, bottom)
        half = _CHARACTER * len(word) / 2.0
        at = min(max(place, x.start + half - 24.0), x.stop + 14.0 - half)
        _text(root, word, at, bottom + _ROW - 4.0, "middle")


def _line(root: ET.Element, x1: float, y1: float, x2: float, y2: float) -> None:
    ET.SubElement(root, "path", {"class": "grid", "d": f"M{x1:.1f},{y1:.1f}L{x2:.1f},{y2:.1f}"})


def _text(root: ET.Element, words: str, x: float, y: float, anchor: str = "start") -> None:
    element = ET.SubElement(root, "text", {
        "x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor,
    })
    element.text = words


def _path(points: Iterable[tuple[float, float]], x: _Scale, y: _Scale) -> str:
    drawn = (f"{x.at(a):.1f},{y.at(b):.1f}" for a, b in points if math.isfinite(b))
    return "M" + "L".join(drawn)


def _series(line: Series, k: int, x: _Scale, y: _Scale) -> ET.Element:
    group = ET.Element("g", {
        "class": f"series s{k % len(PALETTE)}", "data-label": line.label,
        "data-x": _data(line.x), "data-y": _data(line.y),
    })
    points = list(zip(line.x, line.y, strict=True))
    if line.joined and len(points) > 1:
        ET.SubElement(group, "path", {"class": "line", "d": _path(points, x, y)})
    if not line.joined or len(points) < 12:
        for a, b in points:
            if math.isfinite(b):
                mark = _mark(k, x.at(a), y.at(b), not line.joined)
                value = render(b, y.axis.unit)
                at = f" at {render(a, x.axis.unit)}" if not x.axis.words else ""
                ET.SubElement(mark, "title").text = f"{line.label}: {value}{at}"
                group.append(mark)
    return group


def _mark(k: int, x: float, y: float, filled: bool) -> ET.Element:
    kind = "mark filled" if filled else "mark"
    r = 4.0
    match _MARKS[k % len(_MARKS)]:
        case "circle":
            return ET.Element("circle", {"class": kind, "cx": f"{x:.1f}", "cy": f"{y:.1f}",
                                         "r": f"{r:g}"})
        case "square":
            shape = f"M{x - r:.1f},{y - r:.1f}h{2 * r}v{2 * r}h{-2 * r}Z"
        case "triangle":
            shape = f"M{x:.1f},{y - r - 1:.1f}l{r + 1},{2 * r}h{-2 * r - 2}Z"
        case "diamond":
            shape = f"M{x:.1f},{y - r - 1:.1f}l{r + 1},{r + 1}l{-r - 1},{r + 1}l{-r - 1},{-r - 1}Z"
        case "down":
            shape = f"M{x:.1f},{y + r + 1:.1f}l{r + 1},{-2 * r}h{-2 * r - 2}Z"
        case "plus":
            shape = f"M{x - r:.1f},{y:.1f}h{2 * r}M{x:.1f},{y - r:.1f}v{2 * r}"
        case _:
            shape = f"M{x - r:.1f},{y - r:.1f}l{2 * r},{2 * r}m{-2 * r},0l{2 * r},{-2 * r}"
    return ET.Element("path", {"class": kind, "d": shape})


def _legend(panel: Panel, width: float) -> list[list[tuple[float, int, str, bool]]]:
    """Rows of (place, number of the series or -1, words, joined)."""
    entries = [(k, s.label, s.joined) for k, s in enumerate(panel.series)]
    entries += [(-1, band.label, True) for band in panel.bands]
    rows: list[list[tuple[float, int, str, bool]]] = [[]]
    at = 8.0
    for number, words, joined in entries:
        most = int((width - 44.0) / _CHARACTER)
        words = words if len(words) <= most else words[: most - 1] + "…"
        wide = 34.0 + _CHARACTER * len(words) + 18.0
        if rows[-1] and at + wide - 18.0 > width:
            rows.append([])
            at = 8.0
        rows[-1].append((at, number, words, joined))
        at += wide
    return rows if len(entries) > 1 else []


def _legend_row(
    root: ET.Element, entries: Sequence[tuple[float, int, str, bool]], foot: float
) -> None:
    for at, number, words, joined in entries:
        if number < 0:
            ET.SubElement(root, "rect", {"class": "band", "x": f"{at:g}", "y": f"{foot - 9:g}",
                                         "width": "26", "height": "9"})
        else:
            group = ET.SubElement(root, "g", {"class": f"s{number % len(PALETTE)}"})
            if joined:
                ET.SubElement(group, "path", {"class": "line", "d": f"M{at:g},{foot - 4:g}h26"})
            group.append(_mark(number, at + 13.0, foot - 4.0, not joined))
        _text(root, words, at + 33.0, foot)
