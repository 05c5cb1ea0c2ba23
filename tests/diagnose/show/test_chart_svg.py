"""The chart of the page and the report, read as a person would read it: off its axes.

The outside truth is arithmetic: on a logarithmic axis equal ratios are equal distances, and a
point's place follows from the axis. The SVG is read by the standard library.
"""

from __future__ import annotations

import math
import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest

from diagnose.show.chart_svg import chart
from diagnose.show.figure import Axis, Band, Panel, Series

SVG = "{http://www.w3.org/2000/svg}"


def drawn(panel: Panel, width: float = 520.0) -> ET.Element:
    return ET.fromstring(chart(panel, width))


def numbers(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", path)]


def panel(*series: Series, bands: tuple[Band, ...] = (), log_y: bool = False) -> Panel:
    return Panel("response", Axis("frequency", "Hz", logarithmic=True),
                 Axis("response", "V" if log_y else "dB", log_y), series, bands)


def line(root: ET.Element, label: str) -> ET.Element:
    return next(g for g in root.iter(f"{SVG}g") if g.get("data-label") == label)


def test_equal_ratios_are_equal_distances() -> None:
    root = drawn(panel(Series("healthy", (10.0, 100.0, 1e3, 1e4), (0.0, 0.0, -3.0, -20.0))))
    points = numbers(line(root, "healthy").find(f"{SVG}path").get("d"))
    steps = [b[0] - a[0] for a, b in pairwise(points)]
    assert max(steps) - min(steps) < 0.21
    # down is less, and -20 dB is as far below -10 dB as -10 dB below 0
    assert points[0][1] == points[1][1] < points[2][1] < points[3][1]
    assert (points[3][1] - points[0][1]) / (points[2][1] - points[0][1]) == pytest.approx(
        20.0 / 3.0, rel=0.02)


def test_points_stand_where_the_marks_of_the_axes_say() -> None:
    root = drawn(panel(Series("measured", (20.0, 1e3, 20e3), (-4.0, 0.0, -2.0), joined=False)))
    texts = {t.text: (float(t.get("x")), float(t.get("y"))) for t in root.iter(f"{SVG}text")}
    marks = line(root, "measured").findall(f"{SVG}circle")
    at = dict(zip((20.0, 1e3, 20e3), [(float(m.get("cx")), float(m.get("cy"))) for m in marks],
                  strict=True))
    assert texts["1 kHz"][0] == pytest.approx(at[1e3][0], abs=1.0)
    assert texts["0.00 dB"][1] == pytest.approx(at[1e3][1], abs=6.0)
    assert texts["-4.00 dB"][1] == pytest.approx(at[20.0][1], abs=6.0)


def test_values_are_in_the_page_for_whoever_reads_it() -> None:
    root = drawn(panel(Series("measured", (50.0, 100.0), (1e-3, 31e-6), joined=False),
                       bands=(Band("healthy units", (50.0, 100.0), (1e-5, 1e-5), (1e-4, 1e-4)),),
                       log_y=True))
    group = line(root, "measured")
    assert [float(y) for y in group.get("data-y").split()] == [1e-3, 31e-6]
    titles = [t.text for t in group.iter(f"{SVG}title")]
    assert titles == ["measured: 1 mV at 50 Hz", "measured: 31 µV at 100 Hz"]
    assert group.find(f"{SVG}path[@class='line']") is None
    assert "measured" in root.get("aria-label")


def test_no_two_lines_share_colour_dash_and_mark() -> None:
    lines = [Series(f"line {k}", (10.0, 20.0), (float(k), float(k))) for k in range(7)]
    root = drawn(panel(*lines))
    classes = [line(root, s.label).get("class") for s in lines]
    marks = [line(root, s.label).findall("*")[1] for s in lines]
    shapes = [mark.tag + re.sub(r"M[\d.,-]+", "", mark.get("d", "")) for mark in marks]
    assert len(set(classes)) == len(set(shapes)) == 7


@pytest.mark.parametrize("width", [300.0, 360.0, 520.0, 900.0])
def test_nothing_is_drawn_outside_or_over_its_neighbour(width: float) -> None:
    root = drawn(panel(Series("C3 capacitance loss with J2 poor contact",
                              tuple(10.0**k for k in range(1, 6)), (-20.0, -3.0, 0.0, 0.0, -9.0)),
                       Series("measured", (20.0, 20e3), (-5.0, 1.0), joined=False),
                       bands=(Band("healthy units", (10.0, 1e5), (-1.0, -1.0), (1.0, 1.0)),)),
                 width)
    rows: dict[float, list[tuple[float, float]]] = {}
    for text in root.iter(f"{SVG}text"):
        wide = 0.58 * 13.0 * len(text.text)
        shift = {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0)
        left = float(text.get("x")) - shift * wide
        assert left > -1.0, text.text
        assert left + wide < width + 1.0, text.text
        rows.setdefault(float(text.get("y")), []).append((left, left + wide))
    for places in rows.values():
        places.sort()
        for before, after in pairwise(places):
            assert before[1] < after[0] + 1.0


@pytest.mark.parametrize("values", [(0.0, 0.0), (1e-9, 1e-9), (5.0, 5.0), (-1e3, 1e3)])
def test_a_flat_or_a_wide_line_still_has_axes(values: tuple[float, float]) -> None:
    root = drawn(panel(Series("x", (10.0, 20.0), values)))
    assert all(math.isfinite(v) for p in numbers(line(root, "x").find(f"{SVG}path").get("d"))
               for v in p)
    assert len(list(root.iter(f"{SVG}text"))) >= 3
