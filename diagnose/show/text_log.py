"""The case log as text: jobs, one job, like cases, the same unit again, statistics of the shop."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from diagnose.answer.from_log import Earlier, FromLog, Like
from diagnose.log.entry import Entry
from diagnose.log.service import Service
from diagnose.log.statistics import Share, Statistics, Times
from diagnose.show.text_page import DIM, GOOD, STRONG, WIDTH, Cell, Page
from diagnose.show.wording import amount, chance

SIGNS = 8
"""Of the number of a job, those that are shown."""
_MOST_READINGS = 8
"""Readings of a job that are shown; the rest is counted."""
_MOST_LINES = 12
"""Lines of a table of the statistics."""
PROOFS = {
    "readings after": "proved by readings after the repair", "measured": "the part was measured",
    "swapped": "a good part cured it", "not proved": "not proved",
}
"""How a job was proved, in words."""


def when(closed: str) -> str:
    """The day of an entry, in local time."""
    try:
        return f"{datetime.fromisoformat(closed).astimezone():%Y-%m-%d}"
    except (ValueError, OverflowError, OSError):
        return closed[:10]


def took(minutes: float | None) -> str:
    """Minutes of work; empty where nobody said."""
    return "" if minutes is None else f"{minutes:.0f} min"


def alike(one: Like) -> str:
    """How alike two cases are, in words."""
    if one.distance < 0.3:
        return "much the same"
    return "like" if one.distance < 0.8 else "somewhat like"


def jobs_text(entries: Sequence[Entry], width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose log list``."""
    page = Page(width, colour)
    if not entries:
        page.line("No job was closed yet. diagnose log close SHEET closes one.")
        return page.text()
    page.table(
        ("number", "closed", "stage", "it was", "proof", "time"),
        [(e.job[:SIGNS], when(e.closed), e.stage, (e.was, STRONG), e.proof, took(e.minutes))
         for e in entries],
        right=(5,), whole=(0, 1, 4, 5), indent=0)
    return page.text()


