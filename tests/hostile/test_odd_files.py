"""What is no plain file, or far too long, in every place where a file is named: one message, soon.

A queue (FIFO) that nobody writes into would have a reader wait for ever, a device has no end, and a
link may lead anywhere (POSIX.1). A file of 50 MB is one that somebody took for another.
"""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from circuits.errors import InputError
from circuits.wholefile import write_whole
from diagnose.cli.main import main
from diagnose.soundcard import calibration
from diagnose.web.shelf import Shelf
from faultlib.store import Store, digest, mark
from tests.hostile.formats import DATA, FORMATS, recordings
from tests.hostile.judge import clear

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a system without FIFOs")
SOON = 60
"""s in which each ends, though the machine is busy; waiting for a FIFO has no end."""
LONG = 50 << 20
ROOM = 1 << 30
"""Bytes of address space that this process may take beyond what it has: tests that were run in it
before have left it some."""
Streams = pytest.CaptureFixture[str]


class _Waited(BaseException):
    """It went on waiting: no handler of the program may take this for an error of its own."""


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    def over(number: int, frame: object) -> None:
        raise _Waited

    monkeypatch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("AMP_DIAGNOSE_WORKERS", "0")
    monkeypatch.setenv("AMP_DIAGNOSE_SHEETS", str(tmp_path / "sheets"))
    before = signal.signal(signal.SIGALRM, over)
    bounds = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (_held() + ROOM, bounds[1]))  # who reads on ends by it
    signal.alarm(SOON)
    yield
    resource.setrlimit(resource.RLIMIT_AS, bounds)
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def _held() -> int:
    """Bytes of address space that this process has; on a system that does not tell, 2 GB."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except OSError:
        return 2 << 30
    return pages * resource.getpagesize()


def fifo(path: Path) -> None:
    os.mkfifo(path)


def to_a_fifo(path: Path) -> None:
    os.mkfifo(path.with_name(".queue"))
    path.symlink_to(".queue")


def endless(path: Path) -> None:
    """For what is only read: a program that writes there as root must never be led to a device."""
    path.symlink_to("/dev/zero")


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def dangling(path: Path) -> None:
    path.symlink_to("nothing-is-here")


def folder(path: Path) -> None:
    path.mkdir()


def long(path: Path) -> None:
    """Holes, which take no room: for a reader it is 50 MB of zeros."""
    with path.open("wb") as file:
        file.truncate(LONG)


def long_text(path: Path) -> None:
    path.write_bytes(b"# a line of a file that is much too long\n" * (LONG // 42))


ODD = [fifo, endless, loop, dangling, folder, long, long_text]
PLACES = [
    "sheet.yaml",
    "sheet.csv",
    "stage.yaml",
    "coupling.yaml",
    "sweep.csv",
    "x.cir",
    "x.net",
    "mine.lib",
    "x.wav",
    "x.flac",
    "inner.inc",
    "trace.csv",
    "log.jsonl",
    "log.csv",
    "own.pem",
]


def command(place: str, there: Path) -> list[str]:
    """The command that comes to read a file of a name."""
    (there / "netlist.cir").write_text(
        "t\n.include inner.inc\nV1 in 0 AC 1\nR1 in out 1k\nR2 out 0 1k\n", encoding="utf-8"
    )
    sheet = there / "case.yaml"
    if place == "sweep.csv":
        (there / "small.yaml").write_bytes((DATA / "small.yaml").read_bytes())
        sheet.write_text(
            "stage: small.yaml\nreadings: [{quantity: riaa deviation, file: sweep.csv}]\n",
            encoding="utf-8",
        )
        return ["rank", str(sheet)]
    if place == "mine.lib":
        sheet.write_text(
            "stage: phono-two-transistor\ndevices: mine.lib\nreadings:\n"
            "  - {quantity: gain, frequency: 1 kHz, value: 3 dB}\n",
            encoding="utf-8",
        )
        return ["rank", str(sheet)]
    if place == "coupling.yaml":
        sheet.write_bytes((DATA / "coupling-dry.yaml").read_bytes())
        return ["rank", str(sheet)]
    if place == "inner.inc":
        return ["stages", "--from", str(there / "netlist.cir")]
    path = there / place
    if place == "own.pem":
        sheet.write_bytes((DATA / "coupling-dry.yaml").read_bytes())
        (there / "coupling.yaml").write_bytes((DATA / "coupling.yaml").read_bytes())
        return ["rank", str(sheet), "--cluster", "tls://127.0.0.1:1", "--cluster-tls",
                *[str(path)] * 3]
    if path.stem == "log":
        return ["log", "import", str(path)]
    if path.stem == "trace":
        return ["measure", str(path)]
    if path.suffix in (".cir", ".net"):
        return ["stages", "--from", str(path)]
    if path.suffix in (".wav", ".flac"):
        return ["measure", str(path)]
    return ["stages" if place == "stage.yaml" else "rank", str(path)]


@pytest.mark.parametrize(
    ("place", "odd"),
    [
        (place, odd)
        for k, place in enumerate(PLACES)
        for j, odd in enumerate(ODD)
        if odd is fifo or (k + j) % 4 == 0
    ],
    ids=lambda one: one if isinstance(one, str) else one.__name__,
)
def test_it_is_refused_soon(
    place: str, odd: Callable[[Path], None], tmp_path: Path, capsys: Streams
) -> None:
    odd(tmp_path / place)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert main(command(place, tmp_path)) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert 0 < len(told.err) < 1500
    assert "Traceback" not in told.err
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300 << 10


def test_a_long_recording_is_one(tmp_path: Path, capsys: Streams) -> None:
    """50 MB of sound are nine minutes: of these thirty seconds are looked at, and no more."""
    body = recordings()["mono.wav"]
    size = LONG - 44
    head = bytearray(body[:44])
    head[4:8], head[40:44] = (size + 36).to_bytes(4, "little"), size.to_bytes(4, "little")
    path = tmp_path / "long.wav"
    samples = body[44:][: 2 * 5600]
    path.write_bytes(
        bytes(head) + samples * (size // len(samples)) + samples[: size % len(samples)]
    )
    assert main(["measure", str(path)]) == 0
    told = capsys.readouterr().out
    assert told.split("\n")[1].startswith("sine; 3.28e+03 s")
    assert "0 to 30" in told or "997" in told


@pytest.mark.parametrize("target", ["inside", "outside", "outside by a folder"])
def test_a_sweep_that_is_a_link_stays_in_its_folder(
    target: str, tmp_path: Path, capsys: Streams
) -> None:
    there = tmp_path / "case"
    there.mkdir()
    words = command("sweep.csv", there)
    place = {"inside": there / "kept.csv"}.get(target, tmp_path / "elsewhere" / "kept.csv")
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(FORMATS["sweep"].originals["sweep.csv"])
    if target == "outside by a folder":
        (there / "folder").symlink_to(place.parent, target_is_directory=True)
        text = Path(words[1]).read_text(encoding="utf-8").replace("sweep.csv", "folder/kept.csv")
        Path(words[1]).write_text(text, encoding="utf-8")
    else:
        (there / "sweep.csv").symlink_to(place)
    assert main([*words, "--time-limit", "0.001"]) in ((0, 2) if target == "inside" else (2,))
    told = capsys.readouterr().err
    assert ("leads out of the folder" in told) == (target != "inside")


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: odd.__name__)
def test_what_is_no_calibration_of_a_card_is_told_soon(
    odd: Callable[[Path], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A link that leads nowhere is as no file: the card is taken for one that nobody calibrated."""
    monkeypatch.setenv(calibration.VARIABLE, str(tmp_path))
    odd(tmp_path / "card.json")
    if odd in (dangling, loop):
        assert calibration.kept("card") is None
        return
    with pytest.raises(InputError) as caught:
        calibration.kept("card")
    clear(caught.value)


