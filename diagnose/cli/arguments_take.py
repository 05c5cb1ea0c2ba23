"""The options of ``diagnose take``."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path


def take_arguments(
    one: argparse.ArgumentParser, computes: Callable[[argparse.ArgumentParser], None]
) -> None:
    """Add them.

    Parameters
    ----------
    computes : callable
        Adds the options of every command that simulates.
    """
    one.add_argument("case", nargs="?", metavar="SHEET", type=Path,
                     help="a sheet as YAML; its empty rows say what is taken, else what a blank "
                     "one asks for")
    one.add_argument("--list", action="store_true",
                     help="only list the steps, and what is left to other instruments")
    one.add_argument("--next", action="store_true",
                     help="take what diagnose next proposes, in place of the empty rows")
    one.add_argument("--yes", action="store_true",
                     help="wait for nobody: everything is connected, and stays")
    one.add_argument("--devices", action="store_true", help="list the sound devices")
    one.add_argument("--device", metavar="NAME", default="",
                     help="what plays, and records where it can: a number of --devices or a part "
                     "of a name; by default the system's own")
    one.add_argument("--input", metavar="NAME", default="",
                     help="what records, where it is another")
    one.add_argument("--rate", metavar="N", type=float, default=48e3,
                     help="samples a second, by default 48000")
    one.add_argument("--calibrate", action="store_true",
                     help="calibrate the card, once: with a meter at its output, and a cable from "
                     "output to input; kept by its name")
    one.add_argument("--both", action="store_true",
                     help="with --calibrate: the right side of the card as well, so that both "
                     "channels of a unit are taken at once, and crosstalk")
    one.add_argument("--open-volts", metavar="VOLTS", default="",
                     help="with --calibrate: what the meter shows without the cable; of both sides "
                     "with a comma between")
    one.add_argument("--loop-volts", metavar="VOLTS", default="",
                     help="with --calibrate: what it shows with it")
    one.add_argument("--input-ohms", metavar="OHMS", default="",
                     help="with --calibrate: of the card's input, such as '10 kohm' or '1 Mohm'")
    computes(one)
