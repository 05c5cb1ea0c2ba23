"""The command ``diagnose``: thin commands over the functions that the front door names.

Standard output holds the answer and nothing else; progress and messages go to standard error.
The exit code is 0 for an answer whatever it says, 2 for input that cannot be used, 130 when
stopped from the keyboard. What only one command needs is imported by that command, so that a
ranking from the store starts quickly.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from circuits.errors import AmplifierError, InputError
from diagnose.page import WIDTH

if TYPE_CHECKING:
    from circuits.reading import Reading
    from circuits.stage import Stage
    from faultlib.simulate import Laboratory

UNUSABLE = 2
STOPPED = 130
READER_GONE = 141
"""128 + the number of the signal, as a shell gives it for SIGINT and SIGPIPE."""

_WIDEST = 100
Values = argparse.Namespace


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
        made = _parser()
        _known_command(words)
        values = made.parse_args(words)
        run: Callable[[Values], str] = values.run
        text = run(values)
        # one write at the end: an answer is whole or not there
        sys.stdout.write(text)
        sys.stdout.flush()
    except AmplifierError as error:
        print(error, file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # what is left in the buffer would be written once more at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    return 0


class _Parser(argparse.ArgumentParser):
    """A parser whose mistakes are this project's errors: one message, exit code 2."""

    def error(self, message: str) -> NoReturn:
        raise InputError(f"{self.prog}: {message}", expected=self.format_usage()[7:].strip())


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: Values,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> NoReturn:
        from importlib.metadata import PackageNotFoundError, version

        try:
            found = version("amplifier-fault-diagnosis")
        except PackageNotFoundError:
            found = "(not installed)"
        print(f"diagnose {found}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    top = _Parser(
        prog="diagnose",
        description="Ranks what may be wrong in an audio amplifier stage, "
        "from what was measured at the bench.",
        epilog="example:\n  diagnose sheet phono-opamp -o sheet.yaml\n  diagnose rank sheet.yaml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(
        name: str, run: Callable[[Values], str], about: str, example: str
    ) -> argparse.ArgumentParser:
        made = commands.add_parser(
            name,
            help=about,
            description=about[:1].upper() + about[1:] + ".",
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        made.set_defaults(run=run)
        return made

    case_help = "a case file, YAML or a table (.csv)"
    stage_help = "a stage or unit that ships, or the path of its file"
    one = command("stages", _stages, "list the stages that ship, or show one in detail",
                  "diagnose stages phono-two-transistor")
    one.add_argument("stage", nargs="?", metavar="STAGE", help=stage_help)

    one = command("sheet", _sheet, "write a blank case to fill in",
                  "diagnose sheet phono-two-transistor -o hall-record.yaml")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("-o", dest="file", metavar="FILE", type=Path,
                     help="write it there instead of to the screen; a file that exists is kept")
    one.add_argument("--csv", action="store_true",
                     help="as a table for a spreadsheet; so is a FILE that ends in .csv")

    one = command("rank", _rank, "rank the causes that explain the readings of a case",
                  "diagnose rank hall-record.yaml")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    _computes(one)

    one = command("next", _next, "propose the readings to take next, and what each would mean",
                  "diagnose next hall-record.yaml")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    one.add_argument("--most", metavar="N", type=int, default=5,
                     help="so many of them, by default 5; with --json all that tell anything")
    one.add_argument("--distortion", action="store_true",
                     help="distortion at the usual drive as well, which takes long to simulate")
    _computes(one)

    one = command("coverage", _coverage,
                  "tell which faults a set of readings can find and tell apart",
                  "diagnose coverage phono-two-transistor -o coverage.png")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("--readings", metavar="CASE", default="proposal",
                     help="the readings of that case file; by default those of a blank sheet")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg")
    _computes(one)

    one = command("score", _score, "rank random benches and tell how right the answers are",
                  "diagnose score phono-two-transistor --benches 100")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("--benches", metavar="N", type=int, default=60, help="by default 60")
    one.add_argument("--seed", metavar="N", type=int, default=1, help="of the random numbers")
    one.add_argument("--foreign", metavar="SHARE", type=float, nargs="?", const=0.05,
                     help="units of other makes, whose values differ from the stage file by that "
                     "much (0.05)")
    one.add_argument("--reference", action="store_true",
                     help="with a good second channel beside, on a supply of its own")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg")
    _computes(one)

    one = command("study", _study, "show how the readings move along the sizes of one fault",
                  "diagnose study phono-two-transistor 'C4:capacitance loss' -o c4.png")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("fault", metavar="PART:MODE", help="a part and a way in which it fails")
    one.add_argument("--readings", metavar="CASE", default="proposal",
                     help="the readings of that case file, with what was measured; "
                     "by default those of a blank sheet")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path, nargs="?", const=Path(),
                     help="draw a picture as well, .png or .svg; without FILE a name is made up")
    _computes(one)

    one = command("measure", _measure, "read level, distortion, noise and hum from a recording",
                  "diagnose measure hall-right.wav --full-scale '2.0 V'")
    one.add_argument("recording", metavar="FILE", type=Path, help="a WAV or FLAC file")
    one.add_argument("--signal", metavar="WORD", default="",
                     help="what was fed in: sine, difference-tone (such as 19 and 20 kHz), "
                     "modulation (60 Hz and 7 kHz), tones (many), square or silence; "
                     "by default what it looks like")
    one.add_argument("--full-scale", metavar="VOLTS", default="",
                     help="RMS volts of a sine whose peaks just reach digital full scale; "
                     "without it only ratios are told")
    one.add_argument("--channel", metavar="WORD", default="", help="left or right alone")
    one.add_argument("--driven", metavar="WORD", default="",
                     help="left, right or both: the channels that a sine was fed to")
    one.add_argument("--mains", metavar="FREQUENCY", default="50 Hz", help="by default 50 Hz")
    views = one.add_mutually_exclusive_group()
    views.add_argument("--json", action="store_true", help="print one JSON document")
    views.add_argument("--yaml", action="store_true",
                       help="print the readings as lines of a bench sheet")

    one = command("report", _report, "write the answer to a case as one HTML file, for print",
                  "diagnose report hall-record.yaml -o hall-record.html")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    one.add_argument("-o", dest="file", metavar="FILE.html", type=Path, required=True,
                     help="write it there; an older report is replaced")
    _computes(one)

    one = command("serve", _serve, "open a page in the browser that does the whole job",
                  "diagnose serve")
    one.add_argument("--port", type=int, metavar="N", default=8426,
                     help="of this machine; 0 takes any that is free (default 8426)")
    one.add_argument("--no-browser", action="store_true", help="open no browser")
    one.add_argument("--no-cache", action="store_true",
                     help="neither use nor keep what was simulated before")
    return top


