"""The command ``diagnose``: thin commands over the functions that the front door names.

Standard output holds the answer and nothing else; progress and messages go to standard error.
The exit code is 0 for an answer whatever it says, 2 for input that cannot be used, 130 when
stopped from the keyboard. What only one command needs is imported by that command, so that a
ranking from the store starts quickly.
"""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from circuits.errors import AmplifierError
from diagnose.cli.arguments import Run, Values, known_command, parser, seconds
from diagnose.cli.printed import document
from diagnose.show.text_page import WIDTH

if TYPE_CHECKING:
    from circuits.reading import Reading
    from diagnose.sheet.case import Case
    from faultlib.machines import Cluster
    from faultlib.simulate import Laboratory

UNUSABLE = 2
"""Exit code where the input cannot be used, as argparse gives it for a wrong command line."""
STOPPED = 130
"""Exit code after Ctrl-C: 128 + the number of SIGINT, as a shell gives it."""
READER_GONE = 141
"""The same of SIGPIPE, where whoever reads the output has gone."""

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG)
"""What a device says that takes no more."""
_WIDEST = 100
"""Columns; longer lines are hard to read, however wide the terminal."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.

    Returns
    -------
    int
        The exit code.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        try:
            known_command(words)
            values = parser(_RUN).parse_args(words)
            run: Run = values.run
            text = run(values)
        except SystemExit:
            # help or the version has been written, and may still stand in the buffer
            sys.stdout.flush()
            raise
        # one write at the end: an answer is whole or not there
        sys.stdout.write(text)
        sys.stdout.flush()
    except AmplifierError as error:
        _say(str(error))
        return UNUSABLE
    except KeyboardInterrupt:
        _say("stopped")
        return STOPPED
    except BrokenPipeError:
        _forget(sys.stdout)
        return READER_GONE
    except OSError as error:
        if error.errno not in _FULL:
            raise
        _say(f"the answer could not be written: {error.strerror}")
        _forget(sys.stdout)
        return UNUSABLE
    except (ImportError, SystemError) as error:
        # a library that is stopped in the middle of its import says so in words of its own
        if not _interrupted(error):
            raise
        _say("stopped")
        return STOPPED
    return 0


def _say(text: str) -> None:
    """A message on standard error, as far as that can be written to."""
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        _forget(sys.stderr)


def _forget(stream: TextIO) -> None:
    """Let what is left in the buffer go nowhere: it would be written once more at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _interrupted(error: BaseException | None) -> bool:
    """Whether an error came of Ctrl-C."""
    while error is not None:
        if isinstance(error, KeyboardInterrupt):
            return True
        error = error.__cause__ or error.__context__
    return False


def _stages(values: Values) -> str:
    from circuits.load import load_stage, stage_names, unit_names
    from diagnose.show.text_stage import stage_text, stages_text

    if values.drawing:
        from diagnose.cli.commands_drawing import drawing

        return drawing(values)
    if values.source or values.to or values.file or values.fault or values.size or (
            values.input or values.output):
        from diagnose.cli.commands_netlist import netlists

        text, told = netlists(values, *_screen())
        if told:
            _say(told)
        return text
    if values.healthy or values.json:
        return _healthy(values)
    if values.kinds:
        from diagnose.show.text_kinds import kinds_text

        return kinds_text(*_screen())
    if values.stage is None:
        names = (*stage_names(), *unit_names())
        return stages_text([load_stage(name) for name in names], *_screen())
    stage = load_stage(values.stage)
    if stage.file:
        from diagnose.show.stage.kept import remarks

        for remark in remarks(stage):
            _say(remark)
    return stage_text(stage, *_screen())


