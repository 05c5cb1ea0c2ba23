"""What a command does when something stops it: a full disk, Ctrl-C, its time, an absurd option.

Exit codes are those of the project's contract: 2 for what cannot be used or done, and 130, as a
POSIX shell gives it, for Ctrl-C. Full devices are real: /dev/full, and a limit on the size of files
(setrlimit), behind which every write fails.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest

from circuits.bench.workers import COUNT_VARIABLE
from diagnose.cli.main import main
from faultlib.simulate import Laboratory

ROOT = Path(__file__).resolve().parents[3]
DRY = ROOT / "tests" / "data" / "coupling-dry.yaml"
FULL = Path("/dev/full")
Streams = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.setenv(COUNT_VARIABLE, "0")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))


NO_BYTECODE = {"PYTHONDONTWRITEBYTECODE": "1"}
"""Python 3.11 takes a short write of compiled code for a whole one, and trips over it later."""


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "diagnose", *map(str, words)]


# -- options ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("score", "phono-opamp", "--seed", "-1"), "seed of -1"),
        (("score", "phono-opamp", "--foreign", "nan"), "nan is no share"),
        (("score", "phono-opamp", "--foreign", "-0.1"), "-0.1 is no share"),
        (("score", "phono-opamp", "--foreign", "1e300"), "1e+300 is no share"),
        (("score", "phono-opamp", "--benches", "999999999"), "999999999 units"),
        (("rank", DRY, "--time-limit", "nan"), "--time-limit nan"),
        (("rank", DRY, "--time-limit", "-1"), "--time-limit -1"),
        (("rank", DRY, "--time-limit", "inf"), "--time-limit inf"),
    ],
)
def test_an_absurd_option_is_one_message(
    words: tuple[str, ...], told: str, capsys: Streams
) -> None:
    assert main([str(word) for word in words]) == 2
    seen = capsys.readouterr()
    assert seen.out == ""
    assert told in seen.err
    assert "expected: " in seen.err


# -- full devices ----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize(
    "words",
    [("stages",), ("--version",), ("rank", "--help"), ("rank", DRY), ("rank", DRY, "--json")],
)
def test_an_answer_that_cannot_be_written_is_told(words: tuple[str, ...]) -> None:
    with FULL.open("w") as full:
        done = subprocess.run(command(*words), stdout=full, stderr=subprocess.PIPE, text=True,
                              timeout=120)
    assert done.returncode == 2
    assert done.stderr == "the answer could not be written: No space left on device\n"


@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
def test_a_message_that_cannot_be_written_keeps_its_exit_code() -> None:
    with FULL.open("w") as full:
        done = subprocess.run(command("rank", "nothing.yaml"), stdout=subprocess.PIPE, stderr=full,
                              timeout=120)
    assert done.returncode == 2
    assert done.stdout == b""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("sheet", "phono-opamp", "-o"), "x.yaml"),
        (("sheet", "phono-opamp", "-o"), "x.csv"),
        (("report", DRY, "-o"), "x.html"),
        (("study", "phono-opamp", "R1:open", "-o"), "x.png"),
    ],
)
def test_a_full_disk_leaves_no_file(words: tuple[str, ...], name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    inside = " ".join(["ulimit -f 1; exec", *command(*words, path)])
    done = subprocess.run(["bash", "-c", inside.replace(" R1:open", " 'R1:open'")],
                          capture_output=True, text=True, timeout=200, cwd=tmp_path,
                          env={**os.environ, **NO_BYTECODE})
    assert done.returncode == 2, done.stderr
    assert f"{path} cannot be written: File too large" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_without_room_for_temporary_files_there_is_a_message(tmp_path: Path) -> None:
    inside = " ".join(["ulimit -f 0; exec", *command("sheet", "phono-opamp")])
    done = subprocess.run(["bash", "-c", inside], capture_output=True, text=True, timeout=200,
                          cwd=tmp_path, env={**os.environ, **NO_BYTECODE})
    assert done.returncode == 2
    assert done.stderr.startswith("no temporary folder can be made: ")
    assert "TMPDIR" in done.stderr


# -- Ctrl-C ----------------------------------------------------------------------------------------


INTERRUPTED = """
import os, signal, sys

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            sys.stderr.write("here ")
            sys.stderr.flush()
            os.kill(os.getpid(), signal.SIGINT)
        return None

sys.meta_path.insert(0, Finder())
sys.argv = ["diagnose", "rank", {case!r}]
from diagnose.__main__ import main
sys.exit(main())
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "module",
    ["circuits", "circuits.errors", "diagnose.cli.arguments", "numpy", "numpy.linalg",
     "yaml", "diagnose.inference.infer", "faultlib.simulate"],
)
def test_control_c_while_it_is_being_loaded_is_one_line(module: str) -> None:
    script = textwrap.dedent(INTERRUPTED).format(module=module, case=str(DRY))
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True,
                          timeout=120, env=dict(os.environ))
    assert done.returncode == 130
    assert done.stderr == "here stopped\n"
    assert done.stdout == ""


