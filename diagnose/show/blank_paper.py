"""The blank sheet for the clip-board: what to read where, what to expect, and room to write."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from circuits.cautions import caution_texts, marked
from circuits.hazards import hazards
from circuits.quantities import LEVELS
from circuits.quantity import render
from circuits.reading import Reading, shown
from circuits.stage import Stage
from diagnose.sheet.case import FOUND, OBSERVATIONS
from diagnose.sheet.expected import Expected
from diagnose.sheet.record import BEFORE, NO_RECORD, PARTS, Record
from diagnose.show.axis import Axis, marks
from diagnose.show.curve_rows import rows_of
from diagnose.show.embedded import drawing
from diagnose.show.templates import style, templates
from diagnose.show.wording import amount, span
from faultlib.good_unit import Figure

CHECK_ROWS = 4
"""Empty rows for parts that are tested or changed."""
MOST_BOXES = 20
"""Boxes of one curve: two rows of ten."""
_NEAR = 1.05
"""A sweep that ends so near to a round frequency ends at it: 19.95 kHz is 20 kHz."""


@dataclass(frozen=True)
class Line:
    """One reading to take.

    Attributes
    ----------
    where : str
        What is at its test point, or how it is taken.
    live : str
        What to mind of it, such as ``live, 290 V``; empty where there is nothing.
    expected : str
        What a good unit reads, or what its manual says.
    """

    label: str
    where: str
    live: str
    expected: str


@dataclass(frozen=True)
class Boxes:
    """One curve to take: at each frequency a box, with what a good unit reads there."""

    label: str
    where: str
    live: str
    points: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Paper:
    """What stands on a blank sheet.

    Attributes
    ----------
    channels : tuple of str
        Two names, or none for a unit of one.
    """

    title: str
    stage: Stage
    lines: tuple[Line | Boxes, ...]
    channels: tuple[str, ...] = ()
    record: Record = NO_RECORD


def paper(
    stage: Stage,
    readings: Sequence[Reading],
    good: Mapping[Reading, Figure],
    title: str = "",
    notes: Mapping[Reading, str] | None = None,
    manual: Sequence[Expected] = (),
    channels: tuple[str, ...] = (),
    record: Record = NO_RECORD,
) -> Paper:
    """A blank sheet.

    Parameters
    ----------
    readings : sequence of Reading
        To take, in that order.
    good : mapping of Reading to Figure
        What good units read, SI.
    title : str
        Of the case; by default the stage's.
    notes : mapping of Reading to str
        How to take one, where the stage does not say what is there.
    manual : sequence of Expected
        What the service manual says, which stands in place of what is simulated.
    """
    about, points = hazards(stage), dict(stage.test_points)
    said = {one.reading: f"{amount(shown(one.reading, one.figure.value), one.reading.unit)} "
                         f"±{one.within} (manual)" for one in manual}

    def expected(reading: Reading) -> str:
        return said.get(reading) or expected_text(reading, good.get(reading))

    def where(reading: Reading) -> str:
        told = (notes or {}).get(reading) or points.get(reading.at, "")
        return told or reading.about.how

    lines: list[Line | Boxes] = []
    for row in rows_of(readings):
        first = row.readings[0]
        mind = marked(about, first)
        if row.is_curve:
            boxes = tuple((render(r.frequency, "Hz"), expected(r)) for r in by_hand(row.readings))
            lines.append(Boxes(row.label, where(first), mind, boxes))
        else:
            lines += [Line(r.label(), where(r), marked(about, r), expected(r))
                      for r in row.readings]
    return Paper(title or stage.title or stage.name, stage, tuple(lines), channels, record)


def by_hand(curve: Sequence[Reading]) -> list[Reading]:
    """Of a curve those that a person takes: of a sweep the ones nearest to 1, 2, 5 of a decade."""
    if len(curve) <= MOST_BOXES:
        return list(curve)
    axis = Axis("frequency", "Hz", logarithmic=True)
    low, high = curve[0].frequency / _NEAR, curve[-1].frequency * _NEAR
    wanted = [f for f, _ in marks(axis, low, high, MOST_BOXES)]
    return list(dict.fromkeys(
        min(curve, key=lambda r: abs(math.log(r.frequency / f))) for f in wanted))


def expected_text(reading: Reading, good: Figure | None) -> str:
    """What nine of ten good units read, in the digits of a meter; empty where nobody knows."""
    if good is None:
        return ""
    label, unit = reading.label(), reading.unit
    low, high = (shown(reading, v) for v in (good.low, good.high))
    ends = [amount(v, unit, label) for v in (low, high)]
    if good.low == good.high != 0.0:
        return f"about {ends[1]}"
    if ends[0] == ends[1] or ends[1].startswith("<"):
        return ends[1]
    if ends[0].startswith("<"):
        return f"up to {ends[1]}"
    return once(span(low, high, unit, label).split(" to "))


def once(ends: Sequence[str]) -> str:
    """The ends of a range with their unit once where both have the same: ``1.46 … 1.51 V``."""
    first, _, unit = ends[0].rpartition(" ")
    same = bool(first) and all(end.rpartition(" ")[2] == unit for end in ends)
    return " … ".join([first if same else ends[0], *ends[1:]])


def paper_body(sheet: Paper) -> str:
    """The sheet as an ``<article>`` of a page that has its style."""
    return templates().get_template("paper_body.html").render(
        paper=sheet, stage=sheet.stage, drawing=drawing(sheet.stage),
        cautions=caution_texts(sheet.stage), fields=BEFORE, observations=OBSERVATIONS, found=FOUND,
        parts=PARTS, mains=render(sheet.stage.mains, "Hz"), rows=CHECK_ROWS,
        usual=[f"{kind} {render(value, LEVELS[kind])}" for kind, value in sheet.stage.signal],
    )


def paper_html(sheet: Paper) -> str:
    """The sheet as an HTML document that needs nothing else."""
    return templates().get_template("report.html").render(
        name=sheet.title, kind="blank sheet", style=style("answer", "report", "paper"),
        body=paper_body(sheet))