def _healthy(values: Values) -> str:
    from circuits.errors import InputError
    from circuits.load import load_stage
    from diagnose.cli.progress import shown_on_terminal
    from diagnose.studies.healthy_unit import healthy_json, healthy_unit

    if values.stage is None or not values.healthy:
        missing = "--healthy as well" if values.stage is not None else "a stage"
        raise InputError(f"this needs {missing}", expected="diagnose stages STAGE --healthy")
    stage = load_stage(values.stage)
    with _remembering(values) as bench, shown_on_terminal() as progress:
        unit = healthy_unit(stage, bench, progress)
    if values.json:
        return document(healthy_json(unit))
    from diagnose.show.text_healthy import healthy_text

    return healthy_text(unit, *_screen())


def _sheet(values: Values) -> str:
    from diagnose.cli.commands_sheet import blank

    with _laboratory(values, cached=True) as bench:
        return blank(values, bench)


def _rank(values: Values) -> str:
    from diagnose.cli.progress import shown_on_terminal
    from diagnose.door.answers import rank
    from diagnose.sheet.case import load_case

    case = load_case(values.case)
    with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
        result = rank(case, bench, progress, not values.without_log)
    if values.json:
        from diagnose.answer.result import to_json

        return document(to_json(result))
    from diagnose.show.text_answer import as_text

    return as_text(result, *_screen())


def _next(values: Values) -> str:
    from diagnose.cli.commands import next_readings
    from diagnose.cli.progress import shown_on_terminal

    with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
        answer = next_readings(values, bench, progress)
    return document(answer.document()) if values.json else answer.text(*_screen())


def _coverage(values: Values) -> str:
    from diagnose.cli.commands import covered
    from diagnose.cli.progress import shown_on_terminal

    with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
        answer = covered(values, bench, progress)
    return document(answer.document()) if values.json else answer.text(*_screen())


def _score(values: Values) -> str:
    from diagnose.cli.commands import scored
    from diagnose.cli.progress import shown_on_terminal

    # many random units ask for the same variants, and none of them is worth keeping
    with _remembering(values) as bench, shown_on_terminal() as progress:
        answer = scored(values, bench, progress)
    return document(answer.document()) if values.json else answer.text(*_screen())


def _study(values: Values) -> str:
    from circuits.load import load_stage
    from diagnose.cli.commands import asked
    from diagnose.cli.progress import shown_on_terminal
    from diagnose.door.answers import fault_of, study
    from diagnose.show.figure import check_format, draw
    from diagnose.show.study_figure import study_figure
    from diagnose.studies.fault_study import study_json

    stage = load_stage(values.stage)
    part, mode = fault_of(stage, values.fault)
    picture: Path | None = values.picture
    suggested = re.sub(r"[^A-Za-z0-9]+", "-", f"{stage.name} {part} {mode}") + ".png"
    if picture == Path():
        picture = Path(suggested)
    if picture is not None:
        check_format(picture)
    with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
        answer = study(stage, (part, mode), asked(values.readings), bench, progress)
    if picture is not None:
        draw(study_figure(answer), picture)
        _say(f"picture: {picture}")
    if values.json:
        return document(study_json(answer))
    from diagnose.show.text_stage import study_text

    text = study_text(answer, *_screen())
    return text if picture else f"{text}\nA picture of it: add -o {suggested}\n"


def _measure(values: Values) -> str:
    from diagnose.door.answers import measure

    file: Path | None = values.file
    table = file is not None and file.suffix.lower() == ".csv"
    if file is not None and not table:
        from diagnose.show.figure import check_format

        check_format(file)
    answer = measure(values.recording, values.full_scale, values.signal, values.channel,
                     values.driven, values.mains, values.input, values.output, values.at,
                     values.phono)
    if table and file is not None:
        from diagnose.cli.commands_signal import curves_written

        _say(curves_written(answer, file))
    elif file is not None:
        from diagnose.show.figure import draw
        from diagnose.show.recording_figure import recording_figure

        draw(recording_figure(answer), file)
        _say(f"picture: {file}")
    if values.json:
        from diagnose.recording.measurement import to_json

        return document(to_json(answer))
    if values.yaml:
        from diagnose.recording.measurement import sheet_lines

        for note in answer.notes:
            _say(f"note: {note}")
        return sheet_lines(answer)
    from diagnose.show.text_measurement import measure_text

    return measure_text(answer, *_screen())


