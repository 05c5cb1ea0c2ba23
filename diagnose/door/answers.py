"""Answers: causes ranked, readings to take next, studies, scores and recordings.

A case is a path, the text of a sheet, plain data with the keys of one, or a `Case`; a stage is the
name of one that ships, or any of these. Everything is simulated on all cores with the user's store
unless a bench is given.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from circuits.earths import all_roles
from circuits.errors import InputError, NoSolution
from diagnose.door.on_bench import on_bench
from diagnose.door.sheets import load_case, load_stage

if TYPE_CHECKING:
    from circuits.reading import Reading
    from circuits.signals.recording import Recording
    from circuits.stage import Stage
    from diagnose.advice.next_reading import NextReading
    from diagnose.answer.result import Result
    from diagnose.recording.measurement import Measurement
    from diagnose.sheet.case import Case
    from diagnose.sheet.given import Given
    from diagnose.studies.fault_coverage import Coverage
    from diagnose.studies.fault_study import Study
    from diagnose.studies.healthy_unit import HealthyUnit
    from diagnose.studies.reliability import Report
    from faultlib.signature import Stepwise
    from faultlib.simulate import Bench, Laboratory

    Asked = Sequence[Reading] | Case | Given | None


_MOST_BENCHES = 100_000
"""Units of one score; more would run for days."""
_MOST_FOREIGN = 1.0
"""Standard deviation of the logarithm of a value: with 1, one in three is off by a factor of e."""


def rank(
    case: Case | Given, bench: Bench | None = None, progress: Stepwise | None = None,
    with_log: bool = True,
) -> Result:
    """What may be wrong, the most probable first.

    Parameters
    ----------
    case : str, Path, mapping or Case
    bench : Bench, optional
        Where readings are simulated.
    progress : callable, optional
        Called with what is being simulated, how much is done, and of how much.
    with_log : bool
        With the user's log of closed jobs, where there is one.

    Raises
    ------
    InputError
        For a sheet that cannot be used, or holds no reading that can be simulated.
    NoSolution
        When the healthy stage itself cannot be simulated.

    Examples
    --------
    A coupling capacitor of 10 µF into 10 kohm that passes no bass any more:

    >>> import diagnose
    >>> coupling = {
    ...     "stage": "coupling", "ports": {"input": "in", "output": "out"},
    ...     "parts": {
    ...         "C1": {"kind": "electrolytic", "nodes": ["in", "out"], "value": "10u"},
    ...         "R1": {"kind": "metal-film", "nodes": ["out", "0"], "value": "10k"},
    ...     },
    ... }
    >>> answer = diagnose.rank(diagnose.case(diagnose.load_stage(coupling), [
    ...     {"quantity": "gain", "frequency": "20 Hz", "value": "-2.1 dB"},
    ...     {"quantity": "gain", "frequency": "1 kHz", "value": "0 dB"},
    ... ]))
    >>> answer.suspects[0].name
    'C1 capacitance loss'
    """
    from diagnose.log.folder import default_log

    path = default_log() if with_log else None
    if path is None or not path.exists():
        from diagnose.answer import ranking

        with on_bench(bench) as at:
            return ranking.rank(load_case(case), at, progress)
    from diagnose.log.beside import rank_with_log

    with on_bench(bench) as at:
        return rank_with_log(load_case(case), at, progress, path)


def next_readings(
    case: Case | Given,
    most: int | None = None,
    distortion: bool = False,
    bench: Bench | None = None,
    progress: Stepwise | None = None,
    with_log: bool = True,
) -> tuple[NextReading, ...]:
    """The readings to take next, the best for its effort first.

    Parameters
    ----------
    case : str, Path, mapping or Case
    most : int, optional
        A short list of so many, with no more than two of one quantity; by default all.
    distortion : bool
        Distortion at the usual drive as well, which takes long to simulate.
    bench, progress, with_log
        As `rank`.
    """
    from diagnose.advice import ranked_readings
    from diagnose.inference.infer import weighing
    from diagnose.log.folder import default_log

    if most is not None and most < 1:
        raise InputError(f"a list of {most} readings leaves nothing", expected="1 or more")
    with on_bench(bench) as at:
        asked = load_case(case)
        if with_log and default_log().exists():
            from diagnose.log.beside import learnt_case

            asked = learnt_case(asked, default_log())
        weighed = weighing(asked, at, progress)
        proposed = ranked_readings.next_readings(weighed, progress, distortion)
    return proposed if most is None else ranked_readings.short(proposed, most)


def study(
    stage: Stage | Given,
    fault: str | tuple[str, str],
    readings: Asked = None,
    bench: Bench | None = None,
    progress: Stepwise | None = None,
) -> Study:
    """How readings move along the sizes of one fault.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    fault : str or (part, mode)
        ``C4:capacitance loss``; hyphens may stand for blanks.
    readings : sequence of Reading, or a case, optional
        A case brings its values and what was measured; by default what a blank sheet asks for.
    bench, progress
        As `rank`.

    Examples
    --------
    >>> import diagnose
    >>> made = diagnose.study("filter-high", "C1:open", [diagnose.Reading("gain", frequency=1e3)])
    >>> made.part, made.mode, made.sized
    ('C1', 'open', False)
    """
    from diagnose.studies import fault_study

    with on_bench(bench) as at:
        drawn = load_stage(stage)
        part, mode = fault if isinstance(fault, tuple) else fault_of(drawn, fault)
        drawn, asked, measured, _ = _asked(drawn, readings, at)
        return fault_study.study(drawn, part, mode, asked, at, progress, measured)


def healthy(
    stage: Stage | Given,
    bench: Laboratory | None = None,
    progress: Stepwise | None = None,
) -> HealthyUnit:
    """The healthy unit of a stage at rest with its spread, and what in it does not work as drawn.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    bench : Laboratory, optional
        Where it is simulated; nothing of it is kept.
    progress : callable, optional
        As `rank`.

    Examples
    --------
    >>> import diagnose
    >>> made = diagnose.healthy("filter-high")
    >>> made.findings
    ()
    """
    from diagnose.studies import healthy_unit
    from faultlib.simulate import Laboratory

    drawn = load_stage(stage)
    if bench is not None:
        return healthy_unit.healthy_unit(drawn, bench, progress)
    with Laboratory() as laboratory:
        return healthy_unit.healthy_unit(drawn, laboratory, progress)


def coverage(
    stage: Stage | Given,
    readings: Asked = None,
    bench: Bench | None = None,
    progress: Stepwise | None = None,
) -> Coverage:
    """What a set of readings can find in a stage, and tell apart.

    Parameters
    ----------
    stage, readings, bench, progress
        As `study`.
    """
    from diagnose.studies import fault_coverage

    with on_bench(bench) as at:
        drawn, asked, _, known = _asked(load_stage(stage), readings, at)
        return fault_coverage.coverage(drawn, asked, at, progress, known)


def score(
    stage: Stage | Given,
    benches: int = 60,
    seed: int = 1,
    foreign: float | None = None,
    reference: bool = False,
    bench: Bench | None = None,
    progress: Stepwise | None = None,
) -> Report:
    """How right the answers are on random benches of a stage.

    Parameters
    ----------
    stage : str, Path, mapping or Stage
    benches : int
        Units that are drawn.
    seed : int
        Of the random numbers.
    foreign : float, optional
        Units of other makes, whose values differ from the stage file by that share.
    reference : bool
        With a good second channel beside, on a supply of its own.
    bench : Bench, optional
        By default one that remembers and keeps nothing: no random unit is met again.
    progress : callable, optional
        Called with what is being done, how much of it is done, and of how much.
    """
    import numpy as np

    from diagnose.sheet.proposal import propose
    from diagnose.studies import random_benches, reliability
    from faultlib.watched import watched

    if not 1 <= benches <= _MOST_BENCHES:
        raise InputError(f"{benches} units cannot be ranked", expected=f"1 to {_MOST_BENCHES}")
    if seed < 0:
        raise InputError(f"a seed of {seed} starts no random numbers", expected="0 or more")
    if foreign is not None and not 0.0 <= foreign <= _MOST_FOREIGN:
        raise InputError(f"{foreign:g} is no share by which values differ",
                         expected=f"0 to {_MOST_FOREIGN:g}, such as 0.05")
    drawn = load_stage(stage)
    with on_bench(bench, remembering=True) as given:
        at = watched(given)
        readings = [reading for reading, _ in propose(drawn, at)]
        units = random_benches.draw_benches(
            drawn, readings, benches, at, np.random.default_rng(seed), unknown=foreign
        )
        scores = random_benches.score(drawn, readings, units, at, progress, reference)
        late = at.late
    if not scores:
        raise NoSolution(
            f"none of {benches} units of stage {drawn.name} could be ranked"
            + (": time was over before the first was" if late else "")
        )
    return reliability.report(drawn.name, scores, all_roles(drawn))


def measure(
    recording: Path | str | Recording,
    full_scale: str | float | None = None,
    signal: str = "",
    channel: str = "",
    driven: str = "",
    mains: str | float = "50 Hz",
    input: str = "",
    output: str = "",
    at: str = "",
    shaped: bool = False,
) -> Measurement:
    """Level, distortion, noise, hum and curves of a recording; edges, phase and ripple of a trace.

    Parameters
    ----------
    recording : path or Recording
        A WAV or FLAC file; or a trace of an oscilloscope, or a generator's sweep, as a table
        (.csv, .txt, .tsv).
    full_scale : str or float, optional
        V RMS of a sine whose peaks just reach digital full scale; without it only ratios are told.
    signal : str
        What was fed in: sine, difference-tone, modulation, tones, square, sweep or silence; empty
        for what it looks like.
    channel : str
        ``left`` or ``right`` alone.
    driven : str
        ``left``, ``right`` or ``both``: the channels that a sine was fed to.
    mains : str or float
        Frequency, Hz where it is a number.
    input, output : str
        Of a trace, number from 1 or heading of the channels at the unit's input and output.
    at : str
        Of a trace, the node that its output's probe was on, for ripple there.
    shaped : bool
        Whether a sweep was played through the inverse of the RIAA curve; pilots say so themselves.
    """
    from circuits.quantity import parse
    from diagnose.recording import measuring
    from diagnose.recording.options import checked_options
    from diagnose.traces.trace_file import SUFFIXES

    if isinstance(recording, (str, Path)) and Path(recording).suffix.lower() in SUFFIXES:
        return _measure_trace(Path(recording), full_scale, signal, channel, driven,
                              (input, output, at), parse(mains, "Hz"))
    if input or output or at:
        raise InputError("a recording has no probes: input, output and at are of a trace",
                         expected="channel and driven")
    volts = None if full_scale is None or full_scale == "" else parse(full_scale, "V")
    options = checked_options(signal.replace("-", " "), volts, channel, driven, parse(mains, "Hz"),
                              shaped)
    if isinstance(recording, (str, Path)):
        return measuring.measure(recording, options)
    return measuring.measured(recording, options)


def _measure_trace(
    path: Path, full_scale: str | float | None, signal: str, channel: str, driven: str,
    probes: tuple[str, str, str], mains: float,
) -> Measurement:
    from diagnose.traces.measuring import measure_trace
    from diagnose.traces.options import trace_options

    if full_scale or channel or driven:
        raise InputError("a trace is in volts, and has no left and right",
                         expected="input and output: the number of a channel, or its heading")
    return measure_trace(path, trace_options(signal.replace("-", " "), *probes, mains))


def fault_of(stage: Stage, word: str) -> tuple[str, str]:
    """Part and mode of a fault; hyphens may stand for the blanks that a shell would split at.

    Raises
    ------
    InputError
        For a part that the stage has not, or a word that names no mode.
    """
    from faultlib.catalogue import hypotheses, kind_of

    part, colon, mode = word.partition(":")
    part, mode = part.strip(), mode.strip()
    kind_of(stage, part)
    names = [h.mode.name for h in hypotheses(stage) if h.part == part]
    if not colon or not mode:
        raise InputError(f"{word!r} names no way in which {part} fails", expected="PART:MODE",
                         choices=[f"{part}:{name}" for name in names], given=word)
    plain = {name.replace("-", " "): name for name in names}
    return part, plain.get(re.sub(r"[-_ ]+", " ", mode), mode)


def _asked(
    stage: Stage, readings: Asked, bench: Bench
) -> tuple[Stage, list[Reading], list[float | None], tuple[str, ...]]:
    """Stage, readings, what was measured and which values the sheet states."""
    from circuits.reading import Reading
    from diagnose.sheet.case import Case
    from diagnose.sheet.proposal import propose

    if readings is None:
        return stage, [reading for reading, _ in propose(stage, bench)], [], ()
    if not isinstance(readings, (str, Path, Mapping, Case)):
        given = list(readings)
        odd = next((r for r in given if not isinstance(r, Reading)), None)
        if odd is not None or not given:
            raise InputError(f"{odd!r:.60} is no reading" if given else "there are no readings",
                             expected="a case, or a list of Reading")
        return stage, given, [], ()
    sheet = load_case(readings)
    if sheet.stage.name != stage.name:
        raise InputError(f"{sheet.name} is a case of stage {sheet.stage.name}",
                         expected=f"a case of stage {stage.name}")
    if not sheet.readings:
        raise InputError(f"{sheet.name} has no readings yet", expected="a sheet with values")
    measured: list[float | None] = [m.value for m in sheet.readings]
    return sheet.stage, [m.reading for m in sheet.readings], measured, sheet.known
