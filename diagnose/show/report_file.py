"""One answer as one HTML file that needs nothing else: for the customer's folder and for print."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.errors import InputError
from circuits.kinds import kind
from circuits.load import load_stage, stage_names, unit_names
from circuits.quantity import render
from circuits.reading import Reading, shown
from diagnose.answer.judgement import VerdictLine
from diagnose.answer.result import Result
from diagnose.answer.verdict import summary, verdict
from diagnose.sheet.case import DONE, Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.record import FIELDS, PARTS
from diagnose.sheet.sections import SECTIONS
from diagnose.show.curve_rows import Row, rows_of
from diagnose.show.figure import Figure
from diagnose.show.templates import style, templates
from diagnose.show.wording import amount, chance

if TYPE_CHECKING:
    from faultlib.signature import Stepwise
    from faultlib.simulate import Bench

_WHOLE, _HALF, _THIRD = (640.0, 262.0), (372.0, 214.0), (300.0, 228.0)
"""Width and height of a chart, CSS pixels: alone in the text column, or two or three beside each
other."""
_TIED = "\u00a0"
"""A space where no line ends."""
_NAMED = 3
"""Causes that the first lines name."""
_LONG = 6
"""Readings from which on their table stands in two halves."""


def report(
    path: Path, file: Path, bench: Bench, progress: Stepwise | None = None,
    log: Path | None = None,
) -> Result:
    """Rank a case file and write the report on it.

    Parameters
    ----------
    path : Path
        The case.
    file : Path
        The report; an older one is replaced.
    log : Path, optional
        The log of closed jobs; None leaves it out.

    Raises
    ------
    InputError
        For a case that cannot be ranked, or a report that cannot be written there.
    """
    from diagnose.log.beside import rank_with_log
    from diagnose.sheet.case import load_case
    from diagnose.show.answer_figure import answer_figure

    check_name(file)
    case = load_case(path)
    result = rank_with_log(case, bench, progress, log)
    leading = result.suspects[0] if result.suspects else None
    figure = answer_figure(case, leading, bench, progress)
    write_report(report_html(case, result, figure, date.today()), file)
    return result


def report_html(case: Case, result: Result, figure: Figure, day: date) -> str:
    """The whole report.

    Parameters
    ----------
    result : Result
        Of that case.
    figure : Figure
        Of `diagnose.show.answer_figure`.
    day : date
        When it was written.

    Returns
    -------
    str
        An HTML document without a reference to anything outside it.
    """
    body = report_body(case, result, figure, day)
    page = templates().get_template("report.html")
    return page.render(name=case.name, style=report_style(), body=body)


def report_style() -> str:
    """The style sheet that `report_body` is drawn for."""
    return style("answer", "report")


def report_body(case: Case, result: Result, figure: Figure, day: date) -> str:
    """The report as an ``<article>`` of a page that has its style.

    Parameters
    ----------
    case, result, figure, day
        As `report_html`.
    """
    from diagnose.show.attached_views import views
    from diagnose.show.embedded import charts, drawing, lit

    heads, rows = _readings(case)
    size = {1: _WHOLE, 3: _THIRD}.get(len(figure.panels), _HALF)
    done = [(section.words, getattr(case, name)) for name, section in SECTIONS.items()]
    half = math.ceil(len(rows) / 2) if len(rows) >= _LONG else len(rows)
    return templates().get_template("report_body.html").render(
        case=case, result=result, day=f"{day.day} {day:%B %Y}", changed=_changed(case),
        record=case.record, labels={f.word: f.label for f in (*FIELDS, PARTS)},
        drawing=drawing(case.stage, lit(result)), charts=charts(figure, *size), chart_size=size,
        three=size == _THIRD,
        note=figure.note, heads=heads, tables=[part for part in (rows[:half], rows[half:]) if part],
        curves=_curves(case), done=[one for one in done if one[1]],
        attached=views(case),
        short=in_short(case, result), proved=_proved(case),
    )


@dataclass(frozen=True)
class Proved:
    """The published figures against what was read after the last repair, as a `Result` has them."""

    verdict: tuple[VerdictLine, ...]
    summary: str


def _proved(case: Case) -> Proved | None:
    """What the readings after repairs come to; of one taken again the last counts."""
    last = {m.reading: m for made in case.repaired for m in made.readings}
    limits = [x for x in case.limits if x.channels in (0, len(case.channels) or 1)]
    lines = verdict(limits, list(last.values()))
    if not lines:
        return None
    who = f"the {case.suspect} channel" if case.suspect else "the unit"
    return Proved(lines, f"After the repair, {summary(lines, who)}")


def in_short(case: Case, result: Result) -> list[tuple[str, str]]:
    """The job in a few lines: verdict, cause, repair, proof."""
    record = case.record
    judged = result.summary or "There are no published figures on the sheet."
    done = [f"{made.part} {made.how}" for made in case.repaired]
    done += [f"{c.part} {c.found}" for c in case.checks if c.found in DONE]
    repair = "; ".join([*dict.fromkeys(done), *record.parts]) or "Nothing was repaired yet."
    proved = _proved(case)
    proof = [f"{proof.text} ({chance(getattr(proof, proof.outcome))})" for proof in result.repair]
    proof += [proved.summary] if proved is not None else []
    cause = record.of("cause") or record.of("found") or _likely(result)
    return [("Verdict", judged), ("Cause", cause), ("Repair", repair),
            ("Proof", " ".join(proof) or "No readings were taken after a repair.")]


def _likely(result: Result) -> str:
    """What the readings point to, where nobody has written down what the cause was."""
    if result.answer.kind == "nothing wrong shows":
        return f"Nothing wrong shows in these readings ({chance(result.nothing)})."
    if result.answer.kind != "suspects" or not result.told:
        return f"None of the known faults explains these readings ({chance(result.unmodelled)})."
    first = result.told[0]
    named = " or ".join(first.members[:_NAMED])
    more = len(first.members) - _NAMED
    others = f" or one of {more} more" if more > 0 else ""
    return f"Not written down; by these readings {named}{others} ({chance(first.probability)})."


def check_name(path: Path) -> None:
    """Refuse a file name that is not one of a page, before anything is simulated.

    Raises
    ------
    InputError
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"a report cannot be written as {path.name!r}",
                         expected="a file name that ends in .html")