def job_text(entry: Entry, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose log show``."""
    page = Page(width, colour)
    page.line(entry.case or entry.stage, STRONG)
    page.line(f"number {entry.job}, closed {when(entry.closed)}", DIM)
    rows: list[tuple[Cell, ...]] = [
        ("stage", entry.stage),
        ("unit", ", ".join(filter(None, (entry.unit, entry.serial and f"no. {entry.serial}")))),
        ("it was", (entry.was, STRONG)), ("cause", entry.cause),
        ("proof", PROOFS[entry.proof]), ("parts fitted", "; ".join(entry.parts)),
        ("work", took(entry.minutes)), ("first answer", first_answer(entry)),
        ("sheet", entry.sheet),
    ]
    page.table((), [row for row in rows if row[1] and row[1] != ("", STRONG)], whole=(0,))
    if entry.struck:
        page.line("This job was struck out: nothing is learnt from it.", STRONG)
    far = sorted(entry.seen, key=lambda s: -abs(s.off))
    if far:
        page.heading("Readings, those farthest from healthy first")
        page.table(("reading", "measured", "healthy", "off"), [
            (s.reading, amount(s.measured, s.unit), amount(s.healthy, s.unit, s.reading),
             spreads(s.off)) for s in far[:_MOST_READINGS]
        ], right=(1, 2, 3), whole=(1, 2, 3))
        _rest(page, len(far) - _MOST_READINGS, "readings")
    return page.text()


def first_answer(entry: Entry) -> str:
    """Whether the first answer was right, in words."""
    said = {True: "right", False: "wrong", None: "not known, as the cause was not proved"}
    return said[entry.right]


def spreads(off: float) -> str:
    """A departure in units of the spread."""
    return f"{off:+.1f}" if abs(off) < 100.0 else f"{off:+.0f}"


def log_text(page: Page, told: FromLog) -> None:
    """What the log adds to an answer, on its page."""
    if told.problem:
        page.heading("The log of closed jobs was left out")
        page.line(told.problem, indent=3)
        return
    if told.changed:
        _priors(page, told)
    if told.earlier:
        page.heading("This unit was here before")
        earlier_text(page, told.earlier)
    if told.like:
        page.heading("Like cases before")
        like_text(page, told.like)


def _priors(page: Page, told: FromLog) -> None:
    page.heading("Before any reading: what the log makes of it")
    page.line(learnt_words(told), indent=3)
    rows = [(f"{x.part} {x.mode}", chance(x.without), chance(x.prior))
            for x in told.priors[:_MOST_READINGS]]
    page.table(("", "without the log", "with it"), rows, right=(1, 2), whole=(0, 1, 2), indent=3)
    _rest(page, len(told.priors) - _MOST_READINGS, "suspects")
    met = [x for x in told.shares if x.number]
    if met:
        page.line()
        page.table(
            ("of failures of its kind", "without the log", "with it", "repairs"),
            [(f"{x.kind}: {x.mode}", chance(x.without), chance(x.share), f"{x.number} of {x.of}")
             for x in met[:_MOST_LINES]],
            right=(1, 2, 3), whole=(1, 2, 3), indent=3)
        _rest(page, len(met) - _MOST_LINES, "modes")
    if told.rates:
        page.line("Rates of kinds, by units in service: " + ", ".join(
            f"{x.kind} ×{x.factor:.2g}" for x in told.rates), indent=3)


def learnt_words(told: FromLog) -> str:
    """What was learnt from, in a sentence."""
    count = "one confirmed repair" if told.cases == 1 else f"{told.cases} confirmed repairs"
    return (f"Learnt from {count} of this shop's log; the shares of the library count as ten "
            "repairs of each kind.")


def like_text(page: Page, cases: Sequence[Like]) -> None:
    """Like cases, as a table."""
    page.table(
        ("number", "closed", "it was", "proof", "time", ""),
        [(x.job[:SIGNS], when(x.closed), (x.was, STRONG), x.proof, took(x.minutes), alike(x))
         for x in cases],
        right=(4,), whole=(0, 1, 4), indent=3)


def earlier_text(page: Page, jobs: Sequence[Earlier]) -> None:
    """What was done to the same unit before, and its readings then and now."""
    for job in jobs:
        what = "; ".join(filter(None, (job.cause, ", ".join(job.parts), took(job.minutes))))
        page.line(f"{when(job.closed)}: {job.was} ({PROOFS[job.proof]})", STRONG, indent=3)
        if what:
            page.line(what, indent=3)
        both = [x for x in job.lines if x.now is not None]
        if both:
            page.table(("reading", "then", "now", "healthy"), [
                (x.reading, amount(x.then, x.unit), amount(x.now or 0.0, x.unit),
                 amount(x.healthy, x.unit, x.reading)) for x in both[:_MOST_READINGS]
            ], right=(1, 2, 3), whole=(1, 2, 3), indent=3)
            _rest(page, len(both) - _MOST_READINGS, "readings")


def beside_text(told: FromLog, name: str, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose log like``."""
    page = Page(width, colour)
    page.line(name, STRONG)
    if not told.like and not told.earlier:
        page.line("No case before is like it, and this unit was not here.")
    log_text(page, told)
    return page.text()


def statistics_text(made: Statistics, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose log statistics``."""
    page = Page(width, colour)
    jobs = "1 job" if made.jobs == 1 else f"{made.jobs} jobs"
    page.line(f"{jobs} closed, {made.confirmed} with a proved fault", STRONG)
    if not made.jobs:
        return page.text()
    page.table((), [(str(n), word) for word, n in made.findings], right=(0,), indent=3)
    if made.fails:
        page.heading("What fails")
        page.table(("", "mode", "repairs", "of its kind"), [
            (f.kind, (f.mode, STRONG), str(f.number), f"{f.number} of {f.of}")
            for f in made.fails[:_MOST_LINES]], right=(2, 3), whole=(2, 3), indent=3)
        _rest(page, len(made.fails) - _MOST_LINES, "modes")
        page.line()
        page.table(("stage", "part", "repairs"), [
            (stage, (part, STRONG), str(n)) for stage, part, n in made.parts[:_MOST_LINES]],
            right=(2,), whole=(2,), indent=3)
    page.heading("How often the first answer was right")
    page.line(right_words(made.right), GOOD if made.right.of else DIM, indent=3)
    page.heading("What taking the readings proposed saves")
    page.table(("", "jobs", "mean time"), [
        ("taken as proposed", str(made.followed.jobs), mean_time(made.followed)),
        ("not", str(made.alone.jobs), mean_time(made.alone)),
    ], right=(1, 2), whole=(1, 2), indent=3)
    page.line(saved_words(made), indent=3)
    return page.text()


def right_words(one: Share) -> str:
    """How often the first answer was right, with what luck leaves open."""
    if not one.of:
        return "No job was closed yet whose cause was proved."
    return (f"{one.number} of {one.of} proved jobs, {chance(one.share)}; "
            f"luck leaves {chance(one.low)} to {chance(one.high)} open (95 %).")


def mean_time(one: Times) -> str:
    """A mean with its standard error."""
    if not one.jobs:
        return ""
    return f"{one.mean:.0f} min" if one.jobs == 1 else f"{one.mean:.0f} ±{one.error:.0f} min"


def saved_words(made: Statistics) -> str:
    """What it saves, and what that rests on."""
    if made.saved is None:
        return ("Too few jobs say so yet: five of either kind are needed, closed with --minutes "
                "and --proposed.")
    gain = made.saved
    return (f"A job takes {gain.minutes:.0f} min less; luck leaves {gain.low:.0f} to "
            f"{gain.high:.0f} min open (95 %). These are jobs as they came, not a trial: hard "
            "ones may have gone one way and easy ones the other.")


def services_text(services: Sequence[Service], width: int = WIDTH, colour: bool = False) -> str:
    """Units in service, as a table."""
    page = Page(width, colour)
    page.table(("number", "stage", "unit-years", "hours a year"), [
        (s.job[:SIGNS], s.stage, f"{s.years:g}", f"{s.hours:g}") for s in services],
        right=(2, 3), whole=(0, 2, 3), indent=0)
    return page.text()


def _rest(page: Page, left: int, what: str) -> None:
    if left > 0:
        page.line(f"and {left} more {what} (all of them with --json)", DIM, indent=3)
