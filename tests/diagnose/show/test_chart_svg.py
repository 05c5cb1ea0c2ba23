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

from circuits.errors import InputError
from diagnose.show.axis import fine, marks
from diagnose.show.chart_scale import View
from diagnose.show.chart_svg import chart
from diagnose.show.figure import Axis, Band, Bounds, Panel, Series

SVG = "{http://www.w3.org/2000/svg}"


def drawn(panel: Panel, width: float = 520.0, view: View | None = None) -> ET.Element:
    return ET.fromstring(chart(panel, width, view=view))


def numbers(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", path)]


def words(root: ET.Element) -> list[ET.Element]:
    """Texts that always show, without those of the cursor."""
    hidden = {text for group in root.iter(f"{SVG}g") if group.get("class") == "at"
              for text in group.iter(f"{SVG}text")}
    return [text for text in root.iter(f"{SVG}text") if text not in hidden]


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
    texts = {t.text: (float(t.get("x")), float(t.get("y"))) for t in words(root)}
    marks = line(root, "measured").findall(f"{SVG}circle")
    at = dict(zip((20.0, 1e3, 20e3), [(float(m.get("cx")), float(m.get("cy"))) for m in marks],
                  strict=True))
    assert texts["1 k"][0] == pytest.approx(at[1e3][0], abs=1.0)
    assert texts["0"][1] == pytest.approx(at[1e3][1], abs=6.0)
    assert texts["-4"][1] == pytest.approx(at[20.0][1], abs=6.0)


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
    for text in words(root):
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


def test_an_axis_of_frequencies_is_marked_as_the_trade_marks_it() -> None:
    axis = Axis("frequency", "Hz", logarithmic=True)
    told = [word for _, word in marks(axis, 20.0, 20e3, 7)]
    # graph paper of the trade: 1, 2 and 5 of every decade (common practice)
    assert told == ["20", "50", "100", "200", "500", "1 k", "2 k", "5 k", "10 k", "20 k"]
    # and a fine line at each other whole number of it
    assert fine(axis, 100.0, 1e3) == [300.0, 400.0, 600.0, 700.0, 800.0, 900.0]


def test_of_words_without_room_the_decades_stay_and_no_line_goes() -> None:
    axis_of = panel(Series("healthy", (20.0, 20e3), (0.0, -3.0)))
    wide, narrow = (drawn(axis_of, width) for width in (900.0, 300.0))
    told = [{t.text for t in words(root)} for root in (wide, narrow)]
    assert {"20", "50", "100", "500", "1 k", "2 k", "20 k"} <= told[0]
    assert {"100", "1 k", "10 k"} <= told[1]
    upright = [[p.get("d") for p in root.iter(f"{SVG}path")
                if p.get("class") == "grid" and "V" in p.get("d")] for root in (wide, narrow)]
    assert len(upright[0]) == len(upright[1]) == 10


def test_what_is_zoomed_into_fills_the_axes_and_still_stands_where_they_say() -> None:
    response = panel(Series("measured", (20.0, 100.0, 1e3, 20e3), (-9.0, -1.0, 0.0, -3.0),
                            joined=False))
    root = drawn(response, view=View((50.0, 200.0)))
    texts = {t.text: float(t.get("x")) for t in words(root)}
    left, right = (float(v) for v in root.get("data-plot").split()[:2])
    # 100 Hz is the geometric mean of 50 and 200 Hz
    assert texts["100"] == pytest.approx((left + right) / 2.0, abs=0.2)
    at = [float(m.get("cx")) for m in line(root, "measured").findall(f"{SVG}circle")]
    assert at[1] == pytest.approx(texts["100"], abs=0.2)
    # what lies outside is cut off by the picture in the picture
    inner = root.find(f"{SVG}svg")
    assert at[0] < float(inner.get("x")) < at[1] < float(inner.get("x")) + float(
        inner.get("width")) < at[2]
    # the axis upward goes by what is seen: -9 dB is not
    assert float(root.get("data-reach").split()[2]) > -2.0
    low, high = (float(v) for v in drawn(
        response, view=View((50.0, 200.0), (-1.5, -0.5))).get("data-reach").split()[2:])
    assert (low, high) == (-1.5, -0.5)


@pytest.mark.parametrize("text", ["", "20", "a,b", "200,20", "20,20", "20,inf", "1,2,3"])
def test_a_part_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="no part of a picture"):
        View.of(text)


def test_teeth_of_a_limit_stand_where_a_value_must_not_be() -> None:
    root = drawn(Panel("hum", Axis("frequency", "Hz", True), Axis("hum", "V", True),
                       (Series("measured", (50.0, 100.0), (1e-3, 31e-6), joined=False),), (),
                       (Bounds("limit", 50.0, 50.0, high=300e-6),
                        Bounds("limit", 60.0, 100.0, low=1e-6))))
    walls = [p for p in root.find(f"{SVG}svg") if p.get("class") == "limit"]
    assert [p.find(f"{SVG}title").text for p in walls] == [
        "limit: at most 300 µV", "limit: at least 1 µV"]
    # SVG counts downward: a tooth that goes up has a negative second step
    assert "l3,-5" in walls[0].get("d")
    assert "l3,5" in walls[1].get("d")
    marks_at = [float(m.get("cy")) for m in line(root, "measured").findall(f"{SVG}circle")]
    most, least = (float(re.match(r"M[\d.]+,([\d.]+)", p.get("d"))[1]) for p in walls)
    # 1 mV is above the limit of 300 uV; both are a decade and 0.52 of one apart from the rest
    assert marks_at[0] < most < marks_at[1] < least
    assert (most - marks_at[0]) / (least - most) == pytest.approx(
        math.log10(1e-3 / 300e-6) / math.log10(300e-6 / 1e-6), rel=0.02)


@pytest.mark.parametrize("width", [300.0, 520.0, 900.0])
def test_the_cursor_says_what_every_line_reads_and_stays_in_the_picture(width: float) -> None:
    x = (20.0, 200.0, 2e3, 20e3)
    root = drawn(panel(Series("right, measured", x[1:3], (-1.0, 0.0), joined=False),
                       Series("C3 capacitance loss with J2 poor contact", x,
                              (-9.0, -1.1, 0.0, 0.0)),
                       bands=(Band("healthy units", x, (-1.0,) * 4, (1.0,) * 4),)), width)
    places = [g for g in root.iter(f"{SVG}g") if g.get("class") == "at"]
    assert [float(g.get("data-x")) for g in places] == list(x)
    said = [g.get("data-words") for g in places]
    assert said[1] == ("200 Hz: right, measured -1.00 dB; C3 capacitance loss with J2 poor "
                       "contact -1.10 dB; healthy units -1.00 dB … 1.00 dB")
    assert "measured" not in said[0]
    # every place of the picture belongs to one of them: no gap, nothing twice
    columns = [(float(r.get("x")), float(r.get("width"))) for g in places
               for r in g.iter(f"{SVG}rect") if r.get("class") == "catch"]
    left, right, top, bottom = (float(v) for v in root.get("data-plot").split())
    assert columns[0][0] == pytest.approx(left, abs=0.1)
    assert sum(wide for _, wide in columns) == pytest.approx(right - left, abs=0.4)
    for paper in (r for r in root.iter(f"{SVG}rect") if r.get("class") == "paper"):
        at, wide, y, high = (float(paper.get(k)) for k in ("x", "width", "y", "height"))
        assert left - 0.1 <= at
        assert at + wide <= right + 0.1
        assert top <= y
        assert y + high <= bottom
