"""The marks of a chart's lines, and the words under it that say which line is which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from diagnose.show.chart_words import CHARACTER, text
from diagnose.show.figure import PALETTE, Panel

ROW = 19.0
"""Height of a line of words under the axes, CSS pixels."""
_MARKS = ("circle", "square", "triangle", "diamond", "down", "plus", "cross")
SIGNS = ("●", "■", "▲", "◆", "▼", "✚", "✕")
"""The same marks as letters, for text beside values."""
_RADIUS = 4.0
"""Of a mark, CSS pixels."""
_LEFT = 8.0
"""Where a row of words begins, CSS pixels."""
_ARROW = 13.0
"""How far the arrow of a bound reaches from its mark, CSS pixels."""
_SAMPLE = 26.0
"""Length of the piece of line before a word, CSS pixels."""


@dataclass(frozen=True)
class Entry:
    """One word of the legend: what it is of, and where it begins, CSS pixels."""

    at: float
    kind: str
    number: int
    words: str
    joined: bool
    marked: bool = True


def mark(k: int, x: float, y: float, joined: bool) -> ET.Element:
    """The mark of the series of that number: only points that come first are filled.

    What is hollow lets through what it lies on.
    """
    kind = "mark" if joined or k else "mark filled"
    r = _RADIUS
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


def arrow(x: float, y: float, up: bool) -> ET.Element:
    """Beside the mark of a bound: an arrow to where the value lies."""
    way = -1.0 if up else 1.0
    start, stop = y + way * (_RADIUS + 1.0), y + way * (_RADIUS + _ARROW)
    back = -way * 4.0
    return ET.Element("path", {"class": "arrow", "d": f"M{x:.1f},{start:.1f}V{stop:.1f}"
                               f"m-3.5,{back:g}l3.5,{-back:g}l3.5,{back:g}"})


def wall(x: float, stop: float, y: float, up: bool) -> ET.Element:
    """A limit: a line whose teeth stand where a value must not be."""
    teeth = max(2, round((stop - x) / 7.0))
    step = (stop - x) / teeth
    tooth = "l3,-5m-3,5" if up else "l3,5m-3,-5"
    shape = f"M{x:.1f},{y:.1f}H{stop:.1f}M{x:.1f},{y:.1f}" + f"{tooth}m{step:.2f},0" * teeth + tooth
    return ET.Element("path", {"class": "limit", "d": shape})


def legend(panel: Panel, width: float) -> list[list[Entry]]:
    """Rows of words, none where there is one line alone."""
    told = [("series", k, s.label, s.joined, s.marked) for k, s in enumerate(panel.series)]
    told += [("band", 0, band.label, True, True) for band in panel.bands]
    told += [("limit", 0, label, True, True)
             for label in dict.fromkeys(limit.label for limit in panel.limits)]
    rows: list[list[Entry]] = []
    ends: list[float] = []
    for kind, number, words, joined, marked in told:
        most = int((width - 44.0) / CHARACTER)
        words = words if len(words) <= most else words[: most - 1] + "…"
        wide = 34.0 + CHARACTER * len(words) + 18.0
        # the first row that has room: a long name leaves some behind it
        row = next((k for k, end in enumerate(ends) if end + wide - 18.0 <= width), len(rows))
        if row == len(rows):
            rows.append([])
            ends.append(_LEFT)
        rows[row].append(Entry(ends[row], kind, number, words, joined, marked))
        ends[row] += wide
    return rows if len(told) > 1 else []


def legend_row(root: ET.Element, entries: Sequence[Entry], foot: float) -> None:
    """Draw one row; `foot` is where its letters stand, CSS pixels."""
    for entry in entries:
        match entry.kind:
            case "band":
                ET.SubElement(root, "rect", {
                    "class": "band", "x": f"{entry.at:g}", "y": f"{foot - 9:g}",
                    "width": f"{_SAMPLE:g}", "height": "9"})
            case "limit":
                root.append(wall(entry.at, entry.at + _SAMPLE - 4.0, foot - 2.0, up=True))
            case _:
                group = ET.SubElement(root, "g", {"class": f"s{entry.number % len(PALETTE)}"})
                if entry.joined:
                    ET.SubElement(group, "path", {
                        "class": "line" if entry.marked else "line fine-line",
                        "d": f"M{entry.at:g},{foot - 4:g}h{_SAMPLE:g}"})
                if not entry.marked:
                    text(root, entry.words, entry.at + 33.0, foot)
                    continue
                group.append(mark(entry.number, entry.at + _SAMPLE / 2.0, foot - 4.0,
                                  entry.joined))
        text(root, entry.words, entry.at + 33.0, foot)
