"""What was simulated, kept on disk by content: one file a stage and version, read once.

A file holds rows of values: one unit, several readings. Whatever happens to the file, a row is
either as it was written or not there, and costs its simulation (`faultlib.records`). A row is on
its way to the disk as soon as the unit is simulated, so a run that is killed loses no more than
what it was at.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import struct
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from circuits.leftovers import sweep_parts
from faultlib.records import Records

Floats = NDArray[np.float64]

_FORMAT = "amplifier-fault-diagnosis/units/2"
"""Goes into every checksum: rows of another form are no rows."""
_SUFFIX = ".units"
LIMIT = 512 << 20
"""Bytes that all files may take: then those that were used least recently go (judgement)."""
LARGEST = 32 << 20
"""Bytes of one file, which is begun anew after that, as a command reads all of it (judgement)."""
_MARK = 16
"""Bytes of the digest of a unit, and of that of a list of readings."""
_COUNTS = struct.Struct("<II")
"""Before a block of rows: how many there are, and of how many values."""
_NAMES, _ROWS = b"N", b"R"
_APART = "apart"
"""Beside reasons by place: the places of units that were simulated by themselves."""
_OPEN = 8
"""So many stages a store has in memory at once (judgement)."""


def default_folder() -> Path:
    """Where results are kept: ``$AMP_DIAGNOSE_CACHE``, else under the user's cache folder."""
    own = os.environ.get("AMP_DIAGNOSE_CACHE")
    if own:
        return Path(own)
    base = Path(os.environ.get("XDG_CACHE_HOME", ""))
    if not base.is_absolute():  # the base directory specification has such a value ignored
        try:
            base = Path.home() / ".cache"
        except RuntimeError:  # an account without a home, as in a container
            base = Path(tempfile.gettempdir())
    return base / "amplifier-fault-diagnosis"


def digest(text: str) -> str:
    """The key of some content."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def mark(text: str) -> bytes:
    """The short digest by which a unit or a list of readings is told from any other."""
    return hashlib.blake2b(text.encode("utf-8"), digest_size=_MARK).digest()


@dataclass(frozen=True)
class Known:
    """What is known of some units.

    Attributes
    ----------
    values : (n, m) array
        NaN where the simulator finds no solution, or where nothing is known.
    known : (n,) array of bool
        Whether all of a unit's readings are known, be it that they have no value.
    reasons : dict
        By the place of a unit: why it has no value of some readings, each reason once.
    apart : (n,) array of bool
        Whether a unit was simulated by itself, for any of the readings.
    """

    values: Floats
    known: NDArray[np.bool_]
    reasons: dict[int, tuple[str, ...]]
    apart: NDArray[np.bool_]


@dataclass
class _Table:
    """All rows with the same readings; `at` is where a unit's row stands, by its mark."""

    names: tuple[str, ...]
    at: dict[bytes, int] = field(default_factory=dict)
    reasons: dict[bytes, str] = field(default_factory=dict)
    apart: set[bytes] = field(default_factory=set)
    _blocks: list[Floats] = field(default_factory=list)
    _count: int = 0

    def add(
        self, units: Sequence[bytes], rows: Floats, reasons: Mapping[int, str],
        apart: Sequence[int],
    ) -> None:
        """Add rows (n, m) of units; a value that is known stays.

        Two that simulate the same unit at the same time may differ in the last digit.
        """
        again = [k for k, one in enumerate(units) if one in self.at]
        if again:
            before = self.rows()[[self.at[units[k]] for k in again]]
            rows = rows.copy()
            rows[again] = np.where(np.isnan(before), rows[again], before)
        self.at.update(zip(units, range(self._count, self._count + len(units)), strict=True))
        self.reasons.update((units[k], why) for k, why in reasons.items())
        self.apart.update(units[k] for k in apart)
        self._blocks.append(rows)
        self._count += len(units)

    def rows(self) -> Floats:
        """All of them, (count, m)."""
        if len(self._blocks) > 1:
            self._blocks = [np.concatenate(self._blocks)]
        return self._blocks[0] if self._blocks else np.empty((0, len(self.names)))


