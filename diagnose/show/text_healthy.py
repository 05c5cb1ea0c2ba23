"""The healthy unit of a stage as text."""

from __future__ import annotations

from circuits.stage import GROUND
from diagnose.show.text_page import BAD, DIM, STRONG, WIDTH, Cell, Page
from diagnose.show.wording import figure_text, heat_and_range, sentence, value_and_range
from diagnose.studies.healthy_unit import SPREAD, WARM, HealthyUnit


def healthy_text(made: HealthyUnit, width: int = WIDTH, colour: bool = False) -> str:
    """What ``diagnose stages STAGE --healthy`` prints."""
    page = Page(width, colour)
    stage, unit = made.stage, made.unit
    page.line(f"{stage.name}: the healthy unit at rest", STRONG)
    page.line(f"Between which values {SPREAD} lie stands beside; no signal, an ideal meter.", DIM)
    _findings(page, made)
    page.heading("Voltages")
    _figures(page, ("node", "", "healthy", SPREAD),
             [((node, STRONG), what, *value_and_range(unit.volts[node], "V"))
              for node, what in made.points()])
    if stage.rails:
        page.heading("Rails")
        page.table(
            ("rail", "voltage", SPREAD, "current", SPREAD),
            [((r.name, STRONG), *value_and_range(unit.volts[r.name], "V"),
              *value_and_range(unit.rails[r.name], "A")) for r in stage.rails],
            right=(1, 2, 3, 4), whole=range(5),
        )
    flows, still = made.flowing()
    if flows:
        page.heading("Currents and dissipation")
        page.table(("part", "current", SPREAD, "heat", SPREAD), [
            ((p.name, STRONG), *value_and_range(unit.currents[p.name], "A"),
             *heat_and_range(unit.watts.get(p.name)))
            for p in flows
        ], right=(1, 2, 3, 4), whole=range(5))
    if still:
        page.line()
        page.line(f"No current at rest: {', '.join(p.name for p in still)}.")
    if made.set_by():
        page.heading("Trimmers")
        page.table((), [
            ((one.part, STRONG), f"{figure_text(read, 'V')} at {one.at}"
             + (f" from {one.origin}" if one.origin != GROUND else ""),
             f"{100.0 * position:.0f} % of its way")
            for one, read, position in made.set_by()
        ], whole=(0, 1, 2))
    if made.problems:
        page.heading("Not simulated")
        page.bullets(made.problems)
    return page.text()


def _findings(page: Page, made: HealthyUnit) -> None:
    """What is not as a working stage has it, then what only gets warm."""
    page.heading("Found in it")
    if not made.findings:
        page.line("Nothing cut off, saturated, reversed, overloaded or unstable.", indent=2)
        return
    page.table((), [
        ((f.part or "the stage", STRONG), (f.state, DIM if f.state == WARM else BAD),
         sentence(f.text), f.role)
        for f in made.findings
    ], whole=(0, 1))


def _figures(page: Page, heads: tuple[str, ...], rows: list[tuple[Cell, ...]]) -> None:
    page.table(heads, rows, right=(2, 3), whole=(0, 2, 3))
