"""The ngspice library itself: loaded once a process, spoken to by command, read by vector.

PySpice loads the library and keeps its callbacks; everything else goes straight through its
foreign-function handle, because `exec_command` takes any word on standard error for a failure and
`plot` copies every vector of a run (88 µs against 2 µs for the one that is wanted).
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import importlib
import os
import warnings
from collections.abc import Iterator, Sequence
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np

from circuits.bench.analysis import Complexes, Floats
from circuits.errors import EngineFault, EngineMissing
from circuits.leftovers import passing_folder

_CANDIDATES = ("libngspice.so.0", "libngspice.so", "libngspice.dylib", "libngspice.0.dylib")
_MISSING = (
    "the simulator library libngspice was not found; on Debian or Ubuntu install it with:"
    " apt-get install libngspice0 (elsewhere, name its file in NGSPICE_LIBRARY_PATH)"
)
_HISTORY = 5000
"""Commands after which ngspice is told to drop the ones that it remembers."""
_in_use = False


class Ngspice:
    """One library, one state. `Engine` makes the only instance of a process."""

    def __init__(self) -> None:
        path = find_library()
        with warnings.catch_warnings():
            # What PySpice's own files warn of on their first compilation is not ours to mend.
            warnings.simplefilter("ignore")
            shared = importlib.import_module("PySpice.Spice.NgSpice.Shared")
            types = importlib.import_module("PySpice.Spice.NgSpice.SimulationType")
        known = types.SIMULATION_TYPE
        for version in range(35, 100):
            known.setdefault(version, known["last"])
        self._ffi: Any = shared.ffi
        _mark_in_use()

        def record(message: Any, ident: int, handle: Any) -> int:
            words = self._ffi.string(message).decode("utf-8", "replace")
            owner = self._ffi.from_handle(handle)
            (owner._stderr if words.startswith("stderr ") else owner._stdout).append(words[7:])
            return 0

        # PySpice's own receiver logs every line, which costs a tenth of a run.
        shared.NgSpiceShared._send_char = staticmethod(record)
        shared.NgSpiceShared.LIBRARY_PATH = path
        with _clean_home():
            self._shared: Any = shared.NgSpiceShared()
        self._lib: Any = self._shared._ngspice_shared
        self._commands = 0
        self.poison = ""
        """Why the library can serve no more; empty while it can."""

    @property
    def types(self) -> Any:
        """PySpice's names for the vector types of this ngspice."""
        return self._shared.simulation_type

    def command(self, words: str) -> list[str]:
        """Carry out one ngspice command; give what it wrote to its standard error.

        That may be harmless or not. EngineFault if the command was ngspice's last.
        """
        self._guard()
        self._commands += 1
        if self._commands >= _HISTORY:
            self._commands = 0
            self._lib.ngSpice_Command(self._ffi.NULL)
        self._shared.clear_output()
        if self._lib.ngSpice_Command(words.encode("ascii")):
            self._poisoned(words)
        return list(self._shared._stderr)

    def load(self, lines: Sequence[str]) -> list[str]:
        """Hand over a netlist, title first and `.end` last; give what was said against it."""
        self._guard()
        self._shared.clear_output()
        # One block for all lines: an allocation for each costs a tenth of the load.
        text = self._ffi.new("char[]", "\0".join(lines).encode("ascii"))
        starts = accumulate((len(line) + 1 for line in lines[:-1]), initial=0)
        array = self._ffi.new("char *[]", [*(text + start for start in starts), self._ffi.NULL])
        if self._lib.ngSpice_Circ(array):
            self._poisoned("loading a netlist")
        return list(self._shared._stderr)

    def plot(self) -> str:
        """Name of the plot that the last analysis left; "const" when it left none."""
        return str(self._ffi.string(self._lib.ngSpice_CurPlot()).decode("ascii"))

    def vector(self, name: str) -> Floats | Complexes | None:
        """A copy of one vector by name ("out", "v1#branch", "op1.out"); None when there is none."""
        info = self._lib.ngGet_Vec_Info(name.encode("ascii"))
        if info == self._ffi.NULL or info.v_length == 0:
            return None
        if info.v_compdata == self._ffi.NULL:
            data = self._ffi.buffer(info.v_realdata, 8 * info.v_length)
            return np.frombuffer(data, dtype=np.float64).copy()
        data = self._ffi.buffer(info.v_compdata, 16 * info.v_length)
        return np.frombuffer(data, dtype=np.complex128).copy()

    def kind(self, name: str) -> str:
        """The type of a vector in PySpice's words: "voltage", "current", "time" …; "" for none."""
        info = self._lib.ngGet_Vec_Info(name.encode("ascii"))
        return "" if info == self._ffi.NULL else str(self.types[info.v_type]).rsplit(".")[-1]

    def _guard(self) -> None:
        if self.poison:
            raise EngineFault(self.poison)

    def _poisoned(self, cause: str) -> None:
        words = "; ".join(self._shared._stderr) or "no reason given"
        self.poison = f"ngspice has given up in this process, after: {cause} ({words})"
        raise EngineFault(self.poison)


def in_use() -> bool:
    """Whether this process has loaded the library, with its threads: forking is over then."""
    return _in_use


def _mark_in_use() -> None:
    global _in_use
    _in_use = True


def find_library() -> str:
    """File name of the ngspice library; EngineMissing when the system has none.

    Debian has `libngspice.so.0` alone, which PySpice's own guess misses.
    """
    given = os.environ.get("NGSPICE_LIBRARY_PATH")
    for name in (given,) if given else _CANDIDATES:
        with contextlib.suppress(OSError):
            ctypes.CDLL(name)
            return name
    library = None if given else ctypes.util.find_library("ngspice")
    if library is None:
        raise EngineMissing(_MISSING)
    return library


@contextlib.contextmanager
def _clean_home() -> Iterator[None]:
    """An empty home and working folder: ngspice reads `.spiceinit` from both as it starts."""
    here, home = Path.cwd(), os.environ.get("HOME")
    with passing_folder("home") as empty:
        os.chdir(empty)
        os.environ["HOME"] = str(empty)
        try:
            yield
        finally:
            os.chdir(here)
            if home is None:
                del os.environ["HOME"]
            else:
                os.environ["HOME"] = home
