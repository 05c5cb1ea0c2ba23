"""Every quantity of the registry has what inference needs of it, and nothing is left of others.

The registry (`circuits.quantities`) is outside of the file that is held against it.
"""

from __future__ import annotations

import typing

import numpy as np
import pytest

from circuits.quantities import QUANTITIES, Kind
from circuits.reading import Reading
from diagnose.inference.model_error import BETWEEN, model_covariance, model_errors
from diagnose.inference.unmodelled import _kinds


def test_every_quantity_has_a_model_error_and_no_other_has() -> None:
    apart = {f"{q.name} {BETWEEN}" for q in QUANTITIES.values() if q.apart}
    assert set(model_errors()[1]) == set(QUANTITIES) | apart
    # a difference is read between two nodes
    assert all("from" in q.optional for q in QUANTITIES.values() if q.apart)


@pytest.mark.parametrize("name", QUANTITIES)
def test_its_model_error_is_more_than_nothing(name: str) -> None:
    """Else the simulator would be believed to the last digit, and one reading decide a case."""
    entry = model_errors()[1][name]
    assert entry.sigma > 0.0
    # correlation along frequency needs a frequency
    about = QUANTITIES[name]
    assert not entry.decades or "frequency" in (*about.required, *about.optional)
    ((variance,),) = model_covariance([Reading(name)], np.zeros(1))
    assert variance == pytest.approx(entry.sigma**2, rel=1e-12)


def test_an_unknown_fault_knows_every_kind() -> None:
    kinds = _kinds([Reading(name) for name in QUANTITIES])
    assert set(kinds.tolist()) == set(typing.get_args(Kind))
