"""Nothing in a netlist is run, and nothing of it breaks out of a line of the simulator's.

What ngspice does with such text, by its manual: ``.control`` runs commands, and ``shell`` and
``system`` among them anything at all. That the attack would work is shown beside it on plain
ngspice, so that no test passes because its marker could never have been made.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from pathlib import Path

import pytest

from circuits import yamlfile
from circuits.bench.take import take
from circuits.circuit import Circuit, Element, Model
from circuits.errors import EngineFault, InputError
from circuits.load import from_tree, load_stage
from circuits.reading import Reading
from circuits.spice.importing import imported

BODY = [
    "V1 vcc 0 12", "Vin in 0 ac 1", "C1 in b 10u", "R1 vcc b 47k", "R2 b 0 10k", "Q1 c b e qn",
    "R3 vcc c 4.7k", "R4 e 0 1k", "C2 c out 10u", "R5 out 0 47k", ".model qn npn(bf=200)",
]


def netlist(*more: str) -> str:
    return "\n".join(["a netlist that would do more than it should", *BODY, *more, ".end", ""])


def simulate(text: str, folder: Path) -> float:
    """The collector's voltage of a netlist, all the way through file, reader and simulator."""
    made = imported(text, "attack.cir", folder)
    stage = from_tree(yamlfile.tree(made.text, "attack.yaml"), folder)
    return float(take(stage, [Reading("dc voltage", at="c")])[0])


@pytest.mark.parametrize(
    "lines",
    [
        (".control", "shell touch {marker}", ".endc"),
        (".control", "system touch {marker}", "op", ".endc"),
        (".CONTROL", "  shell touch {marker}", ".ENDC"),
        ("* amp: stage: x", ".control", "! touch {marker}", ".endc"),
        (".system touch {marker}",), (".exec touch {marker}",), (".shell touch {marker}",),
    ],
)
def test_commands_are_never_run(lines: tuple[str, ...], tmp_path: Path) -> None:
    marker = tmp_path / "marker"
    text = netlist(*(line.format(marker=marker) for line in lines))
    assert 5.0 < simulate(text, tmp_path) < 12.0
    made = imported(text, "attack.cir", tmp_path)
    assert any("run" in one.why for one in made.left)
    assert str(marker) not in made.text
    assert not marker.exists()


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_plain_ngspice_would_run_them(tmp_path: Path) -> None:
    marker = tmp_path / "marker"
    text = netlist(".control", f"shell touch {marker}", ".endc")
    (tmp_path / "x.cir").write_text(text, encoding="utf-8")
    subprocess.run(["ngspice", "-b", "x.cir"], cwd=tmp_path, capture_output=True, timeout=60,
                   check=False)
    assert marker.exists()


@pytest.mark.parametrize(
    "name",
    ["/etc/hostname", "../outside.lib", "~/outside.lib", "sub/../../outside.lib", "$HOME/x.lib",
     "C:\\x.lib", "..\\outside.lib", "link.lib", "//host/x.lib"],
)
@pytest.mark.parametrize("word", [".include", ".lib", ".INC"])
def test_includes_that_lead_out_are_refused(name: str, word: str, tmp_path: Path) -> None:
    (tmp_path / "outside.lib").write_text("* secret\nR99 out 0 1k\n", encoding="utf-8")
    folder = tmp_path / "netlists"
    (folder / "sub").mkdir(parents=True)
    (folder / "link.lib").symlink_to(tmp_path / "outside.lib")
    with pytest.raises(InputError) as caught:
        imported(netlist(f'{word} "{name}"'), "attack.cir", folder)
    assert caught.value.place is not None
    assert caught.value.place.line == 13
    assert "secret" not in str(caught.value)


