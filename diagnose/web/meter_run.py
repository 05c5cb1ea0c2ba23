"""Voltages and resistances by a meter, as a run that pages follow: what ``diagnose read`` does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from circuits.cautions import caution_texts
from circuits.errors import InputError
from circuits.quantity import parse
from circuits.reading import Reading
from circuits.stage import GROUND
from diagnose.instruments.connection import VisaLine
from diagnose.instruments.meter import FUNCTIONS, Meter
from diagnose.instruments.points import Point, channel_of, empty_points, proposed_points
from diagnose.instruments.session import AGAIN, END, SKIP, TAKE, Taken, take_points
from diagnose.sheet.entry import Measured
from diagnose.sheet.putting import put, rows
from diagnose.soundcard.asked import reading_of
from diagnose.web.bench_sheet import BenchSheet
from diagnose.web.desk import Desk
from diagnose.web.runs import STOP, Run
from diagnose.web.written import written

_OL = "OL"
"""What a sheet has of an ohmmeter that is over its range and does not say which that is."""


@dataclass(frozen=True)
class MeterAsked:
    """What a page asks a meter for.

    Attributes
    ----------
    address : str
        As `diagnose.instruments.connection.visa_address` takes it.
    channel : str
        Of a sheet of two, which; empty is the one under suspicion.
    by_advice : bool
        Whether the answer says which points, in place of the empty rows.
    """

    address: str
    channel: str = ""
    by_advice: bool = False


def read_by_meter(run: Run, at: Desk, name: str, wanted: MeterAsked) -> None:
    """Go from point to point.

    Raises
    ------
    AmplifierError
        For a sheet or an instrument that does not do, or one that is lost on the way; what was
        taken is on the sheet.
    """
    if not wanted.address.strip():
        raise InputError("which meter is to be read is not said",
                         expected="its address, such as 192.168.1.7:5025")
    run.tell(text=f"calling {wanted.address}")
    with VisaLine(wanted.address) as line:
        meter = Meter(line, wanted.address)
        run.tell(title=f"reading from {meter.name} at {wanted.address}",
                 text="looking at what the sheet asks for")
        sheet = BenchSheet(run, at, name)
        channel = channel_of(sheet.case, wanted.channel)
        points = _points(sheet, channel, wanted.by_advice)
        cautions = [*caution_texts(sheet.case.stage), *(p.caution for p in points if p.caution)]
        run.tell(text="", cautions=list(dict.fromkeys(cautions)),
                 points=[_shown(point) for point in points])
        sheet.look_for_good([point.reading for point in points])
        run.ask((TAKE, STOP), phase="listed")
        taken = Taken()
        if run.answer() == TAKE:
            hand = _Hand(run, sheet, channel)
            take_points(points, meter, hand, hand, hand.put, taken)
    skipped = [point.reading.label() for point in taken.skipped]
    run.tell(text=sheet.count() + (f"; skipped: {', '.join(skipped)}" if skipped else ""))


def _points(sheet: BenchSheet, channel: str, by_advice: bool) -> tuple[Point, ...]:
    stage = sheet.case.stage
    points = () if by_advice else empty_points(
        written(sheet.kept.sheet).text, stage, channel, "this sheet")
    if not points:
        meant = [reading_of(one, stage) for one in sheet.proposed()
                 if dict(one).get("quantity") in FUNCTIONS]
        points = proposed_points(stage, meant)
    if not points:
        raise InputError("this sheet wants nothing that a multimeter takes at a point",
                         expected=f"rows without a value of {' or '.join(FUNCTIONS)}")
    return points


def _shown(point: Point) -> dict[str, Any]:
    """A point for pages; which nodes are lit, each with the lead that goes there."""
    reading = point.reading
    if reading.between:
        lit = [[node, f"lead {k}"] for k, node in enumerate(reading.between, start=1)]
    else:
        lit = [[reading.at, "red"], [reading.origin or GROUND, "black"]]
    return {"label": reading.label(), "where": point.where, "mark": point.mark, "off": point.off,
            "caution": point.caution, "lit": lit}


class _Hand:
    """Keys, screen and store of `take_points`, for whoever looks at a page."""

    def __init__(self, run: Run, sheet: BenchSheet, channel: str) -> None:
        self._run, self._sheet, self._channel = run, sheet, channel
        self._note = ""

    def poll(self) -> str:
        """As `Keys.poll`; while nobody looks nothing is read."""
        word = self._run.word()
        while not word and not self._run.watched:
            word = self._run.word(1.0)
        return _meant(word)

    def wait(self) -> str:
        """As `Keys.wait`."""
        self._run.ask((TAKE, SKIP, STOP), phase="asked", asked=self._note)
        word = self._run.answer()
        self._open("")
        return _meant(word)

    def _open(self, shown: str) -> None:
        self._run.ask((TAKE, SKIP, AGAIN, STOP), phase="point", asked="", shown=shown)

    def point(self, number: int, count: int, point: Point) -> None:
        """As `Screen.point`."""
        self._run.tell(point=number - 1)
        self._open("")

    def value(self, point: Point, text: str) -> None:
        """As `Screen.value`."""
        self._run.tell(shown=text)

    def took(self, point: Point, text: str) -> None:
        """As `Screen.took`: it was told of as it was kept."""

    def note(self, text: str) -> None:
        """As `Screen.note`: what is to be done before `wait` goes on."""
        self._note = text

    def put(self, point: Point, word: str, over: bool) -> None:
        """As `Put`. What was typed there meanwhile stays."""
        reading, stage = point.reading, self._sheet.case.stage
        stands = "" if over else self._typed(reading)
        if stands:
            self._run.remark(f"{reading.label()} was typed meanwhile: {stands} stays, and {word} "
                             "was read")
            return
        self._sheet.keep(
            lambda text: put(text, stage, reading, word, self._channel, True),
            measured(reading, word), reading, word, self._channel)

    def _typed(self, reading: Reading) -> str:
        text = self._sheet.text_now()
        found = rows(text, self._sheet.case.stage, self._channel) if text else ()
        return next((row.value for row in found if row.reading.key() == reading.key()), "")


def _meant(word: str) -> str:
    return END if word == STOP else word


def measured(reading: Reading, word: str) -> Measured:
    """A value in words as it is held against limits."""
    if word == _OL:
        return Measured(reading, float("inf"), bound=">")
    bound = word[0] if word[0] in "<>" else ""
    return Measured(reading, parse(word.lstrip("<> "), reading.unit), bound=bound)
