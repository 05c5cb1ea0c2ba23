"""``diagnose stages STAGE --drawing``: the drawing that a stage makes of itself, as a file."""

from __future__ import annotations

from argparse import Namespace

from circuits.errors import InputError
from diagnose.cli.commands_sheet import exists, write_new


def drawing(values: Namespace) -> str:
    """Write the drawing, on the screen or to a file that is not there yet.

    Parameters
    ----------
    values : Namespace
        With ``stage`` and ``file``.
    """
    from circuits.drawing_text import layout_text
    from circuits.load import load_stage
    from diagnose.show.stage.kept import made_by_itself

    if values.stage is None or values.source or values.to or values.healthy or values.kinds:
        raise InputError("--drawing draws a stage",
                         expected="diagnose stages STAGE --drawing -o my-stage.drawing.yaml")
    stage = load_stage(values.stage)
    if stage.chain is not None:
        raise InputError(f"{stage.name} is a unit, which is drawn by the drawings of its stages",
                         expected="one of its stages, with its own file of a drawing beside it")
    if values.file is not None and values.file.exists():
        raise exists(values.file)
    layout = made_by_itself(stage)
    if layout is None:
        raise InputError(
            f"no way was found to draw {stage.name}, so it is shown as parts and neighbours",
            expected="a stage of fewer parts, or a drawing of your own "
            "(circuits/drawings/README.md says how)",
        )
    text = layout_text(layout, [
        "Made by itself. Move what you like; circuits/drawings/README.md explains the grid.",
        "It is used while it lies beside the stage file (my-stage.yaml, my-stage.drawing.yaml)",
        "and connects what the stage connects.",
    ])
    if values.file is None:
        return text
    write_new(values.file, text)
    return f"{values.file} written\n"
