"""The command: exit codes, what goes to which stream, and that nothing the user has is lost.

Source of the rules: the project's contract for its commands; exit codes of signals are those of
the POSIX shell (128 + number).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from circuits.load import stage_names
from diagnose.cli.arguments import COMMANDS
from diagnose.cli.main import main
from diagnose.sheet.case import load_case

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
DRY = DATA / "coupling-dry.yaml"


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes the user's store, and none starts a pool."""
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.setenv(COUNT_VARIABLE, "0")


Streams = pytest.CaptureFixture[str]


def run(*words: str | Path) -> int:
    return main([str(word) for word in words])


def test_the_answer_goes_to_standard_output_alone(capsys: Streams) -> None:
    assert run("rank", DRY) == 0
    told = capsys.readouterr()
    assert told.err == ""
    # the text: what to mind, figures, then the answer
    order = ["Cautions", "Published figures", "C1 capacitance loss", "What else it may be"]
    places = [told.out.index(word) for word in order]
    assert places == sorted(places)


def test_json_is_one_document_and_its_probabilities_add_up(capsys: Streams) -> None:
    assert run("rank", DRY, "--json") == 0
    told = capsys.readouterr()
    assert told.err == ""
    answer = json.loads(told.out)
    whole = sum(s["probability"] for s in answer["suspects"])
    whole += answer["healthy"] + answer["unmodelled"] + answer["rest"]
    assert whole == pytest.approx(1.0, abs=1e-9)
    first = answer["suspects"][0]
    assert (first["part"], first["mode"]) == ("C1", "capacitance loss")
    # -5.48 dB at 10 Hz and -2.13 dB at 20 Hz into 10 kohm: 1 uF (first-order high-pass)
    assert first["severity"]["low"] <= 1e-6 <= first["severity"]["high"]
    assert [v["passes"] for v in answer["verdict"]] == [False, True]


def test_the_second_answer_comes_from_the_store_and_is_the_same(capsys: Streams) -> None:
    run("rank", DRY, "--json")
    first = capsys.readouterr().out
    run("rank", DRY, "--json")
    assert capsys.readouterr().out == first


LOADED = """
import json, sys
from diagnose.cli.main import main
code = main(["rank", {case!r}])
print(json.dumps([code, sorted(sys.modules)]), file=sys.stderr)
"""


