"""A panel of a `diagnose.show.figure.Figure` as SVG: for the page and for the report.

Drawn at the size that it is shown at, so that its text stays legible on a narrow screen. Colours,
dashes and weights are classes (`STYLE`), so that a page can be light, dark or printed. Every line
differs from the others in colour, dash and marker; the band of healthy units has edges, and a limit
has teeth on the side where a value must not be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise
from xml.etree import ElementTree as ET

from circuits.quantity import render
from diagnose.show.axis import by_importance, fine, heading, marks
from diagnose.show.chart_cursor import cursors
from diagnose.show.chart_legend import ROW, arrow, legend, legend_row, mark, wall
from diagnose.show.chart_scale import Scale, View, reach_x, reach_y
from diagnose.show.chart_words import CHARACTER, TEXT_SIZE, text, width_of
from diagnose.show.figure import DASHES, PALETTE, Band, Bounds, Panel, Series

_TOP = 26.0
"""Room above the axes, CSS pixels, for what the upright one is of."""
_APART = 10.0
"""Least distance of two words along an axis, CSS pixels."""
_UP = 22.0
"""Least distance of two words upward, CSS pixels."""
_SPOT = 9.0
"""Half the width of a limit at one frequency, CSS pixels, and of a box at one."""
_BESIDE = 0.4
"""Of the way to the next box that a box takes to either side, at most."""
_FEW = 12
"""Points of a line that all have a mark."""
_MARKS_APART = 64.0
"""Between the marks along a line of more, CSS pixels."""
_OVER = 7.0
"""From a point up to the foot of its name, CSS pixels."""
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
    ".chart .fine { stroke: currentColor; stroke-opacity: .07; }",
    ".chart .limit { fill: none; stroke: currentColor; stroke-width: 1.7; }",
    ".chart .frame { fill: none; stroke: currentColor; stroke-opacity: .5; }",
    ".chart .band { fill: #56b4e9; fill-opacity: .22; stroke: currentColor; stroke-opacity: .55;"
    " stroke-dasharray: 1 3; }",
    ".chart .line { fill: none; stroke-width: 1.8; }",
    ".chart .fine-line { stroke-width: 1; stroke-dasharray: none; }",
    ".chart .mark, .chart .arrow { stroke-width: 1.6; }",
    ".chart .arrow { fill: none; }",
    ".chart text.named { stroke: none; font-size: 12px; font-weight: bold; fill: var(--ink); }",
    *(f".chart .s{k} .line {{ stroke-dasharray: {_dash(k)}; }}" for k in range(len(PALETTE))),
    *(f".chart .s{k} {{ --ink: {PALETTE[k]}; stroke: var(--ink); }}" for k in range(len(PALETTE))),
    *(f"[data-theme=dark] .chart .s{k} {{ --ink: {_DARK[k]}; }}" for k in range(len(PALETTE))),
    "@media (prefers-color-scheme: dark) {",
    *(f"  :root:not([data-theme=light]) .chart .s{k} {{ --ink: {_DARK[k]}; }}"
      for k in range(len(PALETTE))),
    "}",
    "@media print {",
    "  .chart .at { display: none; }",
    *(f"  :root .chart .s{k}.s{k} {{ --ink: {PALETTE[k]}; }}" for k in range(len(PALETTE))),
    "}",
    ".chart .mark { fill: none; }",
    ".chart .mark.filled { fill: var(--ink); }",
    ".chart .catch { fill: none; stroke: none; pointer-events: all; }",
    ".chart .hair, .chart .ring, .chart .told { visibility: hidden; pointer-events: none; }",
    ".chart:not(.steered) .at:hover :is(.hair, .ring, .told), .chart .here :is(.hair, .ring, .told)"
    " { visibility: visible; }",
    ".chart .hair { stroke: currentColor; stroke-width: 1; }",
    ".chart .ring { fill: none; stroke-width: 2; }",
    ".chart .paper { fill: Canvas; stroke: currentColor; stroke-opacity: .5; }",
    ".chart .told text { stroke: none; }",
    ".chart .told .strong { font-weight: bold; }",
    ".chart .told .key { fill: var(--ink, currentColor); stroke: none; }",
    ".chart .sweep { fill: currentColor; fill-opacity: .12; stroke: currentColor; }",
])
"""What a page or report must hold for the charts in it."""


def chart(
    panel: Panel, width: float = 520.0, height: float = 300.0, view: View | None = None,
    cursor: bool = True,
) -> str:
    """Draw one panel.

    Parameters
    ----------
    width, height : float
        CSS pixels.
    view : View, optional
        The part of it that is looked at, in place of everything.
    cursor : bool
        Whether it can be read place by place; what is drawn anew all the time cannot.

    Returns
    -------
    str
        An ``<svg>`` whose lines are ``<g class="series" data-label="…">`` with the values of each
        point in ``data-x`` and ``data-y``, SI units. ``data-plot`` tells where the axes are (left,
        right, top, bottom, CSS pixels) and ``data-reach`` between which values (x and y);
        ``data-whole`` is what the axis across reaches when everything is looked at.
    """
    view = view or View()
    words = legend(panel, width)
    bottom = height - ROW * (1 + bool(heading(panel.x))) - ROW * len(words)
    across = reach_x(panel, view)
    y = Scale(panel.y, *reach_y(panel, across, view), bottom, _TOP)
    told = _fitting(marks(panel.y, y.low, y.high, max(2, int((bottom - _TOP) / 34.0))), y)
    left = 10.0 + max((width_of(word) for _, word in told), default=4.0 * CHARACTER)
    x = Scale(panel.x, *across, left, width - 16.0)
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "class": "chart", "role": "img",
        "aria-label": _summary(panel), "width": f"{width:g}", "height": f"{height:g}",
        "viewBox": f"0 0 {width:g} {height:g}",
        "data-plot": _data((left, x.stop, _TOP, bottom)),
        "data-reach": _data((*across, y.low, y.high)),
        "data-whole": _data(reach_x(panel, View())),
        "data-logarithmic": f"{int(panel.x.logarithmic)} {int(panel.y.logarithmic)}",
    })
    if panel.x.falling:
        root.set("data-falling", "")
    _grid(root, x, y, told)
    # a picture in the picture: what is zoomed past its edge is cut off there
    size = {"width": f"{x.stop - left:.1f}", "height": f"{bottom - _TOP:.1f}"}
    inside = ET.SubElement(root, "svg", {
        "x": f"{left:.1f}", "y": f"{_TOP:g}", **size,
        "viewBox": f"{left:.1f} {_TOP:g} {size['width']} {size['height']}",
    })
    _drawn(inside, panel, x, y)
    _names(root, panel, x, y)
    ET.SubElement(root, "rect", {"class": "frame", "x": f"{left:.1f}", "y": f"{_TOP:g}", **size})
    text(root, heading(panel.y), 4.0, _TOP - 10.0)
    if panel.x.label:
        text(root, heading(panel.x), (left + x.stop) / 2.0, bottom + 2 * ROW - 4.0, "middle")
    for row, entries in enumerate(words):
        legend_row(root, entries, height - ROW * (len(words) - row) + 13.0)
    if cursor:
        root.extend(cursors(panel, x, y))
    return ET.tostring(root, encoding="unicode")


def _drawn(inside: ET.Element, panel: Panel, x: Scale, y: Scale) -> None:
    """Bands, limits and lines."""
    for band in panel.bands:
        if band.apart:
            inside.extend(_boxes(band, x, y))
            continue
        around = [*zip(band.x, band.high, strict=True),
                  *reversed(list(zip(band.x, band.low, strict=True)))]
        shape = ET.SubElement(inside, "path", {
            "class": "band", "d": _path(around, x, y) + "Z", "data-label": band.label,
            "data-x": _data(band.x), "data-low": _data(band.low), "data-high": _data(band.high),
        })
        ET.SubElement(shape, "title").text = band.label
    for limit in panel.limits:
        _limit(inside, limit, x, y)
    for k, line in enumerate(panel.series):
        inside.append(_series(line, k, x, y))


def _boxes(band: Band, x: Scale, y: Scale) -> Iterator[ET.Element]:
    """A band of which nothing lies between its places: a box at each, none over the next."""
    places = sorted(x.at(at) for at in band.x if x.holds(at))
    nearest = min((b - a for a, b in pairwise(places)), default=math.inf)
    half = min(_SPOT, max(_BESIDE * nearest, 1.0))
    for at, low, high in zip(band.x, band.low, band.high, strict=True):
        if x.holds(at):
            top, foot = (y.at(min(max(v, y.low), y.high)) for v in (high, low))
            box = ET.Element("rect", {
                "class": "band", "x": f"{x.at(at) - half:.1f}", "y": f"{top:.1f}",
                "width": f"{2.0 * half:.3g}", "height": f"{max(foot - top, 1.0):.1f}",
                "data-label": band.label, "data-x": _data((at,)), "data-low": _data((low,)),
                "data-high": _data((high,)),
            })
            ET.SubElement(box, "title").text = band.label
            yield box


def _limit(inside: ET.Element, limit: Bounds, x: Scale, y: Scale) -> None:
    if limit.start > x.high or limit.stop < x.low:
        return
    spot = limit.start == limit.stop
    places = sorted(x.at(min(max(v, x.low), x.high)) for v in (limit.start, limit.stop))
    room = _SPOT if spot else 0.0
    for value, up in ((limit.low, False), (limit.high, True)):
        if value is not None and y.holds(value):
            shape = wall(places[0] - room, places[1] + room, y.at(value), up)
            word = f"{'at most' if up else 'at least'} {render(value, y.axis.unit)}"
            ET.SubElement(shape, "title").text = f"{limit.label}: {word}"
            inside.append(shape)


def _summary(panel: Panel) -> str:
    names = ", ".join([*(s.label for s in panel.series), *(b.label for b in panel.bands),
                       *dict.fromkeys(limit.label for limit in panel.limits)])
    over = f" over {panel.x.label}" if panel.x.label else ""
    return f"{panel.title}: {panel.y.label}{over}; {names}"


def _data(values: Iterable[float]) -> str:
    return " ".join(f"{v:.6g}" for v in values)


def _grid(root: ET.Element, x: Scale, y: Scale, told: list[tuple[float, str]]) -> None:
    for scale, upright in ((y, True), (x, False)):
        places = told if upright else marks(x.axis, x.low, x.high, int((x.stop - x.start) / 74.0))
        for value in fine(scale.axis, scale.low, scale.high):
            _line(root, scale.at(value), x, y, upright, "fine")
        for value, word in places:
            _line(root, scale.at(value), x, y, upright, "grid")
            if upright and word:
                text(root, word, x.start - 6.0, y.at(value) + 4.5, "end")
        if not upright:
            for place, word in _with_room(places, x):
                text(root, word, place, y.start + ROW - 4.0, "middle")


def _fitting(places: list[tuple[float, str]], y: Scale) -> list[tuple[float, str]]:
    """The marks of the upright axis; those of a logarithmic one without room have no word."""
    kept: list[float] = []
    words: dict[float, str] = {}
    for value, word in by_importance(places) if y.axis.logarithmic else places:
        if all(abs(y.at(value) - other) >= _UP for other in kept):
            kept.append(y.at(value))
            words[value] = word
    return [(value, words.get(value, "")) for value, _ in places]


def _with_room(places: list[tuple[float, str]], x: Scale) -> list[tuple[float, str]]:
    """Words of the axis across with their middles, CSS pixels; the less important give way."""
    kept: list[tuple[float, float, str]] = []
    for value, word in by_importance(places) if x.axis.logarithmic else places:
        half = CHARACTER * len(word) / 2.0
        at = min(max(x.at(value), x.start + half - 24.0), x.stop + 14.0 - half)
        if x.axis.words or all(abs(at - other) >= half + wide + _APART for other, wide, _ in kept):
            kept.append((at, half, word))
    return [(at, word) for at, _, word in kept]


def _line(root: ET.Element, at: float, x: Scale, y: Scale, upright: bool, kind: str) -> None:
    way = (f"M{x.start:.1f},{at:.1f}H{x.stop:.1f}" if upright
           else f"M{at:.1f},{y.stop:.1f}V{y.start:.1f}")
    ET.SubElement(root, "path", {"class": kind, "d": way})


def _path(points: Iterable[tuple[float, float]], x: Scale, y: Scale) -> str:
    drawn = (f"{x.at(a):.1f},{y.at(b):.1f}" for a, b in points if math.isfinite(b))
    return "M" + "L".join(drawn)


def _series(line: Series, k: int, x: Scale, y: Scale) -> ET.Element:
    group = ET.Element("g", {
        "class": f"series s{k % len(PALETTE)}", "data-label": line.label,
        "data-x": _data(line.x), "data-y": _data(line.y),
    })
    if any(line.bounds):
        group.set("data-bounds", ",".join(line.bounds))
    points = list(zip(line.x, line.y, strict=True))
    if line.joined and len(points) > 1:
        ET.SubElement(group, "path", {"class": "line" if line.marked else "line fine-line",
                                      "d": _path(points, x, y)})
    for i in _marked(line, x):
        a, b = points[i]
        dot = mark(k, x.at(a), y.at(b), line.joined)
        value = f"{line.bound(i)} {render(b, y.axis.unit)}".strip()
        at = f" at {render(a, x.axis.unit)}" if not x.axis.words else ""
        name = f" {line.names[i]}" if line.names and line.names[i] else ""
        ET.SubElement(dot, "title").text = f"{line.label}{name}: {value}{at}"
        group.append(dot)
        if line.bound(i):
            group.append(arrow(x.at(a), y.at(b), up=line.bound(i) == ">"))
    return group


def _marked(line: Series, x: Scale) -> list[int]:
    """Which points of a line have its mark: all of few, of many some that are well apart."""
    places = [k for k, value in enumerate(line.y) if math.isfinite(value)]
    if not line.joined or len(line.x) < _FEW:
        return places
    kept: list[int] = []
    for k in places if line.marked else ():
        if x.holds(line.x[k]) and (not kept or
                                   abs(x.at(line.x[k]) - x.at(line.x[kept[-1]])) >= _MARKS_APART):
            kept.append(k)
    return kept


def _names(root: ET.Element, panel: Panel, x: Scale, y: Scale) -> None:
    """The names beside points; of two that would touch the lower one has none."""
    told = [(y.at(b), x.at(a), name, k) for k, s in enumerate(panel.series)
            for a, b, name in zip(s.x, s.y, s.names, strict=False)
            if name and x.holds(a) and y.holds(b)]
    kept: list[tuple[float, float, float]] = []
    for high, at, name, k in sorted(told):
        half = CHARACTER * len(name) / 2.0
        place = min(max(at, x.start + half), x.stop - half)
        foot = max(high - _OVER, y.stop + TEXT_SIZE)
        if all(abs(place - other) >= half + wide + 2.0 or abs(foot - level) >= TEXT_SIZE
               for other, wide, level in kept):
            kept.append((place, half, foot))
            text(root, name, place, foot, "middle").set("class", f"named s{k % len(PALETTE)}")