PHONO = ROOT / "examples" / "hall-record-hum.yaml"
FOREGROUND = ("import os, signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
              "os.execvp(sys.argv[1], sys.argv[1:])")
"""A shell starts what runs in the background with SIGINT ignored; this is as in the foreground."""
AT_ONCE = 1.0
"""s; on an idle machine it is under a tenth, and busy ones must pass as well. The pool's own end
once took 0.3 s there, and waiting for the unit at hand would take seconds."""


def begun(*words: str | Path, workers: str = "2") -> subprocess.Popen[str]:
    """A real command, in a group of its own as a terminal has it."""
    return subprocess.Popen(
        [sys.executable, "-c", FOREGROUND, *command(*words)], stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, COUNT_VARIABLE: workers},
    )


def kept() -> int:
    """Bytes that the store of these tests holds."""
    return sum(p.stat().st_size for p in Path(os.environ["AMP_DIAGNOSE_CACHE"]).glob("*.units"))


def wait_until_it_keeps(run: subprocess.Popen[str], more_than: int = 0) -> int:
    """What the store holds once a running command has added to it."""
    end = time.monotonic() + 60.0
    while kept() <= more_than:
        assert run.poll() is None, "it ended before it kept anything"
        assert time.monotonic() < end
        time.sleep(0.01)
    return kept()


@pytest.mark.slow
def test_control_c_ends_a_simulation_at_once_and_loses_nothing_of_it() -> None:
    """Twice, at different moments; then the work goes on where it was. No process is left."""
    held = 0
    for _ in range(2):
        with begun("rank", PHONO) as run:
            before = wait_until_it_keeps(run, held)
            start = time.monotonic()
            os.killpg(run.pid, signal.SIGINT)
            out, err = run.communicate(timeout=60)
            assert time.monotonic() - start < AT_ONCE
        assert (run.returncode, out, err) == (130, "", "stopped\n")
        with pytest.raises(ProcessLookupError):
            os.killpg(run.pid, 0)
        held = kept()
        assert held >= before


@pytest.mark.slow
def test_a_killed_ranking_keeps_what_it_had(
    capsys: Streams, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGKILL to the whole group: the next run has fewer units to simulate, and the same answer."""
    with begun("rank", DRY) as run:
        wait_until_it_keeps(run)
        os.killpg(run.pid, signal.SIGKILL)
        run.communicate(timeout=60)
    assert run.returncode == -signal.SIGKILL
    simulated: list[int] = []
    each = Laboratory.each

    def counted(self: Laboratory, function: Any, items: Any, *rest: Any) -> Any:
        simulated.append(len(items))
        return each(self, function, items, *rest)

    monkeypatch.setattr(Laboratory, "each", counted)
    answers, counts = [], []
    for cache in ((), ("--no-cache",)):
        simulated.clear()
        assert main(["rank", str(DRY), "--json", *cache]) == 0
        answers.append(json.loads(capsys.readouterr().out))
        counts.append(sum(simulated))
    assert 0 < counts[0] < counts[1]
    assert answers[0] == answers[1]


# -- time ------------------------------------------------------------------------------------------


SHEET = ROOT / "examples" / "hall-record-hum.yaml"


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [("rank", SHEET), ("next", SHEET), ("coverage", "phono-two-transistor"),
     ("score", "phono-two-transistor", "--benches", "20"),
     ("study", "output-complementary", "C1:capacitance loss"), ("rank", SHEET, "--json")],
)
@pytest.mark.parametrize("minutes", ["0.001", "0.01"])
def test_a_command_ends_in_its_time_and_says_what_is_missing(
    words: tuple[str, ...], minutes: str, capsys: Streams
) -> None:
    """With an empty store 0.06 s and 0.6 s suffice for next to nothing, or for a part."""
    start = time.monotonic()
    code = main([*map(str, words), "--no-cache", "--time-limit", minutes])
    assert time.monotonic() - start < 60.0
    told = capsys.readouterr()
    if code == 2:  # not even how good units differ was known
        assert told.out == ""
        assert "time was" in told.err
    elif "study" in words and "time was" not in told.out.lower():
        assert minutes == "0.01"  # one fault is soon simulated
    else:
        assert "time was over" in " ".join(told.out.lower().split())


def test_what_the_store_knows_needs_no_time(capsys: Streams) -> None:
    assert main(["rank", str(DRY), "--json"]) == 0
    first = json.loads(capsys.readouterr().out)
    assert main(["rank", str(DRY), "--json", "--time-limit", "0.001"]) == 0
    assert json.loads(capsys.readouterr().out) == first