class Shelf:
    """The rows of one stage and version.

    Parameters
    ----------
    records : Records or None
        Where they come from and go to; None has what this process keeps alone.
    """

    def __init__(self, records: Records | None = None) -> None:
        self._records = records
        self._tables: dict[bytes, _Table] = {}
        self._written: set[bytes] = set()

    def known(self, units: Sequence[bytes], names: Sequence[str]) -> Known:
        """What is known of some units.

        Parameters
        ----------
        units : sequence of n bytes
            A mark each.
        names : sequence of m str
            Keys of readings.
        """
        self._read()
        values = np.full((len(units), len(names)), np.nan)
        told = np.zeros(values.shape, dtype=bool)
        reasons: dict[int, dict[str, None]] = {}
        together: dict[int, str] = {}
        apart = np.zeros(len(units), dtype=np.int8)
        for table in self._tables.values():
            place = {name: k for k, name in enumerate(table.names)}
            into = [j for j, name in enumerate(names) if name in place]
            at = np.array([table.at.get(u, -1) for u in units] if into else [], dtype=np.intp)
            here = np.flatnonzero(at >= 0)
            if not len(here):
                continue
            # what was asked with just these readings tells, and without it all that hold some
            sure = 2 * (set(table.names) == set(names))
            mine = [sure + (units[int(k)] in table.apart) for k in here]
            apart[here] = np.maximum(apart[here], mine)
            out = [place[names[j]] for j in into]
            rows = table.rows()[at[here]]
            for k in np.flatnonzero(np.isnan(rows).any(axis=1)):
                i, lost = int(here[k]), np.isnan(rows[k])
                why = table.reasons.get(units[i], "")
                if lost.all() and len(lost) > 1:
                    # which of them failed is not known: so all of them together
                    if set(table.names) == set(names):
                        together[i] = why
                    continue
                told[i, into] = True
                if lost[out].any():
                    reasons.setdefault(i, {})[why] = None
            found = rows[:, out]
            where = np.ix_(here, np.array(into))
            finite = np.isfinite(found)
            before = values[where]
            values[where] = np.where(np.isnan(before), found, before)
            told[where] |= finite
        whole: NDArray[np.bool_] = np.logical_and.reduce(told, axis=1)
        for i, why in together.items():
            if not whole[i]:
                values[i], whole[i], reasons[i] = np.nan, True, {why: None}
        return Known(values, whole, {
            i: tuple(said) for i, said in reasons.items() if np.isnan(values[i]).any()
        }, whole & (apart % 2 == 1))

    def keep(
        self,
        units: Sequence[bytes],
        names: Sequence[str],
        values: Floats,
        reasons: Mapping[int, str],
        apart: Sequence[int] = (),
    ) -> None:
        """Add units; a value is never replaced by none.

        A disk that takes nothing costs only the next run's time.

        Parameters
        ----------
        units : sequence of n bytes
            A mark each.
        names : sequence of m str
            Keys of readings.
        values : (n, m) array
            NaN where the simulator finds no solution.
        reasons : mapping of int to str
            Why, by the place of the unit.
        apart : sequence of int
            Places of units that were simulated by themselves.
        """
        if not units:
            return
        listed = mark("\n".join(names))
        if self._records is not None and not self._records.begun():
            self._written.clear()
        blocks = [_rows_body(listed, units, values, reasons, apart)]
        if listed not in self._written:
            blocks.insert(0, _NAMES + json.dumps(list(names)).encode("ascii"))
            self._written.add(listed)
        for body in blocks:
            self._take(body)
            if self._records is not None:
                self._records.append(body)

    def _read(self) -> None:
        if self._records is not None:
            for body in self._records.fresh():
                self._take(body)

    def _take(self, body: bytes) -> None:
        """Add what a record says to the tables."""
        if body[:1] == _NAMES:
            names = tuple(json.loads(body[1:]))
            self._tables.setdefault(mark("\n".join(names)), _Table(names))
            return
        listed, start = body[1 : 1 + _MARK], 1 + _MARK + _COUNTS.size
        table = self._tables.get(listed)
        if table is None:
            return  # the record that says which readings these are was lost
        count, width = _COUNTS.unpack_from(body, 1 + _MARK)
        middle, end = start + _MARK * count, start + (_MARK + 8 * width) * count
        rows = np.frombuffer(body[middle:end], dtype="<f8").reshape(count, width)
        said = json.loads(body[end:]) if len(body) > end else {}
        units = [body[k : k + _MARK] for k in range(start, middle, _MARK)]
        table.add(units, rows, {int(k): why for k, why in said.items() if k != _APART},
                  said.get(_APART, ()))


