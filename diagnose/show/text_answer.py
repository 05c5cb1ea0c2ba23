"""The answer to a case as text: what to mind, figures kept or not, then suspects in groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diagnose.answer.outcome import NOTHING, UNKNOWN, Hidden
from diagnose.answer.result import (
    DerivedLine,
    ExpectedLine,
    Explained,
    Group,
    Result,
    Suspect,
    VerdictLine,
)
from diagnose.answer.verdict import margin_text
from diagnose.show.text_cautions import cautions_text
from diagnose.show.text_next import next_table, repair_text
from diagnose.show.text_page import BAD, DIM, GOOD, STRONG, WIDTH, Cell, Page
from diagnose.show.wording import (
    MOST_READINGS,
    READ_AGAIN,
    amount,
    chance,
    less_probable,
    limits,
    measured_again,
    measured_amount,
    shows_from,
    size,
    why_again,
    with_a_line,
)

MOST_GROUPS = 5
"""Answers that are set out; the rest shares one line."""
MOST_HIDDEN = 6
"""Faults that may still hide and are told one by one."""
MOST_DERIVED = 8
"""Lines of what follows from the readings."""
_SLIGHT = 0.01
"""Answers less probable than this share one line."""


def as_text(result: Result, width: int = WIDTH, colour: bool = False) -> str:
    """The text of ``diagnose rank``.

    Parameters
    ----------
    width : int
        Columns.
    colour : bool
        Whether escape codes for weight and colour are written.

    Returns
    -------
    str
        Ends with a newline.
    """
    page = Page(width, colour)
    page.line(result.case, STRONG)
    page.line(f"stage {result.stage}", DIM)
    cautions_text(page, result.cautions)
    if result.again:
        page.heading(READ_AGAIN)
        page.bullets([f"{measured_again(one)}; {why_again(one)}" for one in result.again])
    if result.verdict:
        _figures(page, result.verdict, result.summary)
    if result.expected:
        _expected(page, result.expected)
    page.heading(_headline(result))
    if result.stages:
        _places(page, result.stages)
    if result.sections:
        _places(page, result.sections)
    groups = sorted(result.told, key=lambda g: -g.probability)
    large = [g for g in groups if g.probability >= _SLIGHT][:MOST_GROUPS]
    for group in large:
        _group(page, group, [s for s in result.suspects if s.group == group.group])
    _others(page, result, groups[len(large) :])
    if result.answer.kind == NOTHING and result.hidden:
        _hidden(page, result.hidden)
    if result.log is not None:
        from diagnose.show.text_log import log_text

        log_text(page, result.log)
    if result.repair:
        page.heading("After the repair")
        repair_text(page, result.repair)
    if result.next:
        page.heading("Readings to take next")
        next_table(page, result.next)
    if result.derived:
        _derived(page, result.derived)
    if result.notes:
        page.heading("Basis of this result")
        page.bullets(result.notes)
    return page.text()


_RESULTS: Mapping[str, Cell] = {
    "met": ("met", GOOD), "not met": ("NOT MET", BAD), "uncertain": ("UNSURE", STRONG),
}


def _figures(page: Page, lines: Sequence[VerdictLine], summary: str) -> None:
    page.heading("Published figures")
    if summary:
        page.line(summary)
    rows: list[tuple[Cell, ...]] = [
        (
            _RESULTS[line.result],
            f"{line.reading}, {line.channel}" if line.channel else line.reading,
            amount(line.measured, line.unit),
            limits(line),
            margin_text(line),
        )
        for line in lines
    ]
    page.table(("", "reading", "measured", "limit", "margin"), rows, right=(2,), whole=(0, 2))


_FITS: Mapping[str, Cell] = {
    "as expected": ("as expected", GOOD), "off": ("OFF", BAD), "uncertain": ("UNSURE", STRONG),
    "": "",
}


def _expected(page: Page, lines: Sequence[ExpectedLine]) -> None:
    page.heading("Expected figures")
    rows: list[tuple[Cell, ...]] = [
        (
            _FITS[line.result],
            f"{line.reading}, {line.channel}" if line.channel else line.reading,
            f"{amount(line.expected, line.unit)} ±{line.within}",
            measured_amount(line),
        )
        for line in lines
    ]
    page.table(("", "reading", "expected", "measured"), rows, right=(3,), whole=(0, 2, 3))


def _derived(page: Page, lines: Sequence[DerivedLine]) -> None:
    page.heading("What follows from the readings")
    shown = lines[:MOST_DERIVED]
    page.table((), [
        (f"{x.name}, {x.channel}" if x.channel else x.name, amount(x.value, x.unit), x.formula)
        for x in shown
    ], right=(1,), whole=(1,))
    if len(lines) > len(shown):
        page.line(f"and {len(lines) - len(shown)} more (all of them with --json)", DIM, indent=2)


def _headline(result: Result) -> str:
    """What the answer is, in one sentence."""
    if result.answer.kind == NOTHING:
        return f"Nothing wrong shows in these readings ({chance(result.nothing)})"
    if result.answer.kind == UNKNOWN:
        return f"None of the known faults explains these readings ({chance(result.unmodelled)})"
    return "What these readings point to"


def _hidden(page: Page, faults: Sequence[Hidden]) -> None:
    """Faults that may be there all the same, and from which size on they would show."""
    page.heading("What may still hide")
    page.line("These faults would read alike, as long as they are slight:", indent=3)
    page.table((), [(f"{h.part} {h.mode}", h.role, shows_from(h)) for h in faults[:MOST_HIDDEN]],
               whole=(0,), indent=3)
    if len(faults) > MOST_HIDDEN:
        page.line(f"and {len(faults) - MOST_HIDDEN} more (all of them with --json)", DIM, indent=3)


def _places(page: Page, places: Sequence[tuple[str, float]]) -> None:
    """In which stage or section of a unit the fault is, without those that it hardly is in."""
    rows = [(chance(p), name) for name, p in places if p >= _SLIGHT]
    if rows:
        page.line("Where in the unit:", indent=3)
        page.table((), rows, right=(0,), whole=(0,), indent=3)


def _group(page: Page, group: Group, suspects: Sequence[Suspect]) -> None:
    """One answer: its suspects and the readings that speak for the first of them."""
    page.line()
    number = f"{group.group}. {chance(group.probability)}"
    shown = with_a_line(suspects)
    if len(group.members) > 1:
        page.line(f"{number}, {len(group.members)} causes these readings can't separate", STRONG)
        page.line("The order within the group means little.", indent=3)
        page.table((), [(chance(s.probability), _described(s)) for s in shown],
                   right=(0,), whole=(0,), indent=3)
        if len(suspects) > len(shown):
            page.line(less_probable(suspects), DIM, indent=3)
    elif suspects:
        head, *sizes = _described(suspects[0]).split("\n")
        page.line(f"{number}, {head}", STRONG)
        for line in sizes:
            page.line(line, indent=3)
    if suspects and suspects[0].explains:
        _explained(page, suspects[0])


def _described(suspect: Suspect) -> str:
    """Name and role, then a line for every size."""
    second = suspect.also
    if second is None:
        lines = [f"{suspect.name} ({suspect.role})" if suspect.role else suspect.name]
        lines.append(size(suspect.severity))
    else:
        lines = [suspect.name]
        for part in (suspect, second):
            role = f", {part.role}" if part.role else ""
            text = size(part.severity)
            lines.append(text and f"{part.part}{role}: {text}")
    return "\n".join(line for line in lines if line)


def _explained(page: Page, suspect: Suspect) -> None:
    shown = suspect.explains[:MOST_READINGS]
    rows = [
        (e.reading, amount(e.measured, e.unit),
         *(amount(x, e.unit, e.reading) for x in (e.healthy, e.predicted)))
        for e in shown
    ]
    page.table(
        ("reading", "measured", "healthy", "with fault"), rows,
        right=(1, 2, 3), whole=(1, 2, 3), indent=3,
    )
    rest: Sequence[Explained] = suspect.explains[MOST_READINGS:]
    if rest:
        page.line(f"and {len(rest)} more readings (all of them with --json)", DIM, indent=3)


def _others(page: Page, result: Result, slight: Sequence[Group]) -> None:
    page.heading("What else it may be")
    rows: list[tuple[Cell, ...]] = [
        (chance(result.nothing), "nothing wrong, or nothing that shows in these readings"),
        (chance(result.unmodelled), "a fault that is not in the library"),
    ]
    left = result.rest + sum(g.probability for g in slight)
    if left > 0.0:
        rows.append((chance(left), "all other faults together"))
    page.table((), rows, right=(0,), whole=(0,), indent=3)
