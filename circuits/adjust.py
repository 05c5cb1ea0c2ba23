"""Which reading a trimmer is set by, as whoever made or serviced the unit set it.

A bias trimmer stands wherever the quiescent current comes out right, whatever the gain and the
base-emitter voltages of the transistors around it; so does the trimmer of a regulated voltage.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Adjust:
    """A trimmer and the direct voltage that it is set by.

    Attributes
    ----------
    part : str
        The trimmer.
    at, origin : str
        Nodes: the voltage is that of the first over the second.
    within : float
        Setting error: standard deviation of the natural logarithm of the voltage as set.
    aim : float
        V, ``to`` in a stage file; 0 is what the stage reads with nothing moved and the trimmer as
        drawn.
    missed : float
        By how much this unit's setting missed the aim, as a factor.
    """

    part: str
    at: str
    origin: str = "0"
    within: float = 0.0
    aim: float = 0.0
    missed: float = 1.0
