"""What is wrong on a sheet, field by field, as the loader of case files says it.

The loader stops at the first mistake. So the sheet is loaded, the mistake noted beside its field,
the field's row left out, and the rest loaded again, until what is left is a case.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from circuits import yamlfile
from circuits.errors import AmplifierError, InputError, nearest
from circuits.load import stage_names, unit_names
from circuits.yamlfile import Items, Mapping, Node, Text
from diagnose.sheet.case import Case, load_case
from diagnose.sheet.sections import SECTIONS
from diagnose.sheet.sweep_file import inside
from diagnose.web.sheet import Typed
from diagnose.web.understood import Told, differing, doubted, measured_at, values_of
from diagnose.web.written import Written, written

TRIAL = ".trial.yaml"
_MOST_TRIALS = 60
"""Times that a sheet is loaded, each without what was wrong before: a list of more mistakes than
that helps nobody."""
_MANY = "more mistakes than are listed here"


@dataclass(frozen=True)
class Problem:
    """A mistake and the field that it stands in; an empty field is the sheet as a whole."""

    field: str
    text: str


@dataclass(frozen=True)
class Checked:
    """A sheet as it was understood.

    Attributes
    ----------
    case : Case or None
        Of everything that is right; None where not even the stage can be told.
    understood : tuple of (field, text)
        Values as they were read, such as ``1.39 V``, with their unit.
    differing : tuple of (field, text)
        What was understood of the fields where that is another text than what was typed.
    doubted : tuple of (field, text)
        Questions about values that are beyond what the stage can do.
    """

    case: Case | None
    problems: tuple[Problem, ...]
    understood: Told = ()
    differing: Told = ()
    doubted: Told = ()


def check(sheet: Typed, folder: Path) -> Checked:
    """Load a sheet and say what is wrong with it.

    Parameters
    ----------
    folder : Path
        Of the sheet, which holds its sweeps and its own stage file.
    """
    problems: dict[str, str] = {}
    without: set[str] = set()
    for _ in range(_MOST_TRIALS):
        text = written(sheet, without)
        try:
            case = load(text.text, folder)
        except InputError as error:
            field = _field(error, text)
            left_out = _left_out(field)
            problems.setdefault(field, sentence(error))
            if not left_out or left_out in without:
                return Checked(None, _problems(problems))
            without.add(left_out)
        except AmplifierError as error:
            problems.setdefault("", str(error))
            return Checked(None, _problems(problems))
        else:
            found = measured_at(case, text, TRIAL)
            return Checked(case, _problems(problems), values_of(found),
                           differing(sheet, case.stage, found),
                           tuple(pair for pair in doubted(sheet, case.stage, folder, found)
                                 if pair[0] not in problems))
    problems[""] = _MANY
    return Checked(None, _problems(problems))


def load(text: str, folder: Path) -> Case:
    """The case of a text, whose files must lie in the folder.

    Raises
    ------
    InputError
        As `diagnose.sheet.case.load_case`; also for a stage outside the folder, and for a disk
        without room.
    """
    keep_inside(yamlfile.tree(text, TRIAL), folder)
    trial = folder / TRIAL
    try:
        trial.write_text(text, encoding="utf-8")
    except OSError as error:
        trial.unlink(missing_ok=True)
        raise InputError(f"the sheet could not be looked at: {error.strerror}",
                         expected="room on this machine's disk") from None
    return load_case(trial)


def keep_inside(node: Node, folder: Path) -> None:
    """Refuse a file that names a stage outside the folder, or names one that does so itself.

    Raises
    ------
    InputError
        With the place.
    """
    _keep_inside(node, folder, ())


def _keep_inside(node: Node, folder: Path, seen: tuple[Path, ...]) -> None:
    if isinstance(node, Items):
        for item in node.items:
            _keep_inside(item, folder, seen)
    if not isinstance(node, Mapping):
        return
    for key, entry in node.entries.items():
        if key != "stage" or not isinstance(entry, Text) or entry.empty:
            _keep_inside(entry, folder, seen)
            continue
        word = entry.value.strip()
        if word in (*stage_names(), *unit_names()):
            continue
        path = inside(entry, folder)
        if path.suffix in (".yaml", ".yml") and path.is_file() and path not in seen:
            _keep_inside(yamlfile.read(path, path.name), folder, (*seen, path))


def sentence(error: InputError) -> str:
    """A mistake in the words beside a field: no file, no line, no caret."""
    text = error.message
    if error.expected:
        text += f"; expected: {error.expected}"
    if error.choices:
        text += f"; {nearest(error.given, error.choices)}"
    return text


def _problems(found: dict[str, str]) -> tuple[Problem, ...]:
    return tuple(Problem(field, text) for field, text in found.items())


def _field(error: InputError, text: Written) -> str:
    place = error.place
    if place is None or not place.line:
        return ""
    name = Path(place.file).name
    if name == TRIAL:
        return text.field(place.line, place.column)
    # a mistake inside a sweep belongs to the field that names it; one inside a stage to the stage
    for span in text.spans:
        row = text.text.splitlines()[span.line - 1][span.start - 1 : span.stop - 1]
        if name in row and "/values/" in span.field:
            return span.field
    return "stage"


def _left_out(field: str) -> str:
    """What is left out so that the rest can be read: the row, or the one field."""
    head, *rest = field.split("/")
    if head == "repaired" and len(rest) > 2 and rest[1] == "readings":
        return "/".join((head, *rest[:3]))
    if head == "repaired" and rest:
        return f"{head}/{rest[0]}"
    if head in ("readings", "limits", "observations", *SECTIONS) and rest:
        return f"{head}/{rest[0]}"
    return field if head in ("values", "mains") and (rest or head == "mains") else ""

