"""Plain ngspice, without a line of this project: a netlist's text and commands in, its words out.

The library that the bench uses is loaded by a process of its own, which reads the netlist from a
file as the program ngspice would; where Debian's program is missing, the library is always there.
"""

from __future__ import annotations

import math
import re
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

_RUN = """
import ctypes, sys
lib = ctypes.CDLL(sys.argv[1])
CHAR = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p)
EXIT = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int, ctypes.c_bool, ctypes.c_bool, ctypes.c_int,
                        ctypes.c_void_p)
def say(text, ident, owner):
    print(text.decode('utf-8', 'replace'))
    return 0
keep = CHAR(say), EXIT(lambda *words: 0)
lib.ngSpice_Init(keep[0], None, keep[1], None, None, None, None)
for command in sys.argv[2:]:
    if lib.ngSpice_Command(command.encode()):
        raise SystemExit(f'ngspice does not do: {command}')
"""
_VALUE = re.compile(r"^stdout (\S+) = (\S+)$")


def said(netlist: str, commands: Sequence[str], folder: Path) -> list[str]:
    """Lines that ngspice writes after carrying out commands on a netlist."""
    from circuits.bench.ngspice import find_library

    path = folder / "unit.cir"
    path.write_text(netlist, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-c", _RUN, str(find_library()), f"source {path.name}",
         "set numdgt=10", *commands],
        cwd=folder, capture_output=True, text=True, timeout=60, check=True)
    assert not re.search(r"stderr (?:error|fatal)", run.stdout, re.IGNORECASE), run.stdout
    return run.stdout.splitlines()


def values(netlist: str, commands: Sequence[str], folder: Path) -> dict[str, float]:
    """Every number that the commands print, by its word; the last one of each."""
    return {match[1]: float(match[2]) for row in said(netlist, commands, folder)
            if (match := _VALUE.match(row))}


def decibels(netlist: str, node: str, frequencies: Sequence[float], folder: Path,
             ) -> Mapping[float, float]:
    """Voltage of a node in an a.c. analysis by frequency, dB over a volt."""
    commands = [word for f in frequencies
                for word in (f"ac lin 1 {f!r} {f!r}", f"print vdb({node})", f"echo at {f!r}")]
    found: dict[float, float] = {}
    last = math.nan
    for row in said(netlist, commands, folder):
        if match := _VALUE.match(row):
            last = float(match[2])
        elif row.startswith("stdout at "):
            found[float(row.rpartition(" ")[2])] = last
    assert len(found) == len(frequencies)
    return found
