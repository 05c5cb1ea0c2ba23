"""Stages and studies as text."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.cautions import caution_texts
from circuits.kinds import kind
from circuits.quantity import render
from circuits.reading import Reading, shown
from circuits.stage import Stage
from diagnose.show.text_cautions import cautions_text
from diagnose.show.text_page import BAD, DIM, STRONG, WIDTH, Cell, Page
from diagnose.show.wording import amount
from diagnose.studies.fault_study import BAND, Study
from faultlib.catalogue import hypotheses

_COLUMNS = 4
"""Sizes shown beside each other in 80 columns."""


def stages_text(stages: Sequence[Stage], width: int = WIDTH, colour: bool = False) -> str:
    """The table of ``diagnose stages``."""
    page = Page(width, colour)
    rows: list[tuple[Cell, ...]] = [
        ((s.name, STRONG), s.title, str(len(hypotheses(s)))) for s in stages
    ]
    page.table(("stage", "what it is", "faults"), rows, right=(2,), whole=(0, 2), indent=0)
    page.line()
    page.line("diagnose stages STAGE shows one of them in detail.", DIM)
    return page.text()


def stage_text(stage: Stage, width: int = WIDTH, colour: bool = False) -> str:
    """One stage in detail."""
    page = Page(width, colour)
    page.line(f"{stage.name}: {stage.title}" if stage.title else stage.name, STRONG)
    if stage.about:
        page.line(stage.about)
    if stage.source:
        page.line(f"Source: {stage.source}", DIM)
    cautions_text(page, caution_texts(stage))
    modes: dict[str, list[str]] = {}
    for hypothesis in hypotheses(stage):
        modes.setdefault(hypothesis.part, []).append(hypothesis.mode.name)
    page.heading("On the bench")
    page.table((), _bench(stage))
    page.heading(f"Parts ({len(stage.parts)})")
    page.table(
        ("part", "kind", "value", "role"),
        [((p.name, STRONG), p.kind, _value(stage, p.name), p.role) for p in stage.parts],
        right=(2,), whole=(0, 2),
    )
    if stage.guessed:
        page.heading("Guessed, and not confirmed in its file")
        page.table((), [((of, STRONG), ", ".join(words)) for of, words in stage.guessed],
                   whole=(0,))
    if stage.test_points:
        page.heading("Test points")
        page.table((), [((node, STRONG), what) for node, what in stage.test_points], whole=(0,))
    page.heading(f"Faults that can be told ({sum(map(len, modes.values()))})")
    page.table((), [((part, STRONG), ", ".join(names)) for part, names in modes.items()],
               whole=(0,))
    return page.text()


def _bench(stage: Stage) -> list[tuple[Cell, ...]]:
    rails = ", ".join(f"{r.name} {render(r.volts, 'V')}" for r in stage.rails)
    drive = ", ".join(f"{k} {render(x, 'W' if k == 'power' else 'V')}" for k, x in stage.signal)
    rows = [
        ("rails", rails or "none"),
        ("source impedance", render(stage.source_impedance, "ohm")),
        ("load", render(stage.load, "ohm") if stage.load else "none"),
        ("mains", render(stage.mains, "Hz")),
        ("usual drive", drive),
        ("two channels share", ", ".join(stage.shared)),
    ]
    return [row for row in rows if row[1]]


def _value(stage: Stage, name: str) -> str:
    part = stage.part(name)
    unit = kind(part.kind).unit
    return part.model if part.value is None or not unit else render(part.value, unit)


def study_text(made: Study, width: int = WIDTH, colour: bool = False) -> str:
    """The table of ``diagnose study``."""
    page = Page(width, colour)
    page.line(f"{made.part} {made.mode} in stage {made.stage}", STRONG)
    if made.role:
        page.line(f"{made.part}: {made.role}", DIM)
    page.line()
    leaves = made.leaves()
    if leaves.any():
        _moving(page, made)
    else:
        page.line("No reading goes outside what good units show.")
    _still(page, [r for m, r in enumerate(made.readings) if not leaves[m]])
    if made.problems:
        page.heading("Not simulated")
        page.bullets(made.problems)
    return page.text()


def _moving(page: Page, made: Study) -> None:
    """The readings that leave the healthy band, with arrows where they are outside."""
    rows = made.chosen(_COLUMNS - bool(made.measured))
    heads = ["reading", *(["measured"] if made.measured else []), "healthy"]
    heads += [render(float(made.sizes[k]), made.unit) if made.sized else made.mode for k in rows]
    # over the digits, which an arrow follows
    heads[-len(rows) :] = [f"{head}  " for head in heads[-len(rows) :]]
    moved, leaves = made.outside(), made.leaves()
    values, healthy = made.si(made.values), made.si(made.healthy)
    table: list[list[Cell]] = []
    for m, reading in enumerate(made.readings):
        if not leaves[m]:
            continue
        row: list[Cell] = [reading.label()]
        if made.measured:
            row.append(_written(reading, made.measured[m], read=True))
        row.append(_written(reading, float(healthy[m])))
        for k in rows:
            arrow = {1: " ↑", -1: " ↓", 0: "  "}[int(moved[k, m])]
            text = _written(reading, float(values[k, m])) + arrow
            row.append((text, BAD if arrow.strip() else ""))
        table.append(row)
    if made.sized:
        page.line(f"{made.quantity}, from slight to worst:", DIM)
    firm = range(1, len(heads))
    page.table(heads, table, right=firm, whole=firm, indent=0, gap=1)
    page.line()
    page.line("↑ ↓ above or below what good units show, with the tolerance of their parts and of "
              f"a bench instrument ({BAND:g} standard deviations).", DIM)


def _written(reading: Reading, value: float | None, read: bool = False) -> str:
    """A simulated value, or one that was read."""
    label = "" if read else reading.label()
    return "" if value is None else amount(shown(reading, value), reading.unit, label)


def _still(page: Page, readings: Sequence[Reading]) -> None:
    """What does not move, a list for each quantity."""
    if not readings:
        return
    groups: dict[str, list[str]] = {}
    for reading in readings:
        head, _, where = reading.label().partition(" at ")
        groups.setdefault(head, []).append(where)
    lists = [f"{head} at {', '.join(places)}" if all(places) else head
             for head, places in groups.items()]
    page.line()
    page.line(f"Not affected: {'; '.join(lists)}.")
