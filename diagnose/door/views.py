"""Views of answers: pictures, texts, documents, tables, the report and the page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from circuits.errors import InputError
from diagnose.door.answers import rank
from diagnose.door.on_bench import on_bench
from diagnose.door.sheets import load_stage

if TYPE_CHECKING:
    import pandas as pd

    from circuits.stage import Stage
    from diagnose.answer.result import Result
    from diagnose.recording.measurement import Measurement
    from diagnose.sheet.case import Case
    from diagnose.sheet.given import Given
    from diagnose.show.figure import Figure
    from diagnose.studies.fault_coverage import Coverage
    from diagnose.studies.fault_study import Study
    from diagnose.studies.healthy_unit import HealthyUnit
    from diagnose.studies.reliability import Report
    from faultlib.signature import Stepwise
    from faultlib.simulate import Bench

    Drawn = Result | Study | Coverage | Report
    Answer = Drawn | Measurement | HealthyUnit


def report(
    case: Case | Given | Result,
    file: Path | str | None = None,
    bench: Bench | None = None,
    progress: Stepwise | None = None,
) -> str:
    """The answer to a case as one HTML page that needs nothing else.

    Parameters
    ----------
    case : str, Path, mapping, Case or Result
    file : path, optional
        Where it is written as well; an older report is replaced.
    bench, progress
        As `rank`.
    """
    from diagnose.answer.result import Result
    from diagnose.show import report_file
    from diagnose.show.answer_figure import answer_figure

    path = None if file is None else Path(file)
    if path is not None:
        report_file.check_name(path)
    with on_bench(bench) as at:
        result = case if isinstance(case, Result) else rank(case, at, progress)
        if result.sheet is None:
            raise InputError("this answer does not know its sheet", expected="the case")
        leading = result.suspects[0] if result.suspects else None
        figure = answer_figure(result.sheet, leading, at, progress)
    text = report_file.report_html(result.sheet, result, figure, date.today())
    if path is not None:
        report_file.write_report(text, path)
    return text


def figure(
    answer: Drawn | Case, bench: Bench | None = None, progress: Stepwise | None = None
) -> Figure:
    """The picture of an answer, as data that `draw` and a notebook show.

    Parameters
    ----------
    answer : Result, Study, Coverage, Report or Case
        Of a case that is not ranked, what was measured beside good units, under drive too.
    bench : Bench, optional
        Where good units of a case are simulated.
    progress : callable, optional
        As `rank`, of a case.
    """
    from diagnose.answer.result import Result
    from diagnose.sheet.case import Case
    from diagnose.show.answer_figure import answer_figure
    from diagnose.show.coverage_figure import coverage_figure
    from diagnose.show.notebook import figure_of
    from diagnose.show.reliability_figure import reliability_figure
    from diagnose.show.study_figure import study_figure
    from diagnose.studies.fault_coverage import Coverage
    from diagnose.studies.fault_study import Study
    from diagnose.studies.reliability import Report

    if isinstance(answer, Case):
        with on_bench(bench) as at:
            return answer_figure(answer, None, at, progress)
    if isinstance(answer, Result):
        return figure_of(answer)
    if isinstance(answer, Study):
        return study_figure(answer)
    if isinstance(answer, Coverage):
        return coverage_figure(answer)
    if isinstance(answer, Report):
        return reliability_figure(answer)
    raise _unfit(answer, "picture")


def draw(what: Figure | Stage | Drawn | Case | str, file: Path | str) -> Path:
    """Draw a picture into a file.

    Parameters
    ----------
    what : Figure, Result, Study, Coverage, Report, Case, Stage or the name of a stage
    file : path
        Ending in ``.svg``, or ``.png``, which a stage is not drawn as.

    Returns
    -------
    Path
        The file.

    Examples
    --------
    >>> import diagnose, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     diagnose.draw("phono-opamp", f"{folder}/stage.svg").name
    'stage.svg'
    """
    from circuits.stage import Stage
    from diagnose.show import figure as paper

    file = Path(file)
    stage = load_stage(what) if isinstance(what, str) else what
    if isinstance(stage, Stage):
        from diagnose.show.stage.picture import render

        if file.suffix.lower() != ".svg":
            raise InputError(f"a stage is not drawn as {file.name!r}",
                             expected="a file name that ends in .svg")
        paper.write(render(stage).encode(), file)
        return file
    paper.check_format(file)
    paper.draw(stage if isinstance(stage, paper.Figure) else figure(stage), file)
    return file


def as_text(answer: Answer | Stage, width: int = 80) -> str:
    """An answer as the text that its command prints.

    Parameters
    ----------
    answer : Result, Study, HealthyUnit, Coverage, Report, Measurement or Stage
    width : int
        Columns.
    """
    from circuits.stage import Stage
    from diagnose.answer.result import Result
    from diagnose.recording.measurement import Measurement
    from diagnose.show import (
        text_answer,
        text_coverage,
        text_healthy,
        text_measurement,
        text_reliability,
        text_stage,
    )
    from diagnose.studies.fault_coverage import Coverage
    from diagnose.studies.fault_study import Study
    from diagnose.studies.healthy_unit import HealthyUnit
    from diagnose.studies.reliability import Report

    if isinstance(answer, Result):
        return text_answer.as_text(answer, width)
    if isinstance(answer, Study):
        return text_stage.study_text(answer, width)
    if isinstance(answer, HealthyUnit):
        return text_healthy.healthy_text(answer, width)
    if isinstance(answer, Coverage):
        return text_coverage.coverage_text(answer, width)
    if isinstance(answer, Report):
        return text_reliability.score_text(answer, width)
    if isinstance(answer, Measurement):
        return text_measurement.measure_text(answer, width)
    if isinstance(answer, Stage):
        return text_stage.stage_text(answer, width)
    raise _unfit(answer, "text")


def to_json(answer: Answer) -> dict[str, Any]:
    """An answer as the document that its command prints with ``--json``.

    Parameters
    ----------
    answer : Result, Study, HealthyUnit, Coverage, Report or Measurement
    """
    from diagnose.answer import result
    from diagnose.recording import measurement
    from diagnose.studies import fault_coverage, fault_study, healthy_unit, reliability

    if isinstance(answer, result.Result):
        return result.to_json(answer)
    if isinstance(answer, fault_study.Study):
        return fault_study.study_json(answer)
    if isinstance(answer, healthy_unit.HealthyUnit):
        return healthy_unit.healthy_json(answer)
    if isinstance(answer, fault_coverage.Coverage):
        return fault_coverage.coverage_json(answer)
    if isinstance(answer, reliability.Report):
        return reliability.report_json(answer)
    if isinstance(answer, measurement.Measurement):
        return measurement.to_json(answer)
    raise _unfit(answer, "document")


def to_frame(
    answer: Result | Case | Study | Coverage | Measurement | Sequence[Any],
) -> pd.DataFrame:
    """An answer as a pandas table; also a sequence of suspects, readings or readings to take next.

    Parameters
    ----------
    answer : Result, Case, Study, Coverage, Measurement or sequence

    Raises
    ------
    InputError
        Without pandas (``pip install 'amplifier-fault-diagnosis[notebook]'``).
    """
    from circuits.prompt import view
    from diagnose.show.frames import frame_of

    if isinstance(answer, Sequence):
        return frame_of(answer)
    frame = view(answer, "frame")
    return frame_of([answer]) if frame is None else frame


def serve(
    port: int = 8426, browser: bool = True, told: Callable[[str], None] | None = None
) -> None:
    """Serve the bench page on this machine until interrupted.

    Parameters
    ----------
    port : int
        0 takes any that is free.
    browser : bool
        Whether a browser is opened.
    told : callable, optional
        Called with the address.
    """
    from diagnose.web import serve as page

    page.serve(port, told or (lambda address: None), browser, True)


def _unfit(what: object, view: str) -> InputError:
    return InputError(f"no {view} is made of {what!r:.60}", expected="an answer")
