"""The bench that a call of the front door simulates on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faultlib.simulate import Bench


@contextmanager
def on_bench(given: Bench | None, remembering: bool = False) -> Iterator[Bench]:
    """The bench that was given, or one on all cores that ends with the block."""
    if given is not None:
        yield given
        return
    from faultlib.simulate import Laboratory
    from faultlib.store import Memory, Store, default_folder

    with Laboratory(Memory() if remembering else Store(default_folder())) as laboratory:
        yield laboratory