def _rows_body(
    listed: bytes, units: Sequence[bytes], values: Floats, reasons: Mapping[int, str],
    apart: Sequence[int],
) -> bytes:
    rows = np.ascontiguousarray(values, dtype="<f8")
    tail: dict[str, object] = {str(k): text for k, text in reasons.items()}
    if apart:
        tail[_APART] = list(apart)
    said = json.dumps(tail).encode() if tail else b""
    return b"".join([_ROWS, listed, _COUNTS.pack(*rows.shape), *units, rows.tobytes(), said])


class Store:
    """What was simulated, in a folder: a shelf for each stage and version, one file each.

    Parameters
    ----------
    folder : Path or None
        None keeps nothing.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._shelves: dict[str, Shelf] = {}
        self._tidied = False

    def shelf(self, key: str) -> Shelf:
        """What is known of a stage and version.

        Parameters
        ----------
        key : str
            Of `digest`.
        """
        if self._folder is None:
            return Shelf()
        shelf = self._shelves.pop(key, None)
        if shelf is None:
            shelf = Shelf(Records(self._path(key), mark(f"{_FORMAT} {key}")))
            self._begin(key)
        self._shelves[key] = shelf
        while len(self._shelves) > _OPEN:
            del self._shelves[next(iter(self._shelves))]
        return shelf

    def _path(self, key: str) -> Path:
        assert self._folder is not None
        return self._folder / f"{key[:40]}{_SUFFIX}"

    def _begin(self, key: str) -> None:
        """Say that a file is in use, and have all files within their limit, once a process."""
        assert self._folder is not None
        path = self._path(key)
        with suppress(OSError):
            if path.stat().st_size > LARGEST:
                path.unlink()
            else:
                os.utime(path)
        if not self._tidied:
            self._tidied = True
            tidy(self._folder, path)


def tidy(folder: Path, spared: Path) -> None:
    """Take away files over the limit, the least recently used first, and those of the old form.

    Another process may be at a file that goes: it goes on with what it has read, and what it adds
    is lost.

    Parameters
    ----------
    folder : Path
        Of a store.
    spared : Path
        A file that stays.
    """
    sweep_parts(folder)
    found: list[tuple[float, int, Path]] = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(_SUFFIX):
                with suppress(OSError):
                    about = entry.stat()
                    found.append((about.st_mtime, about.st_size, Path(entry.path)))
            elif re.fullmatch("[0-9a-f]{2}", entry.name):
                _clear_old(Path(entry.path))
    total = sum(size for _, size, _ in found)
    for _, size, path in sorted(found):
        if total <= LIMIT:
            break
        if path != spared:
            with suppress(OSError):
                path.unlink()
                total -= size


def _clear_old(folder: Path) -> None:
    """Take away what the store's first form kept: a file a fault, in folders of two digits."""
    with suppress(OSError):
        for path in folder.iterdir():
            if re.fullmatch(r"[0-9a-f]{62}\.json", path.name):
                with suppress(OSError):
                    path.unlink()
        folder.rmdir()  # where something else is in it, it stays


class Memory(Store):
    """A store that lasts as long as the process."""

    def __init__(self) -> None:
        super().__init__(None)

    def shelf(self, key: str) -> Shelf:
        """What is known of a stage and version."""
        return self._shelves.setdefault(key, Shelf())
