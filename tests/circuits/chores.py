"""Work for workers of a cluster, in a module that they can import."""

from __future__ import annotations

import ctypes
import faulthandler
import os
import time
from pathlib import Path

from circuits.errors import EngineFault


def trouble(item: object) -> object:
    """One of each mishap by its name; numbers come back doubled."""
    match item:
        case "exit":
            os._exit(7)
        case "segfault":
            faulthandler.disable()
            ctypes.string_at(0)
        case "hang":
            while True:
                pass
        case "fault":
            raise EngineFault("it is poisoned")
        case "bug":
            raise KeyError("ours")
    assert isinstance(item, int)
    return 2 * item


def slow(item: int) -> tuple[int, int]:
    """Takes its time; the item, and the worker of the cluster that had it done."""
    time.sleep(0.03)
    return item, os.getpid()


def summed(shared: int, items: list[int]) -> list[int]:
    """Items that are taken together: how many, the first and what is shared."""
    return [len(items) * 1000 + items[0] + shared for _ in items]


def endless(folder: str, item: int) -> int:
    """Leaves a file with the name of its process, and goes on for ever."""
    Path(folder, f"{os.getpid()}").touch()
    while True:
        time.sleep(0.1)


def own() -> str:
    """What no two processes have in common."""
    return f"{os.getpid()}"
