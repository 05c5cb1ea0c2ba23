"""What was worked out of an object, kept for as long as it is likely to be asked for again.

The variants of a stage share most of their parts, as objects. To look such a part up by what it
holds would take as long as most of what is worked out of it; by identity it takes no time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Generic, TypeVar

_T = TypeVar("_T")

_MOST = 50_000
"""Objects that are remembered before all are forgotten: some tens of megabytes (judgement)."""


class ByIdentity(Generic[_T]):
    """Results of a function of one immutable object, and of words beside it.

    Parameters
    ----------
    work : callable
        Called as ``work(object, *words)``.
    most : int
        Results that are kept before all are forgotten.
    """

    def __init__(self, work: Callable[..., _T], most: int = _MOST) -> None:
        self._work = work
        self._most = most
        self._known: dict[tuple[Any, ...], tuple[Any, _T]] = {}

    def __call__(self, of: Any, *words: Any) -> _T:
        """What the function makes of an object, each time the same result."""
        key = (id(of), *words)
        found = self._known.get(key)
        if found is None:
            if len(self._known) >= self._most:
                self._known.clear()
            # the object is kept with it, so that no other one can come to have its identity
            found = self._known[key] = of, self._work(of, *words)
        return found[1]

    def clear(self) -> None:
        """Forget all."""
        self._known.clear()
