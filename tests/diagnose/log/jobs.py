"""Invented jobs for the tests of the log."""

from __future__ import annotations

import uuid
from dataclasses import replace

from hypothesis import strategies as st

from diagnose.answer.kinds import KINDS
from diagnose.log.entry import (
    FAULT,
    GOOD,
    OTHER,
    PROOFS,
    Entry,
    Found,
    Seen,
    Suspected,
)


def job(number: int, **changed: object) -> Entry:
    """A job with a proved fault; the same number is the same job."""
    made = Entry(
        job=str(uuid.UUID(int=number)), closed=f"2026-03-{1 + number % 28:02d}T10:00:00Z",
        stage="coupling", wiring="w", finding=FAULT, proof="measured", case=f"job {number}",
        unit="mixer", serial=f"no. {number}", faults=(Found("C1", "electrolytic", "open"),),
        minutes=30.0 + number, parts=("C1 10 µF",),
        seen=(Seen("gain at 20 Hz", -2.1, 0.0, "dB", -20.0),),
        suspects=(Suspected("C1", "open", 0.8, 1), Suspected("R1", "open", 0.1, 2)),
    )
    return replace(made, **changed)  # type: ignore[arg-type]  # as a test names them


_TEXT = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=20)
_NAME = _TEXT.filter(bool)
_NUMBER = st.floats(-1e9, 1e9)

ENTRIES = st.builds(
    Entry,
    # few jobs, so that versions of one meet
    job=st.integers(0, 2).map(lambda n: str(uuid.UUID(int=n))),
    closed=st.datetimes().map(lambda d: f"{d:%Y-%m-%dT%H:%M:%SZ}").filter(
        lambda text: len(text) == 20),
    stage=_NAME, wiring=_TEXT, finding=st.sampled_from([GOOD, OTHER]),
    proof=st.sampled_from(PROOFS),
    case=_TEXT, unit=_TEXT, serial=_TEXT, age=st.floats(0.0, 120.0), faults=st.just(()),
    minutes=st.none() | st.floats(0.0, 1e5), followed=st.none() | st.booleans(), cause=_TEXT,
    parts=st.lists(_TEXT, max_size=3).map(tuple),
    seen=st.lists(st.builds(Seen, _NAME, _NUMBER, _NUMBER, _TEXT, _NUMBER), max_size=3).map(tuple),
    told=st.sampled_from(KINDS),
    suspects=st.lists(st.builds(Suspected, _NAME, _NAME, st.floats(0.0, 1.0),
                                st.integers(1, 9)), max_size=3).map(tuple),
    revision=st.integers(1, 5), struck=st.booleans(),
) | st.builds(
    lambda entry, faults: replace(entry, finding=FAULT, faults=faults),
    st.builds(job, st.integers(0, 5)),
    st.lists(st.builds(Found, _NAME, _NAME, _NAME), min_size=1, max_size=3).map(tuple),
)
"""Any entry that a log can hold."""
