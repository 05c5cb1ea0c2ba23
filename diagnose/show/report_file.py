"""One answer as one HTML file that needs nothing else: for the customer's folder and for print."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.cautions import HEADING
from circuits.errors import InputError
from circuits.kinds import kind
from circuits.load import load_stage, stage_names, unit_names
from circuits.quantity import render
from circuits.reading import Reading, shown
from diagnose.answer.result import Result
from diagnose.sheet.case import Case
from diagnose.sheet.entry import Measured
from diagnose.sheet.sections import SECTIONS
from diagnose.show.figure import Figure
from diagnose.show.wording import amount

if TYPE_CHECKING:
    from jinja2 import Environment

    from faultlib.signature import Stepwise
    from faultlib.simulate import Bench

_HERE = Path(__file__).parents[1] / "web"
"""Folder of the page's templates and styles, which the report shares."""
_CHART_WIDTH = 640.0
"""Width of a chart, CSS pixels: the text column of a printed sheet."""
_CHART_HEIGHT = 270.0
"""Height of a chart, CSS pixels."""


def report(
    path: Path, file: Path, bench: Bench, progress: Stepwise | None = None
) -> Result:
    """Rank a case file and write the report on it.

    Parameters
    ----------
    path : Path
        The case.
    file : Path
        The report; an older one is replaced.

    Raises
    ------
    InputError
        For a case that cannot be ranked, or a report that cannot be written there.
    """
    from diagnose.answer.ranking import rank
    from diagnose.sheet.case import load_case
    from diagnose.show.answer_figure import answer_figure

    check_name(file)
    case = load_case(path)
    result = rank(case, bench, progress)
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
    page = _templates().get_template("report.html")
    return page.render(case=case, style=report_style(), body=body)


def report_style() -> str:
    """The style sheet that `report_body` is drawn for."""
    from diagnose.show.embedded import STYLES

    style = (_HERE / "static" / "answer.css").read_text(encoding="utf-8") + STYLES
    return style + (_HERE / "static" / "report.css").read_text(encoding="utf-8")


def report_body(case: Case, result: Result, figure: Figure, day: date) -> str:
    """The report as an ``<article>`` of a page that has its style.

    Parameters
    ----------
    case, result, figure, day
        As `report_html`.
    """
    from diagnose.show.embedded import charts, drawing, lit

    heads, rows = _readings(case)
    done = [(section.words, getattr(case, name)) for name, section in SECTIONS.items()]
    return _templates().get_template("report_body.html").render(
        case=case, result=result, day=f"{day.day} {day:%B %Y}", changed=_changed(case),
        drawing=drawing(case.stage, lit(result)),
        charts=charts(figure, _CHART_WIDTH, _CHART_HEIGHT),
        chart_size=(_CHART_WIDTH, _CHART_HEIGHT),
        note=figure.note, heads=heads, rows=rows, done=[one for one in done if one[1]],
    )


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


@lru_cache(maxsize=1)
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader

    from diagnose.show.filters import FILTERS

    environment = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True,
                       trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(FILTERS)
    environment.globals["cautions_heading"] = HEADING
    return environment


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


def _readings(case: Case) -> tuple[list[str], list[tuple[str, list[str]]]]:
    """Column heads, and every reading with its values."""
    if not case.channels:
        return ["measured"], [(m.reading.label(), [_value(m)]) for m in case.readings]
    names = [name for name, _ in case.channels]
    sides = [{m.reading: m for m in read} for _, read in case.channels]
    readings: dict[Reading, None] = dict.fromkeys(r for side in sides for r in side)
    return names, [
        (r.label(), [_value(side[r]) if r in side else "" for side in sides]) for r in readings
    ]


def _value(measured: Measured) -> str:
    reading = measured.reading
    text = amount(shown(reading, measured.value), reading.unit)
    return f"{measured.bound} {text}".strip()
