"""Cases and stages from whatever a script has: a path, a text, plain Python data, or the object.

Python data are written out as the text of a sheet and read by the one reader of sheets. So they
mean what they mean in a file, and a mistake is shown as it is there: the line, and a caret.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from numbers import Real
from pathlib import Path

from circuits import yamlfile
from circuits.errors import InputError
from circuits.load import from_tree, load_stage
from circuits.quantity import exact, render
from circuits.reading import Reading
from circuits.stage import Stage
from circuits.yamlfile import MOST_DEPTH, quoted
from diagnose.sheet.blank_yaml import entry_line
from diagnose.sheet.case import Case, load_case, read_case
from diagnose.sheet.cells import lines_in
from diagnose.sheet.csv_sheet import csv_tree, is_table
from diagnose.sheet.entry import Measured

Given = Path | str | Mapping[str, object]
"""A path, a text or plain data. A string is a text where it has more than one line or a colon
before a space; any other is a path."""

_UNNAMED = "a case"
_DIGITS = 6
"""Of an uncertainty when it is written out, which nobody knows better."""


def case_of(given: Case | Given, folder: Path | None = None) -> Case:
    """The case of what was given.

    Parameters
    ----------
    given : Case, path, str or mapping
        A mapping has the keys of a case file. Its ``stage`` may be a `Stage`, and its readings
        `Measured` or pairs of a `Reading` and a value.
    folder : Path, optional
        Where stages and sweeps are looked for that a text or mapping names; by default the
        working folder.

    Raises
    ------
    InputError
        With the place.
    """
    if isinstance(given, Case):
        return given
    place = (folder or Path()) / _UNNAMED
    if isinstance(given, Mapping):
        drawn = given.get("stage")
        text = python_text(given)
        tree = yamlfile.tree(text, "this case")
        return read_case(tree, place, drawn if isinstance(drawn, Stage) else None)
    if isinstance(given, Path) or (isinstance(given, str) and not is_text(given)):
        return load_case(given)
    if not isinstance(given, str):
        raise _no(given, "a case", "a path, the text of a sheet, a mapping or a Case")
    if is_table(given):
        return read_case(csv_tree(lines_in(given, "this text"), "this text"), place)
    return read_case(yamlfile.tree(given, "this text"), place)


def stage_of(given: Stage | Given) -> Stage:
    """The stage of what was given: a name, a path, a text, a mapping, or the stage itself.

    Raises
    ------
    InputError
        With the place.
    """
    if isinstance(given, Stage):
        return given
    if isinstance(given, Mapping):
        return from_tree(yamlfile.tree(python_text(given), "this stage"), Path())
    if isinstance(given, str) and is_text(given):
        return from_tree(yamlfile.tree(given, "this text"), Path())
    if not isinstance(given, (str, Path)):
        raise _no(given, "a stage", "a name, a path, the text of a stage file, a mapping, a Stage")
    return load_stage(given)


def is_text(word: str) -> bool:
    """Whether a string is the text of a file and not the path of one."""
    return "\n" in word or re.search(r":\s", word) is not None


def python_text(data: Mapping[str, object]) -> str:
    """Plain Python data as the text of a file, a line each for what a sheet has lists of.

    Parameters
    ----------
    data : mapping
        Of texts, numbers, None, lists and mappings. A bare number takes the quantity's own unit.

    Raises
    ------
    InputError
        For what no sheet can hold.
    """
    return "\n".join(_lines(data, "", 0)) + "\n"


def _lines(data: Mapping[str, object], indent: str, depth: int) -> list[str]:
    lines: list[str] = []
    for key, value in data.items():
        head = f"{indent}{_scalar(key)}:"
        if isinstance(value, Mapping) and _is_nested(value):
            _bounded(depth)
            lines += [head, *_lines(value, indent + "  ", depth + 1)]
        elif _is_long(value):
            lines += [head, *(f"{indent}  - {_flow(item, depth + 1)}" for item in _list(value))]
        else:
            lines.append(f"{head} {_flow(value, depth + 1)}".rstrip())
    return lines


def _list(value: object) -> Sequence[object]:
    return value if isinstance(value, Sequence) and not isinstance(value, str) else ()


def _is_long(value: object) -> bool:
    """Whether a value is a list of entries, which take a line each."""
    return any(isinstance(item, (Mapping, Measured)) or _is_pair(item) for item in _list(value))


def _is_nested(value: Mapping[str, object]) -> bool:
    """Whether a mapping holds others or lists of entries, as parts and channels do."""
    return any(isinstance(inner, Mapping) or _is_long(inner) for inner in value.values())


def _is_pair(item: object) -> bool:
    return isinstance(item, Sequence) and len(item) == 2 and isinstance(item[0], Reading)


def _flow(value: object, depth: int) -> str:
    """A value in one line."""
    _bounded(depth)
    if isinstance(value, Stage):
        return quoted(value.name)
    if isinstance(value, Measured):
        return measured_text(value)
    if isinstance(value, Mapping):
        pairs = (f"{_scalar(k)}: {_flow(v, depth + 1)}" for k, v in value.items())
        return "{" + ", ".join(pairs) + "}"
    if _is_pair(value):
        reading, read = _list(value)
        assert isinstance(reading, Reading)
        return f"{entry_line(reading)[:-1]}{_flow(read, depth + 1)}}}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(_flow(item, depth + 1) for item in value) + "]"
    return _scalar(value)


def _scalar(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, Path):
        return quoted(str(value))
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, Real) and not isinstance(value, bool):
        number = float(value)
        return f"{int(number)}" if number.is_integer() and abs(number) < 1e15 else repr(number)
    raise InputError(
        f"{value!r:.60} ({type(value).__name__}) cannot stand on a sheet",
        expected="a text with its unit, a number, a list or a mapping",
    )


def _bounded(depth: int) -> None:
    if depth >= MOST_DEPTH:
        raise InputError("these data are nested too deeply", expected=f"{MOST_DEPTH} levels")


def measured_text(measured: Measured) -> str:
    """A reading with its value as an entry of a sheet that is read back as the same."""
    reading = measured.reading
    value = f"{measured.bound} {exact(measured.value, reading.unit)}".strip()
    text = f"{entry_line(reading)[:-1]}{quoted(value)}"
    if measured.uncertainty is not None:
        text += f", uncertainty: {quoted(_uncertainty(measured, measured.uncertainty))}"
    return text + "}"


def _uncertainty(measured: Measured, sigma: float) -> str:
    """An uncertainty of the compared scale in words that `entry.uncertainty_of` reads back."""
    reading = measured.reading
    if reading.scale in ("dB", "level"):
        return f"{sigma:.{_DIGITS}g} dB"
    if reading.scale == "log" or reading.unit == "%":
        share = sigma if reading.scale == "log" else sigma / max(abs(measured.value), 1e-30)
        return f"{100.0 * share:.{_DIGITS}g} %"
    return render(sigma, reading.unit, _DIGITS) if math.isfinite(sigma) else repr(sigma)


def _no(given: object, what: str, expected: str) -> InputError:
    kind = type(given).__name__
    return InputError(f"{what} cannot be made of {given!r:.60} ({kind})", expected=expected)
