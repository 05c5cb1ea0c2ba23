"""A recording with pilots: where its signal lies, and how the recorder's clock compares."""

from __future__ import annotations

from circuits.errors import InputError
from circuits.signals import pilot
from circuits.signals.pilot import Alignment, NoPilots
from circuits.signals.recording import Recording, cut

QUARTZ_PPM = 300.0
"""ppm; two quartz clocks are nearer to each other (common practice: 100 ppm each at the worst)."""
_ALIKE_PPM = 0.05
"""ppm below which two clocks are told to be alike."""
_SPARE = 2
"""Samples that are left out before the second pilot, for rounding."""


def aligned(recording: Recording) -> tuple[Alignment | None, str]:
    """The pilots of a recording, and a note about them where there is something to mind.

    Returns
    -------
    Alignment or None
        None where there are none, or where they cannot be used.
    note : str
        May be empty.
    """
    try:
        found = pilot.find(recording.samples, recording.rate)
    except NoPilots:
        return None, ""
    except InputError as error:
        return None, f"not aligned: {error.message}; the recording is read without its pilots"
    said = f"aligned by its pilots at {found.start:.6g} s; the recorder's clock runs "
    if abs(found.ppm) < _ALIKE_PPM:
        said += f"as the player's does, within {_ALIKE_PPM:g} ppm"
    else:
        word = "faster" if found.ppm > 0.0 else "slower"
        said += f"{abs(found.ppm):.3g} ppm {word} than the player's"
    if abs(found.ppm) > QUARTZ_PPM:
        said += (
            ". Quartz clocks are not so far apart: samples were lost on the way (record it "
            "again), or it went through a tape"
        )
    return found, said


def between_pilots(
    recording: Recording, found: Alignment, ahead: float = 0.0
) -> tuple[Recording, float]:
    """The recording from the start of the signal to the second pilot.

    Parameters
    ----------
    ahead : float
        s of the silence before the signal that are kept as well.

    Returns
    -------
    Recording
    begin : float
        s in it where the signal starts.
    """
    begin = found.at(pilot.SECONDS + pilot.GAP)
    first = max(round((begin - ahead) * recording.rate), 0)
    last = round(found.at(found.apart) * recording.rate) - _SPARE
    return cut(recording, first, last), begin - first / recording.rate
