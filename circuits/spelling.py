"""Names as the simulator takes them: it knows no capitals and no punctuation."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=8192)
def node(name: str) -> str:
    """A node's or part's name as SPICE takes it (no case, no punctuation)."""
    return name.lower().replace("+", "_p").replace("-", "_m").replace(".", "_")