# -- what the program itself keeps -----------------------------------------------------------------


@pytest.mark.parametrize("odd", [fifo, loop, folder, to_a_fifo], ids=lambda odd: odd.__name__)
def test_a_file_of_the_store_that_is_none_costs_only_time(
    odd: Callable[[Path], None], tmp_path: Path
) -> None:
    import numpy as np

    key, names, unit = digest("a stage"), ("gain",), mark("healthy")
    odd(tmp_path / f"{key[:40]}.units")
    shelf = Store(tmp_path).shelf(key)
    assert not shelf.known([unit], names).known.any()
    shelf.keep([unit], names, np.array([[1.0]]), {})
    assert shelf.known([unit], names).values.tolist() == [[1.0]]


@pytest.mark.parametrize("odd", [fifo, to_a_fifo, loop, folder, long], ids=lambda odd: odd.__name__)
@pytest.mark.parametrize(
    "file", ["sheet.yaml", "revision.json", "sweep.csv", "from.json", "ranked.json"]
)
def test_the_list_of_sheets_stays(file: str, odd: Callable[[Path], None], tmp_path: Path) -> None:
    from diagnose.web.opened import from_file

    shelf = Shelf(tmp_path)
    kept = shelf.add(from_file("stage: phono-opamp\ncase: one\n", "sheet.yaml"))
    other = shelf.add(from_file("stage: phono-opamp\ncase: other\n", "sheet.yaml"))
    (kept.folder / file).unlink(missing_ok=True)
    odd(kept.folder / file)
    labels = {label.name: label for label in shelf.labels()}
    assert labels[other.name].case == "other"
    try:
        assert shelf.load(kept.name).sheet.case == "one"
        shelf.copy(kept.name, kept.sheet)
        shelf.linked(kept.name)
    except InputError:  # a sheet that is none, and a copy of a sweep that is too long
        assert file == "sheet.yaml" or (file, odd) == ("sweep.csv", long)
    assert shelf.load(other.name).sheet.case == "other"


@pytest.mark.parametrize("odd", [fifo, to_a_fifo, loop, folder], ids=lambda odd: odd.__name__)
def test_nothing_but_a_plain_file_is_ever_written_over(
    odd: Callable[[Path], None], tmp_path: Path
) -> None:
    """A link to a device, followed by one who may do everything, once replaced the device."""
    path = tmp_path / "kept.json"
    odd(path)
    before = {one.name: one.lstat().st_ino for one in tmp_path.iterdir()}
    with pytest.raises(OSError, match=r".+"):
        write_whole(path, b"{}")
    assert {one.name: one.lstat().st_ino for one in tmp_path.iterdir()} == before