@pytest.mark.slow
def test_an_answer_from_the_store_loads_nothing_that_it_does_not_use(capsys: Streams) -> None:
    assert run("rank", DRY) == 0
    done = subprocess.run(
        [sys.executable, "-c", LOADED.format(case=str(DRY))], capture_output=True, text=True,
        check=True, timeout=120, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    code, modules = json.loads(done.stderr)
    assert code == 0
    assert done.stdout == capsys.readouterr().out
    assert {"numpy", "rich", "faultlib.store"} <= set(modules)  # the check sees what is loaded
    needless = {"PySpice", "pebble", "circuits.bench.engine", "networkx", "scipy", "matplotlib",
                "numpy.ma", "multiprocessing", "flask", "circuits.spice.library", "rich.progress"}
    assert needless & set(modules) == set()


@pytest.mark.slow
def test_no_cache_leaves_the_store_empty(capsys: Streams) -> None:
    folder = Path(os.environ["AMP_DIAGNOSE_CACHE"])
    assert run("rank", DRY, "--no-cache") == 0
    assert list(folder.rglob("*.units")) == []
    assert run("rank", DRY) == 0
    assert list(folder.rglob("*.units")) != []


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["rnk", "x"], "rank"),
        (["stages", "phono-opmap"], "phono-opamp"),
        (["study", "phono-opamp", "C33:open"], "C3"),
        (["study", "phono-opamp", "C3:leekage"], "leakage"),
        (["study", "phono-opamp", "C3"], "C3:open"),
        (["study", "phono-opamp", "C3:open", "-o", "picture.gif"], ".png"),
        (["study", str(DATA / "coupling.yaml"), "C1:open", "--readings", str(DATA / "sheet.yaml")],
         "coupling"),
        (["rank", "no-such-file.yaml"], "no-such-file.yaml"),
        (["rank"], "CASE"),
        ([], "COMMAND"),
    ],
)
def test_unusable_input_is_one_message_with_the_nearest_words(
    words: list[str], offered: str, capsys: Streams
) -> None:
    assert run(*words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert offered in told.err
    assert "Traceback" not in told.err


def test_a_mistake_in_a_case_is_shown_where_it_stands(tmp_path: Path, capsys: Streams) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("stage: phono-opamp\nreadings:\n  - {quantity: gian, value: 3 dB}\n")
    assert run("rank", bad, "--json") == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "bad.yaml:3:" in told.err
    assert "^" in told.err
    assert "gain" in told.err


def test_a_case_without_readings_is_refused(tmp_path: Path, capsys: Streams) -> None:
    blank = tmp_path / "blank.yaml"
    assert run("sheet", "phono-opamp", "-o", blank) == 0
    assert run("rank", blank) == 2
    assert "reading" in capsys.readouterr().err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_ends_with_an_example(command: str, capsys: Streams) -> None:
    with pytest.raises(SystemExit) as stop:
        run(command, "--help")
    assert stop.value.code == 0
    last = capsys.readouterr().out.rstrip().splitlines()[-2:]
    assert last[0] == "example:"
    assert last[1].strip().startswith(f"diagnose {command}")


def test_stages_lists_what_ships(capsys: Streams) -> None:
    assert run("stages") == 0
    text = capsys.readouterr().out
    assert all(name in text for name in stage_names())


def test_a_sheet_is_a_case_and_is_never_overwritten(tmp_path: Path, capsys: Streams) -> None:
    path = tmp_path / "sheet.yaml"
    assert run("sheet", "phono-opamp", "-o", path) == 0
    case = load_case(path)
    assert case.stage.name == "phono-opamp"
    assert case.readings == ()
    path.write_text("what the user wrote")
    capsys.readouterr()
    assert run("sheet", "phono-opamp", "-o", path) == 2
    assert path.read_text() == "what the user wrote"
    assert "sheet.yaml exists" in capsys.readouterr().err


@pytest.mark.parametrize("stage", stage_names())
def test_every_stage_that_ships_has_a_sheet_that_loads(stage: str, tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    assert run("sheet", stage, "-o", path) == 0
    assert load_case(path).stage.name == stage
    # filled in with the plainest value of each unit, every line of it is a reading
    text = path.read_text()
    count = text.count("value: }")
    path.write_text(text.replace("value: }", "value: 1}"))
    assert len(load_case(path).readings) == count > 20


def test_a_sheet_of_a_stage_file_finds_its_stage_from_its_own_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sheets").mkdir()
    (tmp_path / "own.yaml").write_text((DATA / "coupling.yaml").read_text())
    monkeypatch.chdir(tmp_path)
    assert run("sheet", "own.yaml", "-o", "sheets/own.yaml") == 0
    assert load_case(tmp_path / "sheets" / "own.yaml").stage.name == "coupling"


def test_a_sheet_asks_a_phono_stage_for_its_deviation_and_others_for_their_response(
    capsys: Streams,
) -> None:
    run("sheet", "phono-two-transistor")
    phono = capsys.readouterr().out
    run("sheet", "output-complementary")
    power = capsys.readouterr().out
    assert "riaa deviation" in phono
    assert "quantity: response" not in phono
    assert "quantity: response" in power
    assert "riaa deviation" not in power
    # a loudspeaker is judged by the damping factor (IEC 60268-3), a line by its impedance
    assert "damping factor" in power
    assert "output impedance" in phono


@pytest.mark.slow
def test_study_names_a_picture_and_draws_it_only_when_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Streams
) -> None:
    monkeypatch.chdir(tmp_path)
    stage = DATA / "coupling.yaml"
    assert run("study", stage, "C1:capacitance loss") == 0
    name = "coupling-C1-capacitance-loss.png"
    assert name in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []
    # hyphens stand for the blanks that a shell would split at
    assert run("study", stage, "C1:capacitance-loss", "-o", "--json") == 0
    told = capsys.readouterr()
    assert json.loads(told.out)["mode"] == "capacitance loss"
    assert name in told.err
    # the eight bytes that open every PNG file (ISO/IEC 15948)
    assert (tmp_path / name).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_study_shows_what_a_case_measured(capsys: Streams) -> None:
    stage = DATA / "coupling.yaml"
    assert run("study", stage, "C1:capacitance loss", "--readings", DRY, "--json") == 0
    readings = json.loads(capsys.readouterr().out)["readings"]
    assert [r["measured"] for r in readings] == [-5.48, -2.13, 0.0]


@pytest.mark.slow
def test_a_picture_that_cannot_be_written_is_a_message(tmp_path: Path, capsys: Streams) -> None:
    nowhere = tmp_path / "none" / "x.png"
    assert run("study", DATA / "coupling.yaml", "C1:open", "-o", nowhere) == 2
    assert "cannot be written" in capsys.readouterr().err


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "diagnose", *map(str, words)]