def test_without_a_folder_nothing_is_included(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nothing can be included"):
        imported(netlist(".include x.lib"), "attack.cir")


@pytest.mark.parametrize(
    "devices", ["../outside.lib", "/etc/hostname", "link.lib", "~/x.lib", "missing.lib"]
)
def test_devices_of_a_stage_do_not_lead_out(devices: str, tmp_path: Path) -> None:
    (tmp_path / "outside.lib").write_text(".model qn npn(bf=99)\n", encoding="utf-8")
    folder = tmp_path / "stages"
    folder.mkdir()
    (folder / "link.lib").symlink_to(tmp_path / "outside.lib")
    (folder / "x.yaml").write_text(
        "stage: x\nports: {input: in, output: out}\n"
        f"devices: {devices}\n"
        "parts:\n  Q1: {kind: npn, nodes: [out, in, '0'], model: qn}\n"
        "  R1: {kind: carbon-film, nodes: [out, in], value: 1k}\n", encoding="utf-8")
    with pytest.raises(InputError, match="no file"):
        load_stage("x.yaml", folder)


@pytest.mark.parametrize(
    "line",
    [
        "R9 out 0\r.control", "R9 out\x0b0 1k", "R9 out 0 1k\x00", "R9 out 0 {1k}\u2028shell x",
        "R9 out `touch x` 1k", "R9 out 0 {system(1)}", "R9 out 0 {__import__(1)}",
        "R9 out 0 '1;shell'", "R9 out 0 {1e999}", "R9 out 0 {(1).__class__}",
        "R9 out 0 {" + "(" * 500 + "1" + ")" * 500 + "}", "R9 out 0 {9**9**9**9}",
        "B9 out 0 v=system(1)", "B9 out 0 v=v(in);shell", "E9 out 0 value={shell(1)}",
        "R9 out 0 {" + "+".join(["1"] * 3000) + "}",
    ],
)
def test_what_would_break_out_of_a_line_is_refused_or_harmless(line: str, tmp_path: Path) -> None:
    """Either an error with its place, or a stage that simulates and has none of it in its text."""
    marker = tmp_path / "x"
    with contextlib.suppress(InputError):
        volts = simulate(netlist(line), tmp_path)
    assert not marker.exists()
    if "volts" not in locals():
        with pytest.raises(InputError) as caught:
            simulate(netlist(line), tmp_path)
        assert caught.value.place is not None
        return
    assert 5.0 < volts < 12.0
    assert "shell" not in imported(netlist(line), "attack.cir").text
    assert not marker.exists()


def test_names_of_a_subcircuit_are_not_names_in_the_simulator(tmp_path: Path) -> None:
    """Whatever a macromodel calls its nodes and elements, numbers stand in their place."""
    text = netlist(
        ".subckt odd 1 2 3 4 5", "Ri`sh` 1 2 1meg", "Eo'x' n$1 0 1 2 1e5", "Rn[0] n$1 5 50",
        "Gq!~ 5 0 3 4 1n", ".ends", "XU1 b m vcc 0 y odd", "Rf y m 1k",
    )
    made = imported(text, "attack.cir", tmp_path)
    names = [e.name for p in made.stage.parts if p.behaviour for e in p.behaviour.elements]
    assert all(name.isalnum() for name in names)


@pytest.mark.parametrize(
    "circuit",
    [
        Circuit((Element("R1", ("a", "0"), None, "1k\n.control\nshell touch x\n.endc"),)),
        Circuit((Element("R1\n.control", ("a", "0"), 1.0),)),
        Circuit((Element("R1", ("a\nshell", "0"), 1.0),)),
        Circuit((Element("R1", ("a", "0"), 1.0),), (Model("m\n.control", "d"),)),
    ],
)
def test_the_last_gate_lets_no_line_break_through(circuit: Circuit) -> None:
    with pytest.raises(EngineFault):
        circuit.text()


def test_a_bomb_of_subcircuits_is_refused_at_once() -> None:
    """Nine levels of ten each are a thousand million parts."""
    rows = [".subckt s0 a b", "R1 a b 1k", ".ends"]
    for level in range(1, 10):
        rows += [f".subckt s{level} a b", *(f"X{k} a b s{level - 1}" for k in range(10)), ".ends"]
    with pytest.raises(InputError, match="too many"):
        imported(netlist(*rows, "X1 out 0 s9"), "bomb.cir")


@pytest.mark.parametrize(
    "rows",
    [
        [".subckt s a b", "X1 a b s", "R1 a b 1k", ".ends", "X1 out 0 s"],
        [".param a={b} b={a}", "R9 out 0 {a}"],
        [".func f(x) {f(x)+f(x)}", "R9 out 0 {f(1)}"],
        [".func a(x) {x+x}", *(f".func {chr(98 + k)}(x) {{{chr(97 + k)}(x)+{chr(97 + k)}(x)}}"
                               for k in range(24)), "R9 out 0 {y(1)}"],
        [".model qa ako:qb npn(bf=1)", ".model qb ako:qa npn(bf=1)", "Q9 out b e qa"],
    ],
)
def test_what_follows_from_itself_is_refused(rows: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        imported(netlist(*rows), "loop.cir")
    assert caught.value.place is not None


def test_a_file_that_includes_itself_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.inc").write_text(".include a.inc\n", encoding="utf-8")
    with pytest.raises(InputError, match="too many files"):
        imported(netlist(".include a.inc"), "loop.cir", tmp_path)
