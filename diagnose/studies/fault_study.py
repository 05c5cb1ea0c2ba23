"""How the readings of a stage move along the sizes of one fault: the fault seen forwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from circuits.earths import all_roles
from circuits.errors import NoSolution
from circuits.prompt import few_lines, view
from circuits.quantity import render
from circuits.reading import Reading, from_compared, instrument, shown
from circuits.stage import Stage
from diagnose.schema.documents import FORMAT
from faultlib.catalogue import Hypothesis, kind_of, mode_for, size_value
from faultlib.signature import Stepwise, differences, signatures
from faultlib.simulate import Bench
from faultlib.watched import told

BAND = 2.0
"""Half width of the healthy band in standard deviations: 95 of 100 good units lie inside."""


@dataclass(frozen=True)
class Study:
    """One fault at all its sizes.

    Attributes
    ----------
    readings : tuple of m Reading
    quantity, unit : str
        What the size means; empty for a mode without a size.
    places : (k,) array
        Sizes as places between the mode's limits: 0 the slightest, 1 the worst.
    sizes : (k,) array
        The same as physical values, SI units; NaN for a mode without a size.
    values : (k, m) array
        Readings, compared scale.
    healthy : (m,) array
        Of a unit with nominal parts, compared scale.
    sigma : (m,) array
        Standard deviation between good units, compared scale.
    bench : (m,) array
        Standard uncertainty of a bench instrument, compared scale.
    measured : tuple of float or None
        What a sheet says, SI units, where one was given.
    problems : tuple of str
        Sizes that could not be simulated.
    """

    stage: str
    part: str
    mode: str
    role: str
    readings: tuple[Reading, ...]
    quantity: str
    unit: str
    places: NDArray[np.float64]
    sizes: NDArray[np.float64]
    values: NDArray[np.float64]
    healthy: NDArray[np.float64]
    sigma: NDArray[np.float64]
    bench: NDArray[np.float64]
    measured: tuple[float | None, ...] = ()
    problems: tuple[str, ...] = ()

    def __repr__(self) -> str:
        ends = ""
        if self.sized:
            first, last = (render(float(self.sizes[k]), self.unit) for k in (0, -1))
            ends = f"{self.quantity} {first} to {last} in {len(self.sizes)} sizes"
        moved = f"{int(self.leaves().sum())} of {len(self.readings)} readings leave what is healthy"
        return few_lines(
            f"Study {self.part} {self.mode}, stage {self.stage}",
            self.role,
            "; ".join(text for text in (ends, moved) if text),
        )

    def to_frame(self) -> Any:
        """The readings along the sizes as a pandas table: a row a size, a column a reading."""
        return view(self, "frame")

    @property
    def sized(self) -> bool:
        """Whether the mode has a size at all."""
        return bool(self.quantity)

    def apart(self) -> NDArray[np.float64]:
        """Values less healthy, compared scale, shape (k, m)."""
        return differences(self.values, self.healthy, self.readings)

    def leaves(self) -> NDArray[np.bool_]:
        """Which readings leave it at some size, shape (m,)."""
        return np.asarray(np.any(self.outside() != 0, axis=0))

    def outside(self) -> NDArray[np.int_]:
        """Where readings leave what good units and meters show: -1, 0 or 1, shape (k, m)."""
        apart = self.apart()
        limit = BAND * np.hypot(self.sigma, self.bench)
        return np.asarray((apart > limit).astype(int) - (apart < -limit).astype(int))

    def si(self, compared: NDArray[np.float64]) -> NDArray[np.float64]:
        """Compared values (..., m) as SI units or dB."""
        flat = np.atleast_2d(compared)
        columns = [[from_compared(r, float(x)) for r, x in zip(self.readings, row, strict=True)]
                for row in flat]
        return np.array(columns).reshape(compared.shape)

    def band(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper edge of the healthy band, SI units or dB, shape (m,) each."""
        half = BAND * self.sigma
        return self.si(self.healthy - half), self.si(self.healthy + half)

    def chosen(self, most: int) -> tuple[int, ...]:
        """Rows of at most so many sizes, evenly spread over the mode's limits."""
        if len(self.places) <= most:
            return tuple(range(len(self.places)))
        wanted = np.linspace(self.places[0], self.places[-1], most)
        return tuple(dict.fromkeys(int(np.argmin(np.abs(self.places - w))) for w in wanted))


def study(
    stage: Stage,
    part: str,
    mode: str,
    readings: Sequence[Reading],
    bench: Bench,
    progress: Stepwise | None = None,
    measured: Sequence[float | None] = (),
) -> Study:
    """Simulate one fault over all its sizes.

    Parameters
    ----------
    part, mode : str
        Of the fault library.
    readings : sequence of m Reading
    measured : sequence of float or None
        What was measured, one a reading, SI units; empty for nothing.

    Raises
    ------
    InputError
        For a part or mode that the stage or its part does not have, naming the nearest.
    NoSolution
        When the healthy unit, or the fault at every size, cannot be simulated.
    """
    hypothesis = Hypothesis(part, kind_of(stage, part), mode_for(stage, part, mode), 1.0)
    answer = signatures(stage, readings, [hypothesis], bench, progress)
    if not answer.faults:
        why = "; ".join(told(answer.problems))
        raise NoSolution(f"{part} {mode} of stage {stage.name} could not be simulated at any size"
                         + (f": {why}" if why else ""))
    signature = answer.faults[0]
    physical = [size_value(stage, hypothesis.fault(float(s))) for s in signature.sizes]
    named = physical[0]
    return Study(
        stage=stage.name,
        part=part,
        mode=mode,
        role=all_roles(stage).get(part, ""),
        readings=tuple(readings),
        quantity=named.quantity if named else "",
        unit=named.unit if named else "",
        places=hypothesis.mode.place(signature.sizes),
        sizes=np.array([p.value if p else np.nan for p in physical]),
        values=signature.values,
        healthy=answer.healthy,
        sigma=np.sqrt((answer.sensitivities**2).sum(axis=0)),
        bench=np.array([float(instrument(r, x)) for r, x in
                        zip(readings, answer.healthy, strict=True)]),
        measured=tuple(measured),
        problems=told(answer.problems),
    )


def study_json(made: Study) -> dict[str, Any]:
    """The document of ``diagnose study --json``.

    Values are in the unit shown, as in the document of ``rank``: percent for ``%``, SI units or
    dB otherwise. `low` and `high` bound the healthy band; `values` follow `size` one by one.
    """
    low, high = made.band()
    healthy, values = made.si(made.healthy), made.si(made.values)
    size = None
    if made.sized:
        size = {"quantity": made.quantity, "unit": made.unit, "values": made.sizes.tolist()}
    return {
        "format": FORMAT,
        "stage": made.stage,
        "part": made.part,
        "role": made.role,
        "mode": made.mode,
        "size": size,
        "readings": [
            {
                "reading": r.label(),
                "unit": r.unit,
                "healthy": shown(r, float(healthy[k])),
                "low": shown(r, float(low[k])),
                "high": shown(r, float(high[k])),
                "values": [shown(r, float(v)) for v in values[:, k]],
                **_measured(made, k),
            }
            for k, r in enumerate(made.readings)
        ],
        "problems": list(made.problems),
    }


def _measured(made: Study, k: int) -> dict[str, float]:
    value = made.measured[k] if made.measured else None
    return {} if value is None else {"measured": shown(made.readings[k], value)}