@pytest.fixture
def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), COUNT_VARIABLE: "2"}


@pytest.mark.slow
def test_a_terminal_gets_colours_and_a_pipe_gets_none(environment: dict[str, str]) -> None:
    """ECMA-48: every colour starts with the control character ESC."""
    pipe = subprocess.run(command("stages"), capture_output=True, env=environment, check=True,
                          timeout=60)
    assert b"\x1b" not in pipe.stdout
    ours, theirs = os.openpty()
    environment.pop("NO_COLOR", None)
    subprocess.run(command("stages"), stdout=theirs, env=environment, check=True, timeout=60)
    os.close(theirs)
    assert b"\x1b[" in os.read(ours, 65536)
    os.close(ours)


@pytest.mark.slow
def test_a_reader_that_leaves_early_is_no_error(environment: dict[str, str]) -> None:
    with subprocess.Popen(
        command("stages", "output-complementary"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) == 128 + signal.SIGPIPE


@pytest.mark.slow
def test_control_c_ends_with_one_line_and_leaves_nobody(environment: dict[str, str]) -> None:
    with subprocess.Popen(
        command("rank", DATA / "slow.yaml", "--no-cache"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, start_new_session=True,
        # a shell may have started the tests with interrupts ignored, which a child inherits
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as process:
        deadline = time.monotonic() + 30.0
        while not workers(process.pid):
            assert process.poll() is None, process.stderr and process.stderr.read()
            assert time.monotonic() < deadline
            time.sleep(0.02)
        # Python drops an interrupt that comes in the very moment of a fork (exception ignored),
        # so the stop is sent while the workers work
        time.sleep(0.3)
        left = workers(process.pid)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
        assert process.returncode == 130
        assert out == b""
        assert err.decode().splitlines() == ["stopped"]
        assert not [pid for pid in left if Path(f"/proc/{pid}").exists()]


def workers(parent: int) -> list[int]:
    """Processes that a process has started, by Linux's own list."""
    text = Path(f"/proc/{parent}/task/{parent}/children").read_text()
    return [int(word) for word in text.split()]


def test_next_proposes_readings_in_the_words_of_the_sheet(capsys: Streams) -> None:
    assert run("next", DRY, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert {"stage", "case", "cautions", "next"} <= set(answer)
    bits = [entry["information"] for entry in answer["next"]]
    assert all(b > 0.0 for b in bits)
    assert run("next", DRY) == 0
    assert "reading" in capsys.readouterr().out.lower()
    assert run("next", DRY, "--most", "0") == 2
