"""A coverage as text."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.show.text_page import BAD, DIM, GOOD, STRONG, WIDTH, Cell, Page
from diagnose.show.wording import amount, chance
from diagnose.studies.fault_coverage import Coverage, Covered

_NAMED = 3
"""Look-alikes named before they are counted."""


def coverage_text(made: Coverage, width: int = WIDTH, colour: bool = False) -> str:
    """The table of ``diagnose coverage``."""
    page = Page(width, colour)
    page.line(f"What {len(made.readings)} readings find in stage {made.stage}", STRONG)
    page.line(f"These readings detect {chance(made.detected)} of likely faults, and pin "
              f"{chance(made.isolated)} down to the part.")
    page.line("A size is detected where the readings go outside what 99 of 100 good units show; a "
              "fault, where at least half of its sizes are.", DIM)
    page.line()
    page.table(
        ("part", "fault", "detected from", "looks the same"), _rows(made.faults),
        whole=(0,), indent=0,
    )
    if made.problems:
        page.heading("Not simulated")
        page.bullets(made.problems)
    return page.text()


def _rows(faults: Sequence[Covered]) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    before = ""
    for fault in faults:
        part = fault.part if fault.part != before else ""
        before = fault.part
        style = "" if fault.detected else BAD
        rows.append(((part, STRONG), fault.mode, (_from(fault), style), _like(fault)))
    return rows


def _from(fault: Covered) -> str:
    if fault.share <= 0.0:
        return "not detected"
    few = "" if fault.detected else f" ({chance(fault.share)} of its sizes)"
    if fault.smallest is None:
        return f"detected{few}"
    return amount(fault.smallest.value, fault.smallest.unit) + few


def _like(fault: Covered) -> Cell:
    if fault.share <= 0.0:
        return ""
    if not fault.alike:
        return ("nothing", GOOD)
    rest = len(fault.alike) - _NAMED
    return ", ".join(fault.alike[:_NAMED]) + (f" and {rest} more" if rest > 0 else "")