def _computes(one: argparse.ArgumentParser) -> None:
    """The options of every command that simulates."""
    one.add_argument("--json", action="store_true", help="print one JSON document")
    one.add_argument("--no-cache", action="store_true",
                     help="neither use nor keep what was simulated before")


COMMANDS = (
    "stages", "sheet", "rank", "next", "coverage", "score", "study", "measure", "report", "serve",
)  # fmt: skip


def _known_command(words: Sequence[str]) -> None:
    """Offer the nearest commands, which argparse does not."""
    first = words[0] if words else ""
    if first and not first.startswith("-") and first not in COMMANDS:
        raise InputError(f"there is no command {first!r}", expected="a command", choices=COMMANDS,
                         given=first)


def _stages(values: Values) -> str:
    from circuits.load import load_stage, stage_names, unit_names
    from diagnose.text_stage import stage_text, stages_text

    if values.stage is None:
        names = (*stage_names(), *unit_names())
        return stages_text([load_stage(name) for name in names], *_screen())
    return stage_text(load_stage(values.stage), *_screen())


def _sheet(values: Values) -> str:
    from diagnose.commands_sheet import blank

    with _laboratory(cached=True) as bench:
        return blank(values, bench)


def _rank(values: Values) -> str:
    from diagnose.case import load_case
    from diagnose.progress import shown_on_terminal
    from diagnose.rank import rank

    case = load_case(values.case)
    with _laboratory(not values.no_cache) as bench, shown_on_terminal() as progress:
        result = rank(case, bench, progress)
    if values.json:
        from diagnose.result import to_json

        return _document(to_json(result))
    from diagnose.text import as_text

    return as_text(result, *_screen())


def _next(values: Values) -> str:
    from diagnose.commands import next_readings
    from diagnose.progress import shown_on_terminal

    with _laboratory(not values.no_cache) as bench, shown_on_terminal() as progress:
        made = next_readings(values, bench, progress)
    return _document(made.document()) if values.json else made.text(*_screen())


def _coverage(values: Values) -> str:
    from diagnose.commands import covered
    from diagnose.progress import shown_on_terminal

    with _laboratory(not values.no_cache) as bench, shown_on_terminal() as progress:
        made = covered(values, bench, progress)
    return _document(made.document()) if values.json else made.text(*_screen())


def _score(values: Values) -> str:
    from diagnose.commands import scored
    from diagnose.progress import shown_on_terminal

    # many random units ask for the same variants, and none of them is worth keeping
    with _remembering() as bench, shown_on_terminal() as progress:
        made = scored(values, bench, progress)
    return _document(made.document()) if values.json else made.text(*_screen())


