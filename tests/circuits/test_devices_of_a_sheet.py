"""Models of the user's own on a sheet: from a file, a folder, or lines in place.

Checked by the textbook formula of a fixed bias, V = Vcc - β·R2·((Vcc - Vbe)/R1 - Vbe/Rs), where Rs
is the generator's, with an ideal transistor: β and saturation current are all that its model has.
"""

from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.stage import Stage
from diagnose.sheet.given import case_of
from tests.circuits.test_known_devices import RB, RC, VCC, collector, stage

MODEL = ".model {name} NPN(IS=1e-14 BF={gain:g})\n"


def volts(gain: float) -> float:
    """Of the collector, by the textbook: Vbe is 0.65 V at 1 mA with IS = 1e-14 A, Rs 1 Mohm."""
    return VCC - gain * RC * ((VCC - 0.65) / RB - 0.65 / 1e6)


def near(one: Stage, gain: float) -> None:
    # load and follower take under a hundredth
    assert collector(one) == pytest.approx(volts(gain), rel=0.01)
    assert one.part("Q1").parameter("BF") == gain


def test_a_file_gives_the_model_that_a_part_is_told_to_have(tmp_path: Path) -> None:
    (tmp_path / "my.lib").write_text(MODEL.format(name="mine", gain=180))
    one = stage(tmp_path, "devices: {library: my.lib, Q1: {model: MINE}}")
    near(one, 180)
    assert one.part("Q2").model == "small-signal-npn"


def test_a_file_alone_takes_the_place_of_models_of_the_same_name(tmp_path: Path) -> None:
    (tmp_path / "my.lib").write_text(MODEL.format(name="small-signal-npn", gain=90))
    one = stage(tmp_path, "devices: my.lib")
    near(one, 90)
    assert one.part("Q2").parameter("BF") == 90.0


def test_a_folder_of_files(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "a.lib").write_text(MODEL.format(name="one", gain=60))
    (tmp_path / "mine" / "b.mod").write_text(MODEL.format(name="two", gain=220))
    near(stage(tmp_path, "devices: {library: mine, Q1: {model: two}}"), 220)
    (tmp_path / "mine" / "b.mod").write_text(MODEL.format(name="one", gain=220))
    with pytest.raises(InputError, match=r"a\.lib and .*b\.mod"):
        stage(tmp_path, "devices: {library: mine, Q1: {model: one}}")


def test_lines_in_place_and_a_measured_gain_on_top(tmp_path: Path) -> None:
    (tmp_path / "my.lib").write_text(MODEL.format(name="mine", gain=180))
    one = stage(tmp_path, "devices: {library: my.lib, Q1: {model: mine, current gain: 120}}")
    near(one, 120)
    assert one.part("Q1").known == ("BF",)


def test_a_table_names_a_library_too(tmp_path: Path) -> None:
    stage(tmp_path)
    (tmp_path / "my.lib").write_text(MODEL.format(name="mine", gain=180))
    path = tmp_path / "sheet.csv"
    path.write_text("stage,fixed.yaml\ndevice,library,my.lib\ndevice,Q1,model,mine\n"
                    "quantity,at,value\ndc voltage,c,5 V\n")
    assert case_of(path).stage.part("Q1").parameter("BF") == 180.0


@pytest.mark.parametrize(("devices", "word"), [
    ("none.lib", "folder of this sheet"), ("../out.lib", "folder of this sheet"),
    ("my.lib", "no part of this stage"), ("{library: my.lib, Q1: {model: theirs}}", "theirs"),
    ("{library: my.lib, R1: {model: mine}}", "takes no model"),
    ("{library: my.lib, Q9: {model: mine}}", "Q9"), ("empty", "no models in the folder"),
])
def test_a_mistake_is_shown_where_it_stands(tmp_path: Path, devices: str, word: str) -> None:
    (tmp_path / "my.lib").write_text(MODEL.format(name="mine", gain=180))
    (tmp_path.parent / "out.lib").write_text(MODEL.format(name="mine", gain=180))
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError) as error:
        stage(tmp_path, f"devices: {devices}")
    assert word in str(error.value)
    assert error.value.place is not None
    assert error.value.place.line == 3
