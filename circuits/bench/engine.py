"""One circuit and what is wanted of it go in; numbers that can be trusted come out.

This is the seam to the simulator (`circuits.bench.simulator`). A run that fails climbs a ladder of
gentler settings before it is given up as `NoSolution`. A circuit that converged to an absurd
current is an answer, not an error: a real unit would have blown its fuse.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import ClassVar, TypeVar

import numpy as np

from circuits.bench import metered, probed, sweep
from circuits.bench.analysis import (
    Analysis,
    Answer,
    Bias,
    Complexes,
    Floats,
    Inputs,
    Loaded,
    Metered,
    NoiseDensity,
    NoiseSpectrum,
    Ohmmeter,
    OperatingPoint,
    Periodic,
    Poles,
    Response,
    Results,
    Shares,
    Shown,
    SmallSignal,
    Through,
    Transient,
    Voltmeter,
    Waves,
)
from circuits.bench.ohms import across, through
from circuits.bench.simulator import Simulator
from circuits.circuit import Circuit, parse_options, plain
from circuits.errors import NoSolution
from circuits.moving import Drive, moved, tones
from circuits.netlist import with_ohmmeter
from circuits.ready import METER_OFF

_T = TypeVar("_T")

# An operating point fails almost always for a node that an open part has left floating.
_STEADY_LADDER: tuple[dict[str, str], ...] = (
    {},
    {"rshunt": "1e12"},
    {"rshunt": "1e12", "reltol": "1e-4", "itl1": "500"},
)


_Runs = Transient | Periodic | Poles
"""What is answered by a transient run."""


class Engine:
    """The simulator of this process; every call gives the same one.

    Use `run`. It may be called from several threads, which then take turns.
    """

    _only: ClassVar[Engine | None] = None

    simulator: Simulator
    _lock: threading.Lock

    def __new__(cls) -> Engine:
        """Give the engine of this process; EngineMissing without an ngspice library."""
        if cls._only is None:
            engine = super().__new__(cls)
            engine.simulator = Simulator()
            engine._lock = threading.Lock()
            cls._only = engine
        return cls._only

    def run(self, circuit: Circuit, analyses: Sequence[Analysis]) -> Results:
        """Simulate one circuit.

        Parameters
        ----------
        circuit : Circuit
            The netlist.
        analyses : sequence of Analysis
            What is wanted. Small-signal runs of one drive share a sweep, and an operating point
            costs nothing beside them, so ask for everything at once.

        Returns
        -------
        tuple of Answer
            One for each analysis, in the same order.

        Raises
        ------
        NoSolution
            ngspice finds no operating point, or does not finish.
        EngineFault
            The netlist or a request cannot be used, or ngspice must not be trusted any more.
        """
        answers: dict[int, Answer] = {}
        steady = {i: a for i, a in enumerate(analyses) if not isinstance(a, _Runs | Ohmmeter)}
        with self._lock:
            try:
                if steady:
                    answers.update(
                        _climb(_STEADY_LADDER, lambda extra: self._steady(circuit, extra, steady))
                    )
                for i, analysis in enumerate(analyses):
                    if isinstance(analysis, Transient):
                        answers[i] = self._waves(circuit, analysis)
                    elif isinstance(analysis, Ohmmeter):
                        answers[i] = self._through(circuit, analysis)
                    elif isinstance(analysis, Periodic | Poles):
                        answers[i] = self._waves(_moved(circuit, analysis), analysis.run)
            except BaseException:
                # Whatever happened, what is loaded now is unknown.
                self.simulator.forget()
                raise
        return tuple(answers[i] for i in range(len(analyses)))

    # -- steady state ----------------------------------------------------------------------------

    def _steady(
        self, circuit: Circuit, extra: Mapping[str, str], wanted: Mapping[int, Analysis]
    ) -> dict[int, Answer]:
        self.simulator.settle(circuit, extra)
        try:
            answers = self._steady_answers(wanted)
        except NoSolution:
            self.simulator.forget()
            raise
        if extra:
            self.simulator.forget()
        return answers

    def _steady_answers(self, wanted: Mapping[int, Analysis]) -> dict[int, Answer]:
        answers: dict[int, Answer] = {}
        biases = {i: a for i, a in wanted.items() if isinstance(a, OperatingPoint)}
        biases |= {-1 - i: OperatingPoint(metered.nodes_of(a.meters))
                   for i, a in wanted.items() if isinstance(a, Metered)}
        drives: dict[tuple[str, tuple[Loaded, ...]], dict[int, SmallSignal]] = {}
        for i, analysis in wanted.items():
            if isinstance(analysis, SmallSignal):
                drives.setdefault((analysis.drive.lower(), analysis.probes), {})[i] = analysis
            elif isinstance(analysis, Inputs):
                bare = _bare(analysis)
                drives.setdefault((bare.drive.lower(), ()), {})[-1 - i] = bare
        for (drive, probes), members in drives.items():
            with self._probed(probes):
                answers.update(self._responses(drive, members, biases))
            # The first sweep has brought the operating point as well.
            biases = {i: a for i, a in biases.items() if i not in answers}
        if biases:
            self.simulator.analyse("op", "op")
            answers.update(self._biases("op1.", biases))
            self.simulator.command("destroy all")
        for i, analysis in wanted.items():
            if isinstance(analysis, NoiseSpectrum):
                with self._probed(analysis.probes):
                    answers[i] = self._noise(analysis)
            elif isinstance(analysis, Metered):
                ideal = answers.pop(-1 - i)
                assert isinstance(ideal, Bias)
                answers[i] = self._metered(analysis, ideal.nodes)
            elif isinstance(analysis, Inputs):
                alone = answers.pop(-1 - i)
                assert isinstance(alone, Response)
                answers[i] = self._inputs(analysis, alone.nodes)
        return answers

    def _inputs(self, wanted: Inputs, alone: Complexes) -> Shares:
        bare = _bare(wanted)

        def solve(on: Sequence[Loaded]) -> Complexes:
            with self._probed(on):
                result = self._responses(bare.drive.lower(), {0: bare}, {})[0]
            assert isinstance(result, Response)
            return result.nodes

        return probed.shared(wanted, alone, solve)

    def _metered(self, wanted: Metered, ideal: Floats) -> Shown:
        """What voltmeters show; all are on at once by their models, one as so many in parallel."""
        models = {meter.model.lower(): meter.ohms for meter in wanted.meters}
        self.simulator.names.require_resistors(meter.resistor for meter in wanted.meters)

        def switch(on: Sequence[Voltmeter], off: bool) -> None:
            if len(on) == 1:
                many = plain(1.0 if off else METER_OFF / on[0].ohms)
                self.simulator.command(f"alter {on[0].resistor.lower()} m = {many}")
                return
            for model, ohms in models.items():
                self.simulator.command(f"altermod {model} r = {plain(METER_OFF if off else ohms)}")

        def solve(nodes: Sequence[str], on: Sequence[Voltmeter]) -> Floats:
            switch(on, off=False)
            self.simulator.analyse("op", "op")
            vectors = self.simulator.names.vectors(nodes, ())
            volts: Floats = self.simulator.table("op1.", vectors, 1)[0].real
            self.simulator.command("destroy all")
            switch(on, off=True)
            return volts

        return metered.shown(wanted, ideal, solve)

    def _through(self, circuit: Circuit, wanted: Ohmmeter) -> Through:
        """What an ohmmeter meets: each pair in a circuit of its own, and none spoils the others."""
        def met(pair: tuple[str, str]) -> tuple[float, float]:
            net, asked = with_ohmmeter(circuit, pair, wanted.volts, wanted.ohms), across(pair)
            try:
                found = _climb(_STEADY_LADDER, lambda extra: self._steady(net, extra, {0: asked}))
            except NoSolution:
                return math.nan, math.nan
            (bias,) = found.values()
            assert isinstance(bias, Bias)
            return through(pair, bias)

        return Through(*np.array([met(pair) for pair in wanted.pairs]).T)

    def _biases(self, plot: str, wanted: Mapping[int, OperatingPoint]) -> dict[int, Answer]:
        answers: dict[int, Answer] = {}
        table, names = self.simulator.table, self.simulator.names
        for i, a in wanted.items():
            values = table(plot, names.vectors(a.nodes, a.branches), 1)[0].real
            # of the plot that was made last: a device is not asked by plot
            own = table("", names.terminals(a.terminals), 1)[0].real
            answers[i] = Bias(values[: len(a.nodes)], values[len(a.nodes) :], own)
        return answers

    def _responses(
        self, drive: str, members: Mapping[int, SmallSignal], biases: Mapping[int, OperatingPoint]
    ) -> dict[int, Answer]:
        frequencies, rows = sweep.merge(tuple(tuple(a.frequencies) for a in members.values()))
        columns: dict[str, int] = {}
        places = {}
        for i, a in members.items():
            vectors = self.simulator.names.vectors(a.nodes, a.branches)
            indexes = [columns.setdefault(v, len(columns)) for v in vectors]
            places[i] = indexes[: len(a.nodes)], indexes[len(a.nodes) :]
        self.simulator.wake(drive)
        answers: dict[int, Answer] = {}

        def read(run: sweep.Run) -> Complexes:
            self.simulator.analyse("ac " + run.command, "ac")
            self.simulator.check_sweep("frequency", run)
            table = self.simulator.table("", list(columns), len(run.frequencies))
            if not answers and biases:
                answers.update(self._biases("op1.", biases))
            self.simulator.command("destroy all")
            return table

        runs = sweep.lone_runs(frequencies)
        if runs:
            table = np.concatenate([read(run) for run in runs])
        else:
            plan = sweep.plan(frequencies)
            table, trusted = sweep.interpolate(plan, read(plan.run))
            for k in np.flatnonzero(~trusted):
                table[k] = read(sweep.lone_run(frequencies[k]))[0]
        for (i, a), part in zip(members.items(), (table[row] for row in rows), strict=True):
            nodes, flows = places[i]
            answers[i] = Response(np.array(a.frequencies, float), part[:, nodes], part[:, flows])
        return answers

    def _noise(self, wanted: NoiseSpectrum) -> NoiseDensity:
        (output,) = self.simulator.names.vectors((wanted.output,), ())
        asked = np.array(wanted.frequencies, dtype=float)
        resistors = self.simulator.names.require_resistors(wanted.resistors)
        if output == "0":
            return NoiseDensity(
                asked, np.zeros_like(asked), np.zeros((len(asked), len(resistors)))
            )
        frequencies, (row,) = sweep.merge((tuple(wanted.frequencies),))
        source = wanted.source.lower()
        self.simulator.wake(source)

        # with a last number ngspice keeps what every source of noise contributes, else the sum
        last = " 1" if resistors else ""
        names = ["spectrum", *(f"{name}_thermal" for name in resistors)]

        def read(run: sweep.Run) -> Floats:
            self.simulator.analyse(f"noise v({output}) {source} {run.command}{last}", "noise")
            self.simulator.check_sweep("noise1.frequency", run)
            # One point leaves one plot, more leave the spectrum and, newer, its integral.
            table = self.simulator.table("noise1.onoise_", names, len(run.frequencies)).real
            self.simulator.command("destroy all")
            return table

        runs = sweep.lone_runs(frequencies)
        if not runs and resistors and not wanted.smooth:
            runs = tuple(sweep.lone_run(frequency) for frequency in frequencies)
        if runs:
            table = np.concatenate([read(run) for run in runs])
            return NoiseDensity(asked, table[row, 0], table[row, 1:])
        plan = sweep.plan(frequencies)
        vectors = read(plan.run)
        columns = [sweep.smooth(plan, column)[row] for column in vectors.T]
        return NoiseDensity(asked, columns[0], np.column_stack(columns)[:, 1:])

    @contextmanager
    def _probed(self, probes: Sequence[Loaded]) -> Iterator[None]:
        """With these a.c. inputs on. After a failure the circuit is loaded anew anyhow."""
        for probe in probes:
            for name in (probe.coupling, probe.capacitor):
                self.simulator.names.require_capacitor(name.lower())
        on, off = probed.switches(probes)
        for command in on:
            self.simulator.command(command)
        yield
        for command in off:
            self.simulator.command(command)

    # -- transient -------------------------------------------------------------------------------

    def _waves(self, circuit: Circuit, wanted: Transient) -> Waves:
        recipe = parse_options(circuit.options) | parse_options(wanted.options)
        other = "trap" if recipe.get("method") == "gear" else "gear"
        gentle = {"reltol": "1e-4", "itl4": "100"}
        ladder: tuple[dict[str, str], ...] = (
            {},
            {"method": other},
            gentle,
            gentle | {"rshunt": "1e12"},
        )
        return _climb(ladder, lambda extra: self._wave(circuit, wanted, recipe | extra))

    def _wave(self, circuit: Circuit, wanted: Transient, options: Mapping[str, str]) -> Waves:
        # Always from a fresh load and never followed by anything but one: with coupled inductors,
        # a small-signal run after a transient of the same load is wrong.
        self.simulator.load(circuit, options)
        vectors = self.simulator.names.vectors(wanted.nodes, wanted.branches)
        kept = [v for v in vectors if v != "0"]
        saved = [f"i({v.removesuffix('#branch')})" if "#" in v else f"v({v})" for v in kept]
        if saved:
            self.simulator.command("save " + " ".join(saved))
        step, stop, start = plain(wanted.step), plain(wanted.stop), plain(wanted.start)
        try:
            self.simulator.analyse(f"tran {step} {stop} {start} {step}", "tran")
            time = self.simulator.vector("time")
            if time is None or time.real[-1] < wanted.stop * (1.0 - 1e-9):
                raise NoSolution("the transient run stopped before its end")
            table = self.simulator.table("", vectors, len(time)).real
        finally:
            self.simulator.forget()
            self.simulator.clear()
        split = len(wanted.nodes)
        return Waves(np.asarray(time.real), table[:, :split], table[:, split:])

def _bare(wanted: Inputs) -> SmallSignal:
    """The sweep with no input on."""
    nodes = tuple(one.at for one in wanted.inputs)
    return SmallSignal(wanted.drive, wanted.frequencies, nodes)


def _moved(circuit: Circuit, wanted: Periodic | Poles) -> Circuit:
    """The circuit with its source in motion."""
    if isinstance(wanted, Poles):
        return moved(circuit, wanted.source, Drive(repr(wanted.step)))
    return moved(circuit, wanted.source, tones(wanted.crests, wanted.frequencies, wanted.start))


def _climb(ladder: Iterable[dict[str, str]], attempt: Callable[[dict[str, str]], _T]) -> _T:
    """The first rung that gives a solution."""
    reasons: list[str] = []
    for extra in ladder:
        try:
            return attempt(extra)
        except NoSolution as error:
            reasons.append(str(error))
    raise NoSolution(f"no solution after {len(reasons)} ways of solving; the first: {reasons[0]}")
