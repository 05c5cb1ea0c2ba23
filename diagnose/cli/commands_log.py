"""What ``diagnose log`` does between words and answer."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from circuits.errors import InputError
from diagnose.cli.arguments_log import PROOF_WORDS
from diagnose.cli.commands import View
from diagnose.log.beside import rank_with_log
from diagnose.log.book import Log
from diagnose.log.close import brought_up, closed, job_of
from diagnose.log.entry import OTHER, Entry, plain
from diagnose.log.folder import default_log
from diagnose.schema.documents import FORMAT
from diagnose.sheet.case import load_case
from faultlib.signature import Stepwise
from faultlib.simulate import Bench

COMPUTING = ("close", "like")
"""What needs the simulator."""


def asked_of_log(
    values: Namespace, bench: Bench | None = None, progress: Stepwise | None = None
) -> View:
    """Do what the log was asked for.

    Parameters
    ----------
    values : Namespace
        With ``asked`` and what that takes.
    bench : Bench, optional
        For those of `COMPUTING`.

    Raises
    ------
    InputError, NotLogged
    """
    if values.asked == "close":
        return _close(values, bench, progress)
    if values.asked == "like":
        return _like(values, bench, progress)
    return _PLAIN[values.asked](values)


def _close(values: Namespace, bench: Bench | None, progress: Stepwise | None) -> View:
    from diagnose.door.answers import fault_of
    from diagnose.show.text_log import job_text
    from diagnose.web.closed import write_record

    case = load_case(values.case)
    said: dict[str, str] = {}
    if values.found:
        faults = [fault_of(case.stage, text) for text in values.found]
        said["found"] = "; ".join(f"{part}: {mode}" for part, mode in faults)
    elif values.other:
        said["found"] = values.other
    if values.proved:
        said["proved"] = PROOF_WORDS[values.proved]
    for word in ("cause", "minutes"):
        if getattr(values, word) is not None:
            said[word] = " ".join(getattr(values, word).split())
    if values.proposed:
        said["followed"] = values.proposed
    _asked_for(said, dict(case.record.fields))
    parts = None if values.part is None else tuple(" ".join(p.split()) for p in values.part)
    path = default_log()
    with Log(path) as log:
        job = job_of(case, log)

    def ranked(asked: Any) -> Any:
        return rank_with_log(asked, bench, progress, path)

    made = closed(case, said, parts, ranked, job)
    write_record(values.case, made.record)
    with Log(path) as log:
        entry = log.put(replace(made.entry, sheet=str(values.case.resolve())))
    return _of_entries([entry], lambda width, colour: "Closed.\n\n" + job_text(
        entry, width, colour))


def _asked_for(said: dict[str, str], before: dict[str, str]) -> None:
    """Say which words are missing, in those of the command."""
    known = {**before, **said}
    if not known.get("found"):
        raise InputError("this job does not say what it was", expected="--found PART:MODE, "
                         "--nothing-wrong or --not-in-library")
    if not known.get("proved"):
        raise InputError("this job does not say how that was proved",
                         expected="--proved " + ", ".join(PROOF_WORDS))
    if known["found"] == OTHER and not known.get("cause"):
        raise InputError("what the library has no mode for needs words of its own",
                         expected="--cause 'what it was'")


def _like(values: Namespace, bench: Bench | None, progress: Stepwise | None) -> View:
    from diagnose.answer.from_log import FromLog, from_log_json
    from diagnose.show.text_log import beside_text

    case = load_case(values.case)
    result = rank_with_log(case, bench, progress, default_log())
    told = result.log or FromLog()

    def document() -> dict[str, Any]:
        return {"format": FORMAT, "case": case.name, "log": from_log_json(told)}

    beside = replace(told, shares=(), rates=(), priors=())
    return View(document, lambda width, colour: beside_text(beside, case.name, width, colour))


def _list(values: Namespace) -> View:
    from diagnose.show.text_log import jobs_text

    with _true() as log:
        entries = [e for e in log.entries()
                   if (not values.stage or e.stage == values.stage)
                   and (not values.part or any(f.part == values.part for f in e.faults))
                   and (not values.serial or e.serial == values.serial)]
    return _of_entries(entries, lambda width, colour: jobs_text(entries, width, colour))


def _show(values: Namespace) -> View:
    from diagnose.show.text_log import job_text

    with _true() as log:
        entry = log.entry(values.job)
    return _of_entries([entry], lambda width, colour: job_text(entry, width, colour))


def _statistics(values: Namespace) -> View:
    from diagnose.log.statistics import statistics, statistics_json
    from diagnose.show.figure import check_format, draw
    from diagnose.show.text_log import statistics_text

    if values.picture is not None:
        check_format(values.picture)
    with _true() as log:
        made = statistics(log.entries())
    if values.picture is not None:
        from diagnose.show.log_figure import log_figure

        draw(log_figure(made), values.picture)
        sys.stderr.write(f"picture: {values.picture}\n")
    return View(lambda: {"format": FORMAT, "statistics": statistics_json(made)},
                lambda width, colour: statistics_text(made, width, colour))


def _export(values: Namespace) -> View:
    from diagnose.log.exchange import export

    with _true() as log:
        count = export(values.file, log.entries(struck=True), log.services(struck=True),
                       not values.without_serials)
    return _said(f"{values.file} written, {_jobs(count)}\n")


def _import(values: Namespace) -> View:
    from diagnose.log.exchange import read_log

    given = list(read_log(values.file))  # all of it is read before any of it is taken over
    with Log(default_log()) as log:
        made = log.merge(given)
    return _said(f"{made.added} new, {made.newer} in a later version, "
                 f"{made.known} known already\n")


def _backup(values: Namespace) -> View:
    with _true() as log:
        log.backup(values.file)
        count = log.count()
    return _said(f"{values.file} written, {_jobs(count)}\n")


def _service(values: Namespace) -> View:
    from circuits.load import load_stage
    from diagnose.log.service import HOURS, in_service
    from diagnose.show.text_log import services_text

    hours = HOURS if values.hours is None else values.hours
    one = in_service(load_stage(values.stage), values.unit_years, hours, values.age)
    with Log(default_log()) as log:
        log.serve(one)
        services = log.services()
    return View(dict, lambda width, colour: services_text(services, width, colour))


def _strike(values: Namespace) -> View:
    with Log(default_log()) as log:
        entry = log.strike(values.job)
    return _said(f"{entry.job} ({entry.was}) is struck out\n")


def _true() -> Log:
    """The log as the sheets have it now."""
    log = Log(default_log())
    try:
        for entry in brought_up(log):
            sys.stderr.write(f"{entry.job[:8]} follows its sheet, which was changed: {entry.was}\n")
    except BaseException:
        log.close()
        raise
    return log


def _of_entries(entries: list[Entry], text: Callable[[int, bool], str]) -> View:
    def document() -> dict[str, Any]:
        return {"format": FORMAT,
                "entries": [{**plain(e), "was": e.was, "right": e.right} for e in entries]}

    return View(document, text)


def _jobs(count: int) -> str:
    return "1 job" if count == 1 else f"{count} jobs"


def _said(text: str) -> View:
    return View(dict, lambda width, colour: text)


_PLAIN: dict[str, Callable[[Namespace], View]] = {
    "list": _list, "show": _show, "statistics": _statistics, "export": _export,
    "import": _import, "backup": _backup, "service": _service, "strike": _strike,
}
