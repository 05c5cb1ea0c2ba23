"""What a notebook shows of an answer and of a stage; offered to them by the front door."""

from __future__ import annotations

import re
from datetime import date

from circuits.errors import InputError
from circuits.stage import Stage
from diagnose.answer.result import Result
from diagnose.show.answer_figure import answer_figure
from diagnose.show.figure import Figure
from diagnose.show.report_file import report_body, report_style
from diagnose.show.stage.picture import render
from faultlib.simulate import Laboratory
from faultlib.store import Store, default_folder

_BOX = "amplifier-fault-answer"


def answer_html(result: Result) -> str | None:
    """An answer as the body of its report, in a box whose style leaves the page around it alone.

    The curves beside what was measured are simulated when it is shown, from the user's store.

    Returns
    -------
    str or None
        None for an answer that does not know its sheet.
    """
    if result.sheet is None:
        return None
    body = report_body(result.sheet, result, figure_of(result), date.today())
    return f'<div class="{_BOX}"><style>{boxed(report_style())}</style>{body}</div>'


def figure_of(result: Result) -> Figure:
    """What was measured beside what healthy units and the first suspect would show.

    Parameters
    ----------
    result : Result
        That knows its sheet.

    Raises
    ------
    InputError
        For one that does not.
    """
    if result.sheet is None:
        raise InputError("this answer does not know its sheet", expected="an answer of rank")
    leading = result.suspects[0] if result.suspects else None
    with Laboratory(Store(default_folder())) as bench:
        return answer_figure(result.sheet, leading, bench)


def boxed(style: str) -> str:
    """A style sheet of a whole page as one for what stands inside the box alone.

    CSS nesting does it: every selector counts inside the box, and what is said of the page's root
    and body is said of the box. Rules of printed pages have no place in it.
    """
    inner = re.sub(r"@page\s*\{[^}]*\}", "", style)
    inner = re.sub(r":root\b|(?<![\w.#-])body(?=\s*\{)", "&", inner)
    return f".{_BOX} {{ {inner} }}"


def stage_svg(stage: Stage) -> str:
    """The drawing of a stage with its values."""
    return render(stage)