def _study(values: Values) -> str:
    from circuits.load import load_stage
    from diagnose.figures import check_format, draw
    from diagnose.progress import shown_on_terminal
    from diagnose.study import study, study_json
    from diagnose.study_figure import study_figure

    stage = load_stage(values.stage)
    part, mode = _fault(stage, values.fault)
    picture: Path | None = values.picture
    suggested = re.sub(r"[^A-Za-z0-9]+", "-", f"{stage.name} {part} {mode}") + ".png"
    if picture == Path():
        picture = Path(suggested)
    if picture is not None:
        check_format(picture)
    with _laboratory(not values.no_cache) as bench, shown_on_terminal() as progress:
        stage, readings, measured = _readings(values.readings, stage, bench)
        made = study(stage, part, mode, readings, bench, progress, measured)
    if picture is not None:
        draw(study_figure(made), picture)
        print(f"picture: {picture}", file=sys.stderr)
    if values.json:
        return _document(study_json(made))
    from diagnose.text_stage import study_text

    text = study_text(made, *_screen())
    return text if picture else f"{text}\nA picture of it: add -o {suggested}\n"


def _measure(values: Values) -> str:
    from circuits.quantity import parse
    from diagnose.measure import measure
    from diagnose.measure_options import checked_options

    options = checked_options(
        signal=values.signal.replace("-", " "),
        full_scale=parse(values.full_scale, "V") if values.full_scale else None,
        channel=values.channel, driven=values.driven, mains=parse(values.mains, "Hz"),
    )  # fmt: skip
    made = measure(values.recording, options)
    if values.json:
        from diagnose.recorded import to_json

        return _document(to_json(made))
    if values.yaml:
        from diagnose.recorded import sheet_lines

        for note in made.notes:
            print(f"note: {note}", file=sys.stderr)
        return sheet_lines(made)
    from diagnose.text_measure import measure_text

    return measure_text(made, *_screen())


def _report(values: Values) -> str:
    from diagnose.commands_page import reported
    from diagnose.progress import shown_on_terminal

    with _laboratory(not values.no_cache) as bench, shown_on_terminal() as progress:
        made = reported(values, bench, progress)
    return _document(made.document()) if values.json else made.text(*_screen())


def _serve(values: Values) -> str:
    from diagnose.commands_page import served

    return served(values, lambda text: print(text, file=sys.stderr, flush=True))


def _readings(
    source: str, stage: Stage, bench: Laboratory
) -> tuple[Stage, list[Reading], list[float | None]]:
    """The readings of a case, or of a blank sheet; with a case also its stage and its values."""
    if source == "proposal":
        from diagnose.proposal import propose

        return stage, [reading for reading, _ in propose(stage, bench)], []
    from diagnose.case import load_case

    case = load_case(source)
    if case.stage.name != stage.name:
        raise InputError(f"{source} is a case of stage {case.stage.name}",
                         expected=f"a case of stage {stage.name}")
    if not case.readings:
        raise InputError(f"{source} has no readings yet", expected="a sheet with values")
    return case.stage, [m.reading for m in case.readings], [m.value for m in case.readings]


def _fault(stage: Stage, word: str) -> tuple[str, str]:
    """Part and mode of a fault; hyphens may stand for the spaces that a shell would split at."""
    from faultlib.catalogue import hypotheses, kind_of

    part, colon, mode = word.partition(":")
    part, mode = part.strip(), mode.strip()
    kind_of(stage, part)
    names = [h.mode.name for h in hypotheses(stage) if h.part == part]
    if not colon or not mode:
        raise InputError(f"{word!r} names no way in which {part} fails", expected="PART:MODE",
                         choices=[f"{part}:{name}" for name in names], given=word)
    plain = {name.replace("-", " "): name for name in names}
    return part, plain.get(re.sub(r"[-_ ]+", " ", mode), mode)


def _laboratory(cached: bool) -> Laboratory:
    from faultlib.simulate import Laboratory
    from faultlib.store import Store, default_folder

    return Laboratory(Store(default_folder() if cached else None))


def _remembering() -> Laboratory:
    from faultlib.simulate import Laboratory
    from faultlib.store import Memory

    return Laboratory(Memory())


def _document(content: dict[str, Any]) -> str:
    return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _screen() -> tuple[int, bool]:
    """Width of the text, and whether it may have colours."""
    if not sys.stdout.isatty():
        return WIDTH, False
    columns = os.get_terminal_size(sys.stdout.fileno()).columns
    return max(min(columns, _WIDEST), 40), not os.environ.get("NO_COLOR")
