"""Netlists in and out: a SPICE netlist as a stage file, and a stage as a netlist."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.errors import InputError

if TYPE_CHECKING:
    from circuits.reading import Reading
    from circuits.spice.importing import Imported
    from circuits.stage import Stage
    from diagnose.sheet.given import Given

def from_netlist(
    netlist: str | Path, given: Mapping[str, str] | None = None, folder: Path | None = None,
    name: str = "netlist.cir",
) -> Imported:
    """A netlist as the text of a stage file, with what was guessed and what has to be asked.

    Parameters
    ----------
    netlist : str or Path
        A path, or the text itself, which has more than one line.
    given : mapping, optional
        What is known: ``input`` and ``output`` nodes.
    folder : Path, optional
        Where files lie that a text includes; without, it can include none. A path has its own.
    name : str
        Of a text, in messages and as the name of the stage.

    Raises
    ------
    InputError
        With the place, for what cannot be read or makes no stage.

    Examples
    --------
    >>> import diagnose
    >>> made = diagnose.from_netlist('''coupling
    ... Vin in 0 AC 1
    ... C1 in out 10u
    ... R1 out 0 10k
    ... ''')
    >>> [(guess.of, guess.word, guess.value) for guess in made.guesses][-3:]
    [('C1', 'polarity', 'positive at in'), ('C1', 'role', 'input coupling'), \
('R1', 'role', 'output bleeder')]
    """
    from circuits.load import stage_of_text
    from circuits.spice.importing import imported
    from circuits.spice.reading_in import text_of
    from faultlib.on_rails import on_rails, volts_at_rest

    if isinstance(netlist, Path) or "\n" not in netlist:
        path = Path(netlist)
        text, folder, name = text_of(path), path.parent, path.name
    else:
        text = netlist
    made = imported(text, name, folder, volts_at_rest, given,
                    (stage_of_text, lambda stage: on_rails(stage, stage)))
    # what comes out is held against the rules of all stage files, whatever went in
    stage = stage_of_text(made.text, f"stage of {name}", folder)
    return replace(made, stage=stage)


def to_netlist(
    stage: Stage | Given, fault: str = "", size: str | float | None = None,
    readings: Sequence[Reading] = (),
) -> str:
    """A stage as a netlist that plain ngspice runs.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    fault : str
        ``PART:MODE``; empty for a healthy unit.
    size : str or float, optional
        How bad, as the quantity that a study shows, such as ``22 uF``; by default the middle
        between slight and worst.
    readings : sequence of Reading
        For which analyses are written; by default those that most sheets have.

    Raises
    ------
    InputError
        For a fault or a size that there is not.
    NoSolution
        Where the unit cannot be simulated.

    Examples
    --------
    >>> import diagnose
    >>> text = diagnose.to_netlist("filter-high", "C1:open")
    >>> text.splitlines()[0]
    '* Rumble filter, 12 dB an octave; C1 open'
    """
    from circuits.spice.exporting import netlist
    from diagnose.sheet.given import stage_of
    from faultlib.on_rails import on_rails

    drawn, text = stage_of(stage), _text_of(stage)
    unit, title = drawn, drawn.title or drawn.name
    if fault:
        unit, label = _faulty(drawn, fault, size)
        title = f"{title}; {label}"
    elif size is not None:
        raise InputError("a size needs a fault", expected="--fault PART:MODE --size SIZE")
    shown = on_rails(drawn, unit)
    swings = [reading for reading in readings if reading.driven]
    return netlist(shown, text, readings, _drive(shown, swings), title, limited=bool(swings))


def _text_of(given: Stage | Given) -> str:
    """The stage file that a netlist carries along."""
    from circuits.load import stage_file, stage_of_text
    from circuits.stage import Stage
    from circuits.stagetext import stage_text
    from diagnose.sheet.given import is_text, python_text

    if isinstance(given, Mapping):
        return python_text(given)
    if isinstance(given, str) and is_text(given):
        return given
    if not isinstance(given, Stage):
        return stage_file(given)
    if given.chain is not None or any(rail.supply for rail in given.rails):
        return ""
    text = stage_text(given)
    try:
        same = stage_of_text(text, given.name) == given
    except InputError:  # a device that only its own library has
        return ""
    return text if same else ""


def _faulty(stage: Stage, word: str, size: str | float | None) -> tuple[Stage, str]:
    """The stage with a fault, and the fault in words."""
    import numpy as np

    from circuits.quantity import parse, render
    from diagnose.door.answers import fault_of
    from faultlib.catalogue import mode_for, size_from, size_value
    from faultlib.fault import Fault
    from faultlib.inject import inject

    part, name = fault_of(stage, word)
    about = mode_for(stage, part, name).range
    if about is None:
        if size is not None:
            raise InputError(f"{part} {name} has no size", expected="no --size")
        fault = Fault(part, name)
    elif size is None:
        fault = Fault(part, name, float(about.at(np.array(0.5))))
    else:
        value = size if isinstance(size, float | int) else parse(size, about.unit)
        fault = Fault(part, name, size_from(stage, part, name, float(value)))
    told = size_value(stage, fault)
    label = fault.label()
    return inject(stage, fault), (
        label if told is None else f"{label}, {told.quantity} {render(told.value, told.unit)}")


def _drive(stage: Stage, swings: Sequence[Reading]) -> float:
    """E.m.f. for readings under drive, V RMS."""
    from faultlib.on_rails import middle_gain

    level = next((r.level for r in swings if r.level is not None), None)
    if level is None:
        return dict(stage.signal).get("input level", 0.0)
    kind, value = level
    if kind == "input level":
        return value
    volts = (value * (stage.load or 8.0)) ** 0.5 if kind == "power" else value
    return float(volts / middle_gain(stage))