def write_report(text: str, path: Path) -> None:
    """Write a report whole or not at all.

    Raises
    ------
    InputError
        For a file that cannot be written or is not named as a page.
    """
    check_name(path)
    trial = path.with_name(f".{path.name}.part")
    try:
        trial.write_text(text, encoding="utf-8")
        trial.replace(path)
    except OSError as error:
        trial.unlink(missing_ok=True)
        raise InputError(f"{path} cannot be written: {error.strerror}",
                         expected="a file in a folder that exists") from None


def _changed(case: Case) -> list[str]:
    """Parts whose values differ from the stage that ships."""
    if case.stage.name not in (*stage_names(), *unit_names()):
        return []
    drawn = {p.name: p.value for p in load_stage(case.stage.name).parts}
    return [
        f"{p.name} {render(p.value, kind(p.kind).unit)}"
        for p in case.stage.parts
        if p.value is not None and drawn.get(p.name, p.value) != p.value
    ]


def _sides(case: Case) -> list[tuple[str, dict[Reading, Measured]]]:
    """The readings of the unit, or of each channel by its name."""
    sides = case.channels or (("measured", case.readings),)
    return [(name, {m.reading: m for m in read}) for name, read in sides]


def _rows(case: Case) -> list[Row]:
    return rows_of(reading for _, read in _sides(case) for reading in read)


def _readings(case: Case) -> tuple[list[str], list[tuple[str, list[str]]]]:
    """Column heads, and every reading that stands by itself with its values."""
    sides = _sides(case)
    return [name for name, _ in sides], [
        (row.label, [_value(read[r]) if r in read else "" for _, read in sides])
        for row in _rows(case) if not row.is_curve for r in row.readings
    ]


def _curves(case: Case) -> list[tuple[str, str]]:
    """Curves, each with what was read along it; of two channels one behind the other."""
    sides = _sides(case)
    named = f", {' / '.join(name for name, _ in sides)}" if case.channels else ""
    return [
        (row.label + named, ", ".join(_point(r, [read for _, read in sides]) for r in row.readings))
        for row in _rows(case) if row.is_curve
    ]


def _point(reading: Reading, sides: list[dict[Reading, Measured]]) -> str:
    """A frequency and what was read there, in one piece: ``20 Hz -4.70 / -0.10 dB``."""
    values = [_value(read[reading]) if reading in read else "–" for read in sides]
    unit = values[-1].rpartition(" ")[2]
    if all(value.endswith(f" {unit}") for value in values):
        values = [*(value.removesuffix(f" {unit}") for value in values[:-1]), values[-1]]
    return f"{render(reading.frequency, 'Hz')} {' / '.join(values)}".replace(" ", _TIED)


def _value(measured: Measured) -> str:
    reading = measured.reading
    text = amount(shown(reading, measured.value), reading.unit)
    return f"{measured.bound} {text}".strip()
