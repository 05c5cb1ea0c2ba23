"""What the commands ``diagnose report`` and ``diagnose serve`` do between words and answer."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable

from diagnose.answer.result import to_json
from diagnose.cli.commands import View
from diagnose.show.report_file import report
from faultlib.signature import Stepwise
from faultlib.simulate import Bench


def reported(values: Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """Write the report on a case.

    Parameters
    ----------
    values : Namespace
        `case` and `file`.
    """
    result = report(values.case, values.file, bench, progress)
    return View(
        lambda: {"report": str(values.file), **to_json(result)},
        lambda width, colour: f"{values.file} written\n",
    )


def served(values: Namespace, say: Callable[[str], None]) -> str:
    """Serve the page until interrupted.

    Parameters
    ----------
    values : Namespace
        `port`, `no_browser` and `no_cache`.
    say : callable
        Told where the page is.
    """
    from diagnose.web.serve import serve

    def told(address: str) -> None:
        say(f"the bench page: {address}  (Ctrl-C ends it)")

    serve(values.port, told, not values.no_browser, not values.no_cache)
    return ""
