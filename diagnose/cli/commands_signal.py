"""What ``diagnose signal``, and ``diagnose measure -o``, do between words and answer."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from circuits.errors import InputError
from circuits.quantity import parse
from circuits.signals.sweep import top_of_band
from diagnose.cli.commands import View
from diagnose.cli.commands_sheet import exists, write_new
from diagnose.recording.measurement import Measurement, curve_table
from diagnose.show.text_signal import signal_text
from diagnose.stimulus.signal import Signal
from diagnose.stimulus.writing import checked_full_scale, level_of, sound_file, write_sound


def signal(values: Namespace) -> View:
    """Write a signal to play.

    Parameters
    ----------
    values : Namespace
        The words of the command line.

    Raises
    ------
    InputError
        For words that are not understood, a signal that cannot be, or a file that is there.
    """
    rate = parse(values.rate, "Hz")
    full_scale = checked_full_scale(parse(values.full_scale, "V") if values.full_scale else None)
    band = tuple(parse(word, "Hz") for word in values.band or ())
    wanted = Signal(
        values.kind.replace("-", " "),
        parse(values.seconds, "s") if values.seconds else 0.0,
        level_of(values.level, full_scale),
        tuple(parse(word, "Hz") for word in values.frequency or ()),
        (band[0], band[1]) if band else (20.0, top_of_band(rate)),
        values.channels, values.phono, values.steady, not values.no_pilots,
    )
    path: Path = values.file
    if path.exists():
        raise exists(path)
    body, made = sound_file(path, wanted, rate, values.bits, full_scale)
    write_sound(path, body)
    return View(made.document, lambda width, colour: signal_text(made, width, colour))


def curves_written(made: Measurement, path: Path) -> str:
    """Write the curves of a recording as a table; gives a line that says so.

    Raises
    ------
    InputError
        For a recording without curves, or a file that is there.
    """
    if not made.curves:
        raise InputError("this recording holds no sweep, so that there are no curves to write",
                         expected="no -o, or the recording of a sweep")
    write_new(path, curve_table(made))
    first = made.curves[0]
    named = f"{first.channel} {first.name}".strip()
    return f'{path} written; on a sheet: file: {path.name}, column: "{named}"'
