"""Signals that change along a recording: a sweep, level steps, and bursts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from circuits.signals.pilot import Alignment
from circuits.signals.recording import Recording, about
from diagnose.recording import bursts, stepped, sweeps
from diagnose.recording.aligning import between_pilots
from diagnose.recording.measurement import Measurement
from diagnose.recording.options import Options
from diagnose.recording.recognise import SWEEP


def along(
    recording: Recording, chosen: Sequence[int], alignment: Alignment | None, options: Options,
    notes: Sequence[str],
) -> Measurement | None:
    """What a sweep, level steps or bursts show; None where the recording holds none of them.

    Parameters
    ----------
    chosen : sequence of int
        Channels that are read.
    notes : sequence of str
        What has been said of the recording.
    """
    heard = [k for k in chosen if recording.samples[k].any()]
    if not heard or options.signal not in ("", SWEEP):
        return None
    swept = _swept(recording, heard, alignment, options, notes)
    if swept is not None or options.signal:
        return swept
    steps = alignment and _stepped(recording, heard, alignment, options, notes)
    return steps or _burst(recording, heard, alignment, options, notes)


def _swept(
    recording: Recording, heard: Sequence[int], alignment: Alignment | None, options: Options,
    notes: Sequence[str],
) -> Measurement | None:
    begin, ratio, shaped = None, 1.0, options.shaped
    if alignment is not None:
        recording, begin = between_pilots(recording, alignment, sweeps.LEAD)
        ratio, shaped = alignment.ratio, alignment.shaped
    loudest = max(heard, key=lambda k: float(np.square(recording.samples[k]).sum()))
    found = sweeps.find(recording, loudest, begin, ratio, shaped)
    if found is None:
        return None
    items, curves, more = sweeps.figures(
        found, heard, _names(recording, heard), options.full_scale, options.mains, options.driven
    )
    return Measurement(
        about(found.recording), SWEEP, options.full_scale, tuple(items), (), (*notes, *more),
        curves=tuple(curves), alignment=alignment,
    )


def _stepped(
    recording: Recording, heard: Sequence[int], alignment: Alignment, options: Options,
    notes: Sequence[str],
) -> Measurement | None:
    recording, begin = between_pilots(recording, alignment)
    names = _names(recording, heard)
    items = []
    for k in heard:
        parts = stepped.levels(recording.samples[k], recording.rate, begin, alignment.ratio)
        if parts:
            items += stepped.figures(recording, k, names[k], options.full_scale, parts)
    if not items:
        return None
    more = "the load that it was taken into belongs beside a maximum output on the sheet"
    return Measurement(
        about(recording), stepped.KIND, options.full_scale, tuple(items), (), (*notes, more),
        alignment=alignment,
    )


def _burst(
    recording: Recording, heard: Sequence[int], alignment: Alignment | None, options: Options,
    notes: Sequence[str],
) -> Measurement | None:
    if alignment is not None:
        recording, _ = between_pilots(recording, alignment)
    names = _names(recording, heard)
    items = []
    for k in heard:
        found = bursts.find(recording.samples[k], recording.rate)
        if found is not None:
            items += bursts.figures(recording, k, names[k], options.full_scale, found)
    if not items:
        return None
    return Measurement(
        about(recording), bursts.KIND, options.full_scale, tuple(items), (), (*notes, bursts.NOTE),
        alignment=alignment,
    )


def _names(recording: Recording, heard: Sequence[int]) -> tuple[str, ...]:
    return recording.channels if len(heard) > 1 else ("",) * len(recording.samples)
