"""What was simulated, kept on disk by content.

One entry is one file: a line that names the format, the key and the checksum of the body, then
the body. An entry that is truncated, foreign, of another format or whose checksum is wrong does
not exist as far as anybody is concerned. Entries are written aside and renamed into place, so
two runs at once never see half of one. What a killed run left half written is swept when the next
one keeps something.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from circuits.leftovers import PART, sweep_parts

FORMAT = "amplifier-fault-diagnosis/signature/1"

Table = dict[str, dict[str, float | None]]
"""variant → reading → value; None where the simulator finds no solution."""


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


class Store:
    """Tables of simulated values, one file a key.

    Parameters
    ----------
    folder : Path or None
        None keeps nothing.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._swept = False

    def load(self, key: str) -> Table:
        """The table of a key; empty when there is none that can be trusted."""
        if self._folder is None:
            return {}
        try:
            raw = self._path(key).read_bytes()
        except OSError:
            return {}
        head, _, body = raw.partition(b"\n")
        expected = self._header(key, body)
        if head != expected:
            return {}
        return _table(body)

    def save(self, key: str, table: Mapping[str, Mapping[str, float | None]]) -> None:
        """Add values to the table of a key; a value is never replaced by none.

        What another run has written meanwhile is kept. A folder that cannot be written to costs
        only the next run's time.
        """
        if self._folder is None or not table:
            return
        if not self._swept:
            sweep_parts(self._folder)
            self._swept = True
        merged = self.load(key)
        _merge(merged, table)
        body = json.dumps(merged, separators=(",", ":")).encode("ascii")
        path = self._path(key)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=PART)
        except OSError:
            return
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(self._header(key, body) + b"\n" + body)
            Path(name).replace(path)
        except OSError:
            Path(name).unlink(missing_ok=True)

    def _path(self, key: str) -> Path:
        assert self._folder is not None
        return self._folder / key[:2] / f"{key[2:]}.json"

    @staticmethod
    def _header(key: str, body: bytes) -> bytes:
        check = hashlib.sha256(body).hexdigest()
        return f"{FORMAT} {key} {check}".encode("ascii")


def _merge(kept: Table, table: Mapping[str, Mapping[str, float | None]]) -> None:
    """Add values to a table in place."""
    for variant, values in table.items():
        row = kept.setdefault(variant, {})
        row.update({k: x for k, x in values.items() if x is not None or row.get(k) is None})


def _table(body: bytes) -> Table:
    """The table that a body holds; empty for anything else."""
    try:
        raw = json.loads(body)
        return {
            str(variant): {str(k): None if x is None else float(x) for k, x in values.items()}
            for variant, values in raw.items()
        }
    except (ValueError, TypeError, AttributeError):
        return {}


class Memory(Store):
    """A store that lasts as long as the process."""

    def __init__(self) -> None:
        super().__init__(None)
        self._tables: dict[str, Table] = {}

    def load(self, key: str) -> Table:
        """The table of a key; empty when there is none."""
        return self._tables.get(key, {})

    def save(self, key: str, table: Mapping[str, Mapping[str, float | None]]) -> None:
        """Add values to the table of a key; a value is never replaced by none."""
        _merge(self._tables.setdefault(key, {}), table)
