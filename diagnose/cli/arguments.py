"""The words of the command line: which commands there are, and what each takes."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from circuits.errors import InputError

if TYPE_CHECKING:
    from _typeshed import SupportsWrite

Values = argparse.Namespace
Run = Callable[[Values], str]

TIME_LIMIT = 10.0
"""Minutes that a command simulates before it answers from what is there: the slowest of the
examples takes one, on two cores and with an empty store."""
_MINUTES = (0.001, 100e3)
"""Least and most that a command may be given: a second, and two days."""

COMMANDS = (
    "stages", "sheet", "rank", "next", "coverage", "score", "study", "signal", "measure", "take",
    "report", "log", "read", "attach", "serve",
)


class _Parser(argparse.ArgumentParser):
    """A parser whose mistakes are this project's errors: one message, exit code 2."""

    def error(self, message: str) -> NoReturn:
        raise InputError(f"{self.prog}: {message}", expected=self.format_usage()[7:].strip())

    def print_help(self, file: SupportsWrite[str] | None = None) -> None:
        """Write the help; argparse would pass over a device that is full."""
        (file or sys.stdout).write(self.format_help())


class _Version(argparse.Action):
    """Looks the version up only when it is asked for."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: Values,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> NoReturn:
        from diagnose.door.version import version_text

        sys.stdout.write(f"diagnose {version_text()}\n")
        parser.exit()


def parser(run: Mapping[str, Run]) -> argparse.ArgumentParser:
    """The parser of the whole command line.

    Parameters
    ----------
    run : mapping of command to callable
        What each of `COMMANDS` does with its arguments; gives the text of the answer.
    """
    top = _Parser(
        prog="diagnose",
        description="Ranks what may be wrong with an audio amplifier stage, "
        "from the readings taken at the bench.",
        epilog="example:\n  diagnose sheet phono-opamp -o sheet.yaml\n  diagnose rank sheet.yaml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, about: str, example: str) -> argparse.ArgumentParser:
        added = commands.add_parser(
            name,
            help=about,
            description=about[:1].upper() + about[1:] + ".",
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        added.set_defaults(run=run[name])
        return added

    case_help = "a filled bench sheet: YAML, or a table (.csv)"
    stage_help = "a stage or unit from the list of diagnose stages, or a file of your own"
    one = command("stages", "list the stages that come with it, or show one in detail",
                  "diagnose stages phono-two-transistor")
    one.add_argument("stage", nargs="?", metavar="STAGE", help=stage_help)
    one.add_argument("--healthy", action="store_true",
                     help="its healthy unit at rest: voltages, currents and dissipation with their "
                     "spread, and what is cut off, saturated, reversed, overloaded or unstable")
    one.add_argument("--json", action="store_true",
                     help="with --healthy or --from: print one JSON document, for a script")
    one.add_argument("--kinds", action="store_true",
                     help="kinds of parts for a stage file: pins, how they fail, and devices")
    one.add_argument("--from", dest="source", metavar="FILE.cir", type=Path,
                     help="make a stage file of a netlist (SPICE, or a schematic editor's export), "
                     "and tell what had to be guessed")
    one.add_argument("-o", dest="file", metavar="FILE", type=Path,
                     help="with --from or --drawing: write it there, not to the screen; a file "
                     "that exists is left alone")
    one.add_argument("--drawing", action="store_true",
                     help="the drawing that the stage makes of itself, to move parts on by hand; "
                     "beside my-stage.yaml it is used as my-stage.drawing.yaml")
    one.add_argument("--input", metavar="NODE", default="",
                     help="with --from: where the signal goes in, if the guess is wrong")
    one.add_argument("--output", metavar="NODE", default="",
                     help="with --from: where it comes out")
    one.add_argument("--to", metavar="FILE.cir", type=Path,
                     help="write the stage as a netlist that ngspice runs; a file that exists is "
                     "left alone")
    one.add_argument("--fault", metavar="PART:MODE", default="",
                     help="with --to: with a fault, such as 'C4:capacitance loss'")
    one.add_argument("--size", metavar="SIZE",
                     help="with --fault: how bad, as diagnose study shows it, such as '22 uF'; by "
                     "default half-way between slight and worst")
    limited(one)

    one = command("sheet", "write a blank bench sheet to fill in",
                  "diagnose sheet phono-two-transistor -o hall-record.yaml")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("-o", dest="file", metavar="FILE", type=Path,
                     help="write it there, not to the screen; a file that exists is left alone; "
                     "one that ends in .html is a sheet to print, with the drawing and what to "
                     "expect")
    one.add_argument("--csv", action="store_true",
                     help="a table for a spreadsheet, as any FILE that ends in .csv is")
    limited(one)

    one = command("rank", "rank the faults that explain the readings on a sheet",
                  "diagnose rank hall-record.yaml")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    _logged(one)
    computes(one)

    one = command("next", "propose the readings to take next, and what each would mean",
                  "diagnose next hall-record.yaml")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    one.add_argument("--most", metavar="N", type=int, default=5,
                     help="how many to show, by default 5; with --json all that help at all")
    one.add_argument("--distortion", action="store_true",
                     help="distortion at the usual drive too, which takes long to simulate")
    _logged(one)
    computes(one)

    one = command("coverage",
                  "tell which faults a set of readings can find, and which look the same",
                  "diagnose coverage phono-two-transistor -o coverage.png")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("--readings", metavar="CASE", default="proposal",
                     help="the readings on that sheet; by default those of a blank sheet")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg")
    computes(one)

    one = command("score",
                  "make up faulty units at random, rank them, and tell how often that is right",
                  "diagnose score phono-two-transistor --benches 100")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("--benches", metavar="N", type=int, default=60,
                     help="how many units, by default 60")
    one.add_argument("--seed", metavar="N", type=int, default=1,
                     help="start of the random numbers; another one makes other units")
    one.add_argument("--foreign", metavar="SHARE", type=float, nargs="?", const=0.05,
                     help="units of other makes, whose values differ from the stage file by that "
                     "share (0.05 without a number)")
    one.add_argument("--reference", action="store_true",
                     help="with a good second channel to compare with, on a supply of its own")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg")
    computes(one)

    one = command("study", "show how the readings move as one part gets worse",
                  "diagnose study phono-two-transistor 'C4:capacitance loss' -o c4.png")
    one.add_argument("stage", metavar="STAGE", help=stage_help)
    one.add_argument("fault", metavar="PART:MODE",
                     help="a part and how it fails, such as 'C4:capacitance loss'")
    one.add_argument("--readings", metavar="CASE", default="proposal",
                     help="the readings on that sheet, with what was measured; "
                     "by default those of a blank sheet")
    one.add_argument("-o", dest="picture", metavar="FILE", type=Path, nargs="?", const=Path(),
                     help="draw a picture as well, .png or .svg; by default named after it")
    computes(one)

    one = command("signal", "write a signal to play into a unit, as a sound file",
                  "diagnose signal sweep -o sweep.wav --level '-20 dBFS'")
    one.add_argument("kind", metavar="SIGNAL",
                     help="sine, difference-tone (19 and 20 kHz), modulation (60 Hz and 7 kHz, "
                     "4:1), tones (thirty at once), square, sweep, silence, bursts, or steps (of "
                     "1 dB, for maximum output)")
    one.add_argument("-o", dest="file", metavar="FILE", type=Path, required=True,
                     help="write it there, .wav or .flac; a file that exists is not touched")
    one.add_argument("--level", metavar="LEVEL", default="",
                     help="RMS, such as '-20 dBFS' (the usual), or with --full-scale '500 mV'; "
                     "of steps that of the last, of a sweep for phono that at 1 kHz")
    one.add_argument("--full-scale", metavar="VOLTS", default="",
                     help="RMS volts that a sine of 0 dBFS has at the output of the player")
    one.add_argument("--seconds", metavar="TIME", default="",
                     help="length without pilots, by default 5 s, of a sweep 10 s")
    one.add_argument("--frequency", metavar="HZ", nargs="+",
                     help="of a sine, a square wave, bursts or steps; two of a pair of tones")
    one.add_argument("--band", metavar=("LOW", "HIGH"), nargs=2,
                     help="of many tones and of a sweep, by default 20 Hz to 20 kHz")
    one.add_argument("--phono", action="store_true",
                     help="lead a sweep through the inverse of the RIAA curve, for a phono input")
    one.add_argument("--steady", action="store_true",
                     help="before a sweep, steady tones by which distortion below 200 Hz is read")
    one.add_argument("--channels", metavar="WORD", default="mono",
                     help="mono, left or right alone of two, or both alike")
    one.add_argument("--rate", metavar="HZ", default="48 kHz",
                     help="samples a second, 8 to 192 kHz, by default 48 kHz")
    one.add_argument("--bits", metavar="WORD", default="24", help="16, 24 (the usual), 32 or float")
    one.add_argument("--no-pilots", action="store_true",
                     help="leave out the chirps before and after, by which a recording is found "
                     "and its clock compared")
    one.add_argument("--json", action="store_true", help="print one JSON document, for a script")

    one = command("measure", "read level, distortion, noise and hum from a recording; edges, "
                  "phase and ripple from a scope's trace",
                  "diagnose measure hall-right.wav --full-scale '2.0 V'")
    one.add_argument("recording", metavar="FILE", type=Path,
                     help="a WAV or FLAC file; or a trace of a scope, or a generator's sweep, "
                     "as a table (.csv, .txt, .tsv)")
    one.add_argument("--signal", metavar="WORD", default="",
                     help="what was fed in: sine, difference-tone (such as 19 and 20 kHz), "
                     "modulation (60 Hz and 7 kHz), tones (many), square, sweep or "
                     "silence; by default whatever it looks like")
    one.add_argument("--full-scale", metavar="VOLTS", default="",
                     help="RMS volts of a sine whose peaks just reach digital full scale; "
                     "without it there are only ratios, no volts")
    one.add_argument("--channel", metavar="WORD", default="", help="left or right alone")
    one.add_argument("--driven", metavar="WORD", default="",
                     help="left, right or both: where the sine was fed in, for crosstalk")
    one.add_argument("--mains", metavar="FREQUENCY", default="50 Hz",
                     help="mains frequency, by default 50 Hz")
    one.add_argument("--in", dest="input", metavar="CHANNEL", default="",
                     help="of a trace: number or heading of the channel at the unit's input")
    one.add_argument("--out", dest="output", metavar="CHANNEL", default="",
                     help="of a trace: the channel at its output, whose readings a sheet takes")
    one.add_argument("--at", metavar="NODE", default="",
                     help="of a trace: the node that was probed, for ripple there")
    one.add_argument("--phono", action="store_true",
                     help="a sweep without pilots was played through the inverse of the RIAA curve")
    one.add_argument("-o", dest="file", metavar="FILE", type=Path,
                     help="draw a picture as well, .png or .svg: the spectrum with harmonics and "
                     "mains lines named, the square wave, or the curves of a sweep; as .csv, these "
                     "as a table that a sheet can name")
    views = one.add_mutually_exclusive_group()
    views.add_argument("--json", action="store_true", help="print one JSON document, for a script")
    views.add_argument("--yaml", action="store_true",
                       help="print the readings as lines for a bench sheet")

    from diagnose.cli.arguments_take import take_arguments

    take_arguments(command(
        "take", "play and record with a sound card, readings straight into a sheet",
        "diagnose take sheet.yaml --list"), computes)

    one = command("report", "write the answer to a sheet as one HTML file, for print",
                  "diagnose report hall-record.yaml -o hall-record.html")
    one.add_argument("case", metavar="CASE", type=Path, help=case_help)
    one.add_argument("-o", dest="file", metavar="FILE.html", type=Path, required=True,
                     help="write it there; an older report is replaced")
    _logged(one)
    computes(one)

    from diagnose.cli.arguments_log import log_arguments

    log_arguments(command("log", "close jobs with what they turned out to be, and look at them",
                          "diagnose log close hall-record.yaml --found 'C4:high esr' "
                          "--proved measured --minutes 45"), computes)

    from diagnose.cli.arguments_read import attach_arguments, read_arguments

    read_arguments(command("read", "take the voltages and resistances that a sheet wants from a "
                           "meter on a lead",
                           "diagnose read hall-record.yaml --from 192.168.1.7:5025"), limited)

    attach_arguments(command("attach", "put photos and traces beside a sheet, to be shown in its "
                             "report", "diagnose attach hall-record.yaml board.jpg --words "
                             "'R12 is burnt'"))

    one = command("serve", "do the whole job on a page in the browser",
                  "diagnose serve")
    one.add_argument("--port", type=int, metavar="N", default=8426,
                     help="port on this machine, by default 8426; 0 takes any that is free")
    one.add_argument("--no-browser", action="store_true", help="print the address only")
    one.add_argument("--lan", metavar="ADDRESS", nargs="?", const="",
                     help="for a tablet at the bench, over TLS at this machine's address in the "
                          "local network as well; needs the openssl command")
    one.add_argument("--no-cache", action="store_true",
                     help="simulate everything anew, and keep nothing of it")
    return top


def computes(one: argparse.ArgumentParser) -> None:
    """The options of every command that simulates."""
    one.add_argument("--json", action="store_true", help="print one JSON document, for a script")
    one.add_argument("--no-cache", action="store_true",
                     help="simulate everything anew, and keep nothing of it")
    limited(one)


def _logged(one: argparse.ArgumentParser) -> None:
    one.add_argument("--without-log", action="store_true",
                     help="leave the log of closed jobs out: priors as the library has them")


def limited(one: argparse.ArgumentParser) -> None:
    """The option of every command that may take long."""
    one.add_argument("--time-limit", metavar="MINUTES", type=float, default=TIME_LIMIT,
                     help="answer after so many minutes from what is there, and say what is "
                     f"missing (by default {TIME_LIMIT:g})")
    one.add_argument("--cluster", metavar="ADDRESS", default="",
                     help="have a cluster simulate: tls://HOST:8786, or local:4 for workers on "
                     "this machine; needs the extra 'cluster'")
    one.add_argument("--cluster-tls", metavar=("AUTHORITY", "CERTIFICATE", "KEY"), type=Path,
                     nargs=3, default=(),
                     help="files (.pem) by which you and a cluster elsewhere know each other")


def seconds(minutes: float) -> float:
    """The time that a command may simulate, s.

    Raises
    ------
    InputError
        For a limit that is none.
    """
    least, most = _MINUTES
    if not least <= minutes <= most:
        raise InputError(f"--time-limit {minutes:g} is no time to wait",
                         expected=f"minutes, {least:g} to {most:g}")
    return 60.0 * minutes


def known_command(words: Sequence[str]) -> None:
    """Offer the nearest commands, which argparse does not."""
    first = words[0] if words else ""
    if first and not first.startswith("-") and first not in COMMANDS:
        raise InputError(f"there is no command {first!r}", expected="a command", choices=COMMANDS,
                         given=first)
