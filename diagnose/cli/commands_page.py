"""What the commands ``diagnose report`` and ``diagnose serve`` do between words and answer."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable

from diagnose.answer.result import to_json
from diagnose.cli.commands import View
from diagnose.log.folder import default_log
from diagnose.show.report_file import report
from faultlib.signature import Stepwise
from faultlib.simulate import Bench


def reported(values: Namespace, bench: Bench, progress: Stepwise | None = None) -> View:
    """Write the report on a case.

    Parameters
    ----------
    values : Namespace
        `case`, `file` and `without_log`.
    """
    log = None if values.without_log else default_log()
    result = report(values.case, values.file, bench, progress, log)
    return View(
        lambda: {"report": str(values.file), **to_json(result)},
        lambda width, colour: f"{values.file} written\n",
    )


def served(values: Namespace, say: Callable[[str], None]) -> str:
    """Serve the page until interrupted.

    Parameters
    ----------
    values : Namespace
        `port`, `no_browser`, `no_cache` and `lan`.
    say : callable
        Told where the page is.
    """
    from diagnose.web.serve import serve

    def told(address: str) -> None:
        say(f"the bench page: {address}  (Ctrl-C ends it)")

    def told_lan(address: str, fingerprint: str) -> None:
        middle = (len(fingerprint) + 1) // 2
        say(f"for a tablet:   {address}\n"
            "  Its browser will warn, as nobody vouches for this machine. Let it show the "
            "certificate,\n  and go on only if its SHA-256 fingerprint is\n"
            f"    {fingerprint[:middle]}\n    {fingerprint[middle:]}")

    serve(values.port, told, not values.no_browser, not values.no_cache, lan=values.lan,
          say_lan=told_lan)
    return ""
