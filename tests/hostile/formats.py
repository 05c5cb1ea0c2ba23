"""Every format that is read: files to begin with, what must lie beside them, and the reader.

An input is made in a folder of its own, where a sheet finds its stage and its sweep, and read as
the commands read it; of what was accepted a little is asked that every command asks.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random

import numpy as np

from circuits.cautions import caution_texts
from circuits.device import FOLDER as DEVICES
from circuits.device import read_devices
from circuits.drawing import FOLDER as DRAWINGS
from circuits.drawing import load_layout
from circuits.errors import InputError
from circuits.load import FOLDER as STAGES
from circuits.load import UNITS, load_stage, stage_of_text
from circuits.netlist import circuit
from circuits.spice.importing import imported
from circuits.spice.library import library
from circuits.spice.reading_in import text_of
from circuits.stage import Stage
from diagnose.recording.measuring import measure
from diagnose.recording.options import Options
from diagnose.sheet.case import Case, load_case
from faultlib.catalogue import hypotheses
from faultlib.modefile import build, load_words, read_kinds
from tests.hostile.accidents import befallen
from tests.hostile.accidents_samples import recorded
from tests.hostile.accidents_table import befallen_table
from tests.hostile.judge import MESSAGE, clear

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "tests" / "data"
NETLISTS = ROOT / "tests" / "circuits" / "spice" / "netlists"
MODES = ROOT / "faultlib" / "modes"
RATE = 8000
"""Samples a second of most recordings here: the least that is read, as it is the quickest."""
_LARGE = 60
"""Parts beyond which not everything is asked of a stage that was accepted."""


@dataclass(frozen=True)
class Format:
    """One kind of file.

    Attributes
    ----------
    originals : mapping
        Name of a file → its bytes.
    name : str
        What the file is called that is read; empty for the original's own name.
    beside : mapping
        Files that lie in the same folder.
    read : callable
        Reads the file of a path; raises `InputError` or gives an answer.
    befall : callable
        Does a file some harm.
    share : int
        How often it is taken, of all formats together.
    """

    originals: Mapping[str, bytes]
    read: Callable[[Path], object]
    name: str = ""
    beside: Mapping[str, bytes] = field(default_factory=dict)
    befall: Callable[[Random, bytes], bytes] = befallen
    share: int = 10

    def make(self, chance: Random, folder: Path) -> Path:
        """A harmed file in a folder, which is emptied."""
        original = chance.choice(sorted(self.originals))
        body = self.befall(chance, self.originals[original])
        return self.put(folder, self.name or original, body)

    def put(self, folder: Path, name: str, body: bytes) -> Path:
        """A file in a folder, with what must lie beside it, and nothing else."""
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        for beside, content in self.beside.items():
            path = folder / beside
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        (folder / name).write_bytes(body)
        return folder / name


def files(*paths: Path) -> dict[str, bytes]:
    """Files by their names."""
    return {path.name: path.read_bytes() for path in paths}


def of_stage(stage: Stage) -> Stage:
    """Ask what every command asks of a stage that was accepted."""
    caution_texts(stage)
    if len(stage.parts) <= _LARGE:
        hypotheses(stage)
        circuit(stage).text()
    return stage


def _stage(path: Path) -> object:
    return of_stage(load_stage(path))


def _case(path: Path) -> Case:
    case = load_case(path)
    of_stage(case.stage)
    return case


def _sweep(path: Path) -> object:
    case = path.with_name("sweep-case.yaml")
    case.write_text(
        "stage: small.yaml\nreadings: [{quantity: riaa deviation, file: sweep.csv}]\n",
        encoding="utf-8",
    )
    return load_case(case)


def _netlist(path: Path) -> object:
    text = text_of(path)
    try:
        made = imported(text, path.name, path.parent)
    except InputError as error:
        # a path is shown by its name alone: the folder is known to whoever asked
        clear(error)
        raise
    return of_stage(stage_of_text(made.text, "made.yaml", path.parent))


def _library(path: Path) -> object:
    found = library(path)
    for name in found.names():
        try:
            found.device(name, "npn")
        except InputError as error:  # a device of another kind is one message each
            clear(error)
    return found


def _devices_of_stage(path: Path) -> object:
    stage = path.with_name("of-devices.yaml")
    stage.write_bytes(
        (STAGES / "phono-opamp.yaml")
        .read_bytes()
        .replace(b"parts:", f"devices: {path.name}\nparts:".encode(), 1)
    )
    return load_stage(stage)


def _modes(path: Path) -> object:
    words, kinds = load_words(path.parent), read_kinds(path.parent)
    refused = []
    for name in kinds:
        try:
            build(name, kinds, words)
        except InputError as error:
            clear(error)
            refused.append(error)
    if refused:
        raise refused[0]
    return kinds


def _drawing(path: Path) -> object:
    return load_layout(load_stage(path.name.partition(".")[0]), path)


def _recording(path: Path) -> object:
    made = measure(path, Options(full_scale=2.0))
    return made.readings() or MESSAGE  # silence has none, and says so in its notes


@cache
def recordings() -> dict[str, bytes]:
    """Short tones as recorders write them: forms, depths, one channel and two."""
    import soundfile

    time = np.arange(round(0.7 * RATE)) / RATE
    tone = 0.5 * np.sin(2 * np.pi * 997.0 * time) + 0.01 * np.sin(2 * np.pi * 50.0 * time)
    random = np.random.default_rng(3)
    wave = tone + 1e-4 * random.standard_normal(len(tone))
    pair = np.stack([wave, 0.3 * wave], axis=1)
    made = {}
    for name, samples, form, kind in (
        ("mono.wav", wave, "WAV", "PCM_16"),
        ("pair.wav", pair, "WAV", "PCM_24"),
        ("float.wav", wave, "WAV", "FLOAT"),
        ("whole.flac", wave, "FLAC", "PCM_16"),
        ("square.wav", 0.4 * np.sign(tone), "WAV", "PCM_16"),
        ("noise.wav", 1e-3 * random.standard_normal(len(tone)), "WAV", "PCM_16"),
    ):
        file = io.BytesIO()
        soundfile.write(file, samples, RATE, format=form, subtype=kind)
        made[name] = _undated(file.getvalue())
    return made


def _undated(body: bytes) -> bytes:
    """A recording without the second in which it was written, which a header of floats holds.

    Else a number would name another input in every run.
    """
    at = body.find(b"PEAK") + 12  # behind name, size and version
    return body if at < 12 else body[:at] + bytes(4) + body[at + 4 :]


TABLE = b"""case,Record input of the hall amplifier hums,,,
stage,small.yaml,,,
value,C2,220n
value,R3,12k
mains,60 Hz
check,C3,good,capacitance and ESR
observation,intermittent
# a remark
quantity,at,rail,frequency,reference,power,load,between,value,unit,uncertainty,max,within,remark
dc voltage,c1,,,,,,,11.3,V,,,,Q1 collector
dc voltage,e1,,,,,,,2.1,V,,,,
supply current,,vcc,,,,,,1.4,mA,,,,
gain,,,1 kHz,,,,,35.4,dB,0.2 dB,,,
gain,,,100 Hz,,,,,34.9,dB,,,,
response,,,20 Hz,1 kHz,,,,-1.2,dB,,,,
response,,,15 kHz,1 kHz,,,,-0.6,dB,,,,
thd,,,1 kHz,,20 mW,8 ohm,,0.24,%,5 %,,,
hum,,,120 Hz,,,,,31.6,uV,,,,
resistance,,,,,,,c1 to 0,12,kohm,,,,
thd,,,1 kHz,,20 mW,8 ohm,,,%,,0.2,,
"""
"""A sheet as a spreadsheet has it."""
_LIBRARIES = {
    "models.lib": b"* two models\n.model q npn(bf=100 is=1e-14 vaf=80)\n.model d d(is={2*p} rs=1)\n"
    b".param p=1f\n.model j njf(vto=-1 beta=2m)\n",
    "amp.lib": b".subckt a 1 2 3 4 5\nE1 x 0 1 2 1e3\nR1 x 5 50\nG1 5 0 3 4 1n\nC1 x 0 {10p*k}\n"
    b".ends\n.param k=3\n",
}
_SMALL = files(DATA / "small.yaml", DATA / "sweep.csv")
_PARTS = {
    f"parts/{path.name}": path.read_bytes()
    for path in (*(NETLISTS / "parts").iterdir(), *(DATA / "outside" / "parts").iterdir())
}
_EXAMPLES = ROOT / "examples"

FORMATS: dict[str, Format] = {
    "stage": Format(
        files(DATA / "small.yaml", *sorted(STAGES.glob("*.yaml"))),
        _stage,
        "mutated.yaml",
        share=16,
    ),
    "unit": Format(
        files(
            *sorted(UNITS.glob("*.yaml")), DATA / "unit" / "pair.yaml", DATA / "unit" / "fed.yaml"
        ),
        _stage,
        "mutated.yaml",
        files(*sorted((DATA / "unit").glob("*.yaml"))),
        share=6,
    ),
    "sheet": Format(
        files(DATA / "sheet.yaml", DATA / "coupling-dry.yaml", *sorted(_EXAMPLES.glob("*.yaml"))),
        _case,
        "sheet.yaml",
        _SMALL | files(DATA / "coupling.yaml"),
        share=18,
    ),
    "table": Format(
        {"table.csv": TABLE},
        _case,
        "table.csv",
        _SMALL,
        befallen_table,
        share=16,
    ),
    "sweep": Format(
        files(DATA / "sweep.csv", *sorted((_EXAMPLES / "session").glob("*.csv"))),
        _sweep,
        "sweep.csv",
        _SMALL,
        befallen_table,
        share=8,
    ),
    "netlist": Format(
        files(
            *sorted(NETLISTS.glob("*.cir")),
            NETLISTS / "drawn.net",
            *sorted((DATA / "outside").glob("*.cir")),
        ),
        _netlist,
        "",
        _PARTS,
        share=14,
    ),
    "library": Format(_LIBRARIES, _library, "", share=5),
    "devices": Format(_LIBRARIES, _devices_of_stage, "", share=2),
    "device file": Format(files(*sorted(DEVICES.glob("*.yaml"))), read_devices, share=3),
    "modes": Format(
        files(*sorted(p for p in MODES.glob("*.yaml"))),
        _modes,
        "",
        files(*sorted(MODES.glob("*.yaml"))),
        share=4,
    ),
    "drawing": Format(
        {
            f"{path.stem}.drawing.yaml": path.read_bytes()
            for path in sorted(DRAWINGS.glob("*.yaml"))
        },
        _drawing,
        share=3,
    ),
    "recording": Format(recordings(), _recording, befall=recorded, share=5),
}
"""Every format by its name."""


def nth(seed: int, number: int) -> tuple[str, Random]:
    """The format of an input by its number, and the chance that makes it."""
    chance = Random(f"{seed} {number}")
    kind = chance.choices([*FORMATS], [one.share for one in FORMATS.values()])[0]
    return kind, chance