def _signal(values: Values) -> str:
    from diagnose.cli.commands_signal import signal

    answer = signal(values)
    return document(answer.document()) if values.json else answer.text(*_screen())


def _take(values: Values) -> str:
    from circuits.errors import InputError
    from diagnose.cli import commands_take
    from diagnose.cli.progress import shown_on_terminal

    if values.devices:
        return commands_take.devices_text()
    if not values.calibrate and (values.both or values.open_volts or values.loop_volts):
        raise InputError("this belongs to the calibration of a card", expected="with --calibrate")
    if values.calibrate:
        answer = commands_take.calibrated(values)
    elif values.case is None:
        raise InputError("this needs a sheet", expected="diagnose take SHEET, or --devices, or "
                         "--calibrate")
    else:
        with _laboratory(values, not values.no_cache) as bench:
            # the bar is gone before somebody is asked
            with shown_on_terminal() as progress:
                go = commands_take.prepared(values, bench, progress)
            answer = go()
    return document(answer.document()) if values.json else answer.text(*_screen())


def _report(values: Values) -> str:
    from diagnose.cli.commands_page import reported
    from diagnose.cli.progress import shown_on_terminal

    with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
        answer = reported(values, bench, progress)
    return document(answer.document()) if values.json else answer.text(*_screen())


def _log(values: Values) -> str:
    from diagnose.cli.commands_log import COMPUTING, asked_of_log

    if values.asked not in COMPUTING:
        answer = asked_of_log(values)
    else:
        from diagnose.cli.progress import shown_on_terminal

        with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
            answer = asked_of_log(values, bench, progress)
    wanted = getattr(values, "json", False)
    return document(answer.document()) if wanted else answer.text(*_screen())


def _read(values: Values) -> str:
    from diagnose.cli.commands_read import proposed, read
    from diagnose.cli.progress import shown_on_terminal

    def wanted(case: Case) -> Sequence[Reading]:
        with _laboratory(values, not values.no_cache) as bench, shown_on_terminal() as progress:
            return proposed(case, bench, progress)

    return read(values, wanted, *_screen())


def _attach(values: Values) -> str:
    from diagnose.cli.commands_attach import attached

    return attached(values, _say)


def _serve(values: Values) -> str:
    from diagnose.cli.commands_page import served

    return served(values, _say)


def _laboratory(values: Values, cached: bool) -> Laboratory:
    from faultlib.simulate import Laboratory
    from faultlib.store import Store, default_folder

    limit = seconds(values.time_limit)
    return Laboratory(Store(default_folder() if cached else None), limit=limit,
                      cluster=_cluster(values))


def _remembering(values: Values) -> Laboratory:
    from faultlib.simulate import Laboratory
    from faultlib.store import Memory

    return Laboratory(Memory(), limit=seconds(values.time_limit), cluster=_cluster(values))


def _cluster(values: Values) -> Cluster | None:
    """Where work goes that is long; None for the processes of this machine."""
    from circuits.errors import InputError

    if not values.cluster:
        if values.cluster_tls:
            raise InputError("--cluster-tls is for a cluster", expected="--cluster ADDRESS as well")
        return None
    from faultlib.machines import machines

    found = machines(values.cluster, values.cluster_tls)
    if found.warning:
        _say(found.warning)
    return found


def _screen() -> tuple[int, bool]:
    """Width of the text, and whether it may have colours."""
    if not sys.stdout.isatty():
        return WIDTH, False
    columns = os.get_terminal_size(sys.stdout.fileno()).columns
    return max(min(columns, _WIDEST), 40), not os.environ.get("NO_COLOR")


_RUN = {
    "stages": _stages, "sheet": _sheet, "rank": _rank, "next": _next, "coverage": _coverage,
    "score": _score, "study": _study, "signal": _signal, "measure": _measure, "take": _take,
    "report": _report, "log": _log, "read": _read, "attach": _attach, "serve": _serve,
}
