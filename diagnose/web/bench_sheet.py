"""What a run at the bench does with its sheet: what is wanted, kept, and said beside readings."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from circuits.errors import AmplifierError, InputError
from circuits.reading import Reading
from diagnose.answer.verdict import verdict
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.putting import rows
from diagnose.show.text_take import against_limit, beside_good
from diagnose.soundcard.card import Ended
from diagnose.web.answers import begun
from diagnose.web.desk import Desk
from diagnose.web.places import place
from diagnose.web.runs import LOOK, Run
from diagnose.web.shelf import Kept
from diagnose.web.taken import with_taken
from diagnose.web.written import written
from faultlib.good_unit import Figure

_GOOD = 600.0
"""s without a step of progress after which it is given up what good units read."""


@dataclass
class _Read:
    """One reading that was taken.

    Attributes
    ----------
    measured : Measured
        As limits are held against it.
    loaded : Reading
        As good units are.
    text : str
        The value in words.
    kept : bool
        Whether it stands on the sheet.
    """

    measured: Measured
    loaded: Reading
    text: str
    channel: str
    limits: list[tuple[bool, str]] = field(default_factory=list)
    kept: bool = True


class BenchSheet:
    """The sheet of one run.

    Parameters
    ----------
    at : Desk
        Where sheets are kept, and simulated.
    name : str
        Of the sheet.

    Raises
    ------
    InputError
        For a sheet that cannot be read as it stands.
    """

    def __init__(self, run: Run, at: Desk, name: str) -> None:
        self._run, self._at, self._name = run, at, name
        self.kept, self.case = self._readable()
        self._good: Mapping[Reading, Figure] = {}
        self._read: list[_Read] = []
        self._lock = threading.Lock()

    def _readable(self) -> tuple[Kept, Case]:
        kept = self._at.shelf.load(self._name)
        found = self._at.checked(kept)
        if found.case is None or found.problems:
            first = found.problems[0] if found.problems else None
            where = place(kept.sheet, first.field) if first else ""
            raise InputError("this sheet cannot be read as it stands"
                             + (f": {where + ': ' if where else ''}{first.text}" if first else ""),
                             expected="its mistakes set right first")
        return kept, found.case

    def proposed(self) -> list[tuple[tuple[str, Any], ...]]:
        """What the answer to the sheet proposes to read next; it is ranked for that.

        Raises
        ------
        AmplifierError
            Where there is no answer.
        Ended
        """
        job = begun(self._at, self.kept, self.case)
        while not job.over:
            if self._run.ending.wait(LOOK):
                self._at.jobs.cancel(self._name)
                raise Ended
            steps = [f"{what}: {done} of {total}" for what, (done, total)
                     in list(job.steps.items())[-1:]]
            self._run.tell(text=". ".join(["ranking the sheet for what to read next", *steps]))
        if job.result is None:
            raise AmplifierError(f"nothing is proposed without an answer: {job.text or job.state}")
        return [one.conditions for one in job.result.next]

    def look_for_good(self, readings: Sequence[Reading]) -> None:
        """Have good units simulated meanwhile: what they read is told once it is known."""
        if readings:
            threading.Thread(target=self._simulate, args=(tuple(readings),), daemon=True).start()

    def _simulate(self, readings: tuple[Reading, ...]) -> None:
        run = self._run

        def report(what: str, done: int, total: int) -> None:
            run.tell(good=f"good units are simulated ({what}: {done} of {total})")

        def begin() -> bool:
            return not run.ending.is_set()

        run.tell(good="good units are simulated")
        run.on_end(lambda: self._at.aside.stop(begin))
        try:
            _, found = self._at.aside.run("on_paper", self.case.stage, readings, report=report,
                                          begin=begin, deadline=_GOOD)
        except (AmplifierError, RuntimeError) as error:
            if begin():
                run.remark(f"what good units read is not known: {str(error).splitlines()[0]}")
            run.tell(good="")
            return
        self._good = {r: figure for r, figure in zip(readings, found, strict=True)
                      if figure is not None}
        run.tell(good="", readings=self.told())

    def keep(
        self, put: Callable[[str], str], measured: Measured, loaded: Reading, text: str,
        channel: str,
    ) -> None:
        """Keep a reading, and tell of it.

        Parameters
        ----------
        put : callable
            As `with_taken`.
        loaded : Reading
            Under the conditions that good units are simulated under.

        Raises
        ------
        AmplifierError
            Where it cannot be kept; then it is told all the same.
        """
        side = channel if self.case.channels else ""
        row = measured.reading
        one = _Read(measured, loaded, text, side)
        self._read.append(one)
        try:
            self._at.shelf.amend(self._name, lambda sheet: with_taken(sheet, put, row, text, side))
        except AmplifierError:
            one.kept = False
            raise
        finally:
            limits = self._limits()
            # a published figure that states no load is held against the card's as well
            one.limits = [(line.passes, against_limit(line))
                          for line in verdict(limits, [measured])]
            self._run.tell(readings=self.told())

    def text_now(self) -> str:
        """The text of the sheet as it is kept just now; empty where no row of it can be read."""
        text = written(self._at.shelf.load(self._name).sheet).text
        try:
            for channel in [name for name, _ in self.case.channels] or [""]:
                rows(text, self.case.stage, channel)
        except InputError:
            return ""
        return text

    def _limits(self) -> Sequence[Any]:
        """The published figures as they stand; while the sheet cannot be read, those of before."""
        try:
            case = self._at.checked(self._at.shelf.load(self._name)).case
        except AmplifierError:
            case = None
        return (case or self.case).limits

    def told(self) -> list[dict[str, Any]]:
        """The readings so far, for pages."""
        return [self._line(one) for one in list(self._read)]

    def _line(self, one: _Read) -> dict[str, Any]:
        good = self._good.get(one.loaded)
        value = one.measured.value
        # a bound says nothing against a unit, and a single figure has no range to be in
        inside = (good is None or good.low <= value <= good.high or good.low == good.high
                  or bool(one.measured.bound))
        return {
            "label": one.loaded.label(), "channel": one.channel, "value": one.text,
            "good": "" if good is None else beside_good(one.loaded, value, good,
                                                        bool(one.measured.bound)),
            "usual": inside, "limits": one.limits, "kept": one.kept,
        }

    def count(self) -> str:
        """How many readings are kept."""
        number = sum(one.kept for one in self._read)
        return f"{number} reading{'s' * (number != 1)} taken and on the sheet"
