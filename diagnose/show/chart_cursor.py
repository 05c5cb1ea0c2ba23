"""The cursor of a chart: at every place across, what all lines read there.

Each place is a group that is hidden until the pointer is over its column or a page puts the class
``here`` on it; nothing has to run for the pointer, so a report in one file has its cursor too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from xml.etree import ElementTree as ET

from circuits.quantity import render
from diagnose.show.chart_legend import SIGNS
from diagnose.show.chart_scale import Scale
from diagnose.show.chart_words import CHARACTER, TEXT_SIZE
from diagnose.show.figure import PALETTE, Panel, Series

_MOST = 160
"""Places that a chart has at most: a sweep of more points has no more places than pixels."""
_ROW = 1.35 * TEXT_SIZE
"""Height of a line of values, CSS pixels."""
_EDGE = 6.0
"""Between the values and the edge of their paper, CSS pixels."""
_LEAST_NAME = 8
"""Letters that a name is shortened to at most."""
Table = dict[float, float]
"""What a line reads, by place."""
Row = tuple[int, str, str]
"""Number of the series or -1, what it is, and what it reads."""


def cursors(panel: Panel, x: Scale, y: Scale) -> list[ET.Element]:
    """The groups, from left to right.

    Returns
    -------
    list of Element
        Each with ``data-x``, SI, and ``data-words``, what a voice says of the place; none for an
        axis whose places have names.
    """
    if panel.x.words:
        return []
    places = sorted({_key(v) for s in panel.series for v in s.x if x.holds(v)}
                    | {_key(v) for limit in panel.limits if limit.start == limit.stop
                       for v in (limit.start,) if x.holds(v)})
    # points that stand alone keep their places, of a long line some give way
    alone = {_key(v) for s in panel.series if not s.joined for v in s.x if x.holds(v)}
    others = [v for v in places if v not in alone] if len(places) > _MOST else []
    if others:
        # a line of noise is looked at where something stands out of it
        most = _MOST if all(s.marked for s in panel.series) else _MOST // 3
        every = math.ceil(len(others) / max(most - len(alone), 1))
        places = sorted({*list(alone)[:: math.ceil(len(alone) / _MOST) or 1], *others[::every]})
    places.sort(key=x.at)
    tables = [dict(zip(map(_key, s.x), s.y, strict=True)) for s in panel.series]
    bands = [{_key(a): (low, high) for a, low, high in zip(b.x, b.low, b.high, strict=True)}
             for b in panel.bands]
    middles = [(x.at(a) + x.at(b)) / 2.0 for a, b in pairwise(places)]
    edges = [x.start, *middles, x.stop]
    return [
        _group(place, tables, list(_rows(panel, tables, bands, place)), (left, right), x, y)
        for place, (left, right) in zip(places, pairwise(edges), strict=True)
    ]


def _key(value: float) -> float:
    """A place as it is compared: the same frequency comes from a sheet and from a grid."""
    return float(f"{value:.6g}")


def _rows(
    panel: Panel, tables: list[Table], bands: list[dict[float, tuple[float, float]]], place: float
) -> Iterator[Row]:
    unit = panel.y.unit
    for k, (series, table) in enumerate(zip(panel.series, tables, strict=True)):
        value = table.get(place, math.nan)
        if math.isfinite(value):
            label, bound = _of_point(series, place)
            yield k % len(PALETTE), label, f"{bound} {render(value, unit)}".strip()
    for band, ends in zip(panel.bands, bands, strict=True):
        if place in ends:
            yield -1, band.label, " … ".join(render(v, unit) for v in ends[place])
    for limit in panel.limits:
        if limit.start * (1.0 - 1e-6) <= place <= limit.stop * (1.0 + 1e-6):
            ends_of = [f"{word} {render(v, unit)}" for word, v in
                       (("at least", limit.low), ("at most", limit.high)) if v is not None]
            yield -1, limit.label, ", ".join(ends_of)


def _of_point(series: Series, place: float) -> tuple[str, str]:
    """What a line is called at a place, with the name of the point there, and its bound."""
    if not (series.names or series.bounds):
        return series.label, ""
    k = max(i for i, x in enumerate(series.x) if _key(x) == place)
    name = series.names[k] if series.names else ""
    return f"{series.label} {name}".strip(), series.bound(k)


def _group(
    place: float, tables: list[Table], rows: list[Row], column: tuple[float, float],
    x: Scale, y: Scale,
) -> ET.Element:
    head = render(place, x.axis.unit)
    said = "; ".join(f"{name} {value}" for _, name, value in rows)
    group = ET.Element("g", {"class": "at", "data-x": f"{place:.6g}", "data-words":
                             f"{head}: {said}" if said else head})
    left, right = column
    ET.SubElement(group, "rect", {
        "class": "catch", "x": f"{left:.1f}", "y": f"{y.stop:.1f}",
        "width": f"{max(right - left, 0.1):.1f}", "height": f"{y.start - y.stop:.1f}",
    })
    at = x.at(place)
    ET.SubElement(group, "path", {"class": "hair", "d": f"M{at:.1f},{y.start:.1f}V{y.stop:.1f}"})
    for k, value in enumerate(table.get(place, math.nan) for table in tables):
        if math.isfinite(value) and y.holds(value):
            ET.SubElement(group, "circle", {"class": f"ring s{k % len(PALETTE)}",
                          "cx": f"{at:.1f}", "cy": f"{y.at(value):.1f}", "r": "5.5"})
    heights = [float(ring.get("cy", "0")) for ring in group.iter("circle")]
    middle = (y.start + y.stop) / 2.0
    above = not heights or sum(heights) / len(heights) > middle
    group.append(_told(head, rows, at, above, x, y))
    return group


def _told(
    head: str, rows: list[Row], at: float, above: bool, x: Scale, y: Scale
) -> ET.Element:
    """The paper with the values, where the cursor and what it is at leave more room."""
    start, stop = sorted((x.start, x.stop))
    most = int((stop - start - 2.0 * _EDGE) / CHARACTER)
    lines = [(k, _short(name, most - len(value) - 4), value) for k, name, value in rows]
    letters = max([len(head), *(len(name) + len(value) + 4 for _, name, value in lines)])
    wide = min(CHARACTER * letters + 2.0 * _EDGE, stop - start)
    left = at + 10.0 if at < (start + stop) / 2.0 else at - 10.0 - wide
    left = min(max(left, start), stop - wide)
    high = _ROW * (len(lines) + 1) + _EDGE
    top = y.stop + 4.0 if above else y.start - 4.0 - high
    group = ET.Element("g", {"class": "told"})
    ET.SubElement(group, "rect", {
        "class": "paper", "x": f"{left:.1f}", "y": f"{top:.1f}", "width": f"{wide:.1f}",
        "height": f"{high:.1f}", "rx": "3",
    })
    words = ET.SubElement(group, "text")
    _span(words, left + _EDGE, top + _ROW, head, "strong")
    for row, (k, name, value) in enumerate(lines, start=2):
        foot = top + _ROW * row
        sign = _span(words, left + _EDGE, foot, f"{SIGNS[k] if k >= 0 else '▒'} ",
                     f"key s{k}" if k >= 0 else "key")
        sign.tail = f"{name}  "
        _span(words, None, None, value, "strong")
    return group


def _span(
    words: ET.Element, x: float | None, y: float | None, text: str, kind: str
) -> ET.Element:
    places = {} if x is None or y is None else {"x": f"{x:.1f}", "y": f"{y:.1f}"}
    span = ET.SubElement(words, "tspan", {"class": kind, **places})
    span.text = text
    return span


def _short(name: str, most: int) -> str:
    most = max(most, _LEAST_NAME)
    return name if len(name) <= most else name[: most - 1] + "…"
