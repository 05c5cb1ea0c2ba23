"""Whatever befalls a netlist, a stage comes of it, or one clear message with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given

from circuits.errors import InputError
from circuits.load import stage_of_text
from circuits.spice.importing import imported
from circuits.spice.library import Library
from tests.circuits.spice.ngspice_runs import FOLDER, NETLISTS
from tests.test_mutated_input import PROFILE, mutated

ORIGINALS = [path.read_bytes() for path in (*NETLISTS, FOLDER / "drawn.net")]
LIBRARIES = [
    b".model q npn(bf=100 is=1e-14)\n.subckt a 1 2 3\nE1 x 0 1 2 1e3\nR1 x 3 50\n.ends\n"
    b".model d d(is={2*p})\n.param p=1f\n",
]


def told(error: InputError) -> None:
    """One message with its place, which a terminal can show."""
    text = error.render()
    assert 0 < len(text) < 2500
    assert all(char.isprintable() or char == "\n" for char in text)
    assert error.place is not None


@pytest.mark.slow
@PROFILE
@given(data=mutated(ORIGINALS))
def test_a_mutated_netlist_makes_a_stage_or_one_message(data: bytes) -> None:
    text = data.decode("latin-1")
    try:
        made = imported(text, "mutated.cir", FOLDER)
    except InputError as error:
        told(error)
        return
    try:
        stage = stage_of_text(made.text, "mutated.yaml")
    except InputError as error:  # what makes no circuit is told by the reader of stage files
        told(error)
        return
    assert stage == made.stage


@pytest.mark.slow
@PROFILE
@given(data=mutated(LIBRARIES))
def test_a_mutated_library_makes_devices_or_one_message(data: bytes) -> None:
    try:
        library = Library(data.decode("latin-1"), "mutated.lib", Path())
        for name in library.names():
            library.device(name, "npn")
    except InputError as error:
        told(error)
