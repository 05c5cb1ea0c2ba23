"""A stage: what one block of an amplifier is made of, as frozen data in SI units.

`Stage`, `Part` and `Rail` hold no behaviour beyond looking things up; changing one means making
another with `dataclasses.replace` or `Stage.with_part`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from functools import cached_property

from circuits.adjust import Adjust as Adjust
from circuits.chain import PICKUP, Chain
from circuits.chain import Lines as Lines
from circuits.errors import InputError
from circuits.part import Behaviour as Behaviour
from circuits.part import Pairs as Pairs
from circuits.part import Part as Part
from circuits.prompt import counted, few_lines, some, view_text
from circuits.quantity import render
from circuits.rail import Feed as Feed
from circuits.rail import Rail as Rail
from circuits.rail import Supply as Supply
from circuits.rail import short_name as short_name

GROUND = "0"
"""The node that every voltage is measured against."""


@dataclass(frozen=True)
class Stage:
    """A stage as its file describes it; SI units throughout.

    Attributes
    ----------
    name, title, about, source : str
        What it is and where its topology is published.
    input, output : str
        Port nodes.
    input_return : str
        Node where the earth of generator and cable arrives; ground where nothing lies between.
    source_impedance, load : float
        Ohm; gain is referred to the e.m.f. behind `source_impedance`. A load of 0 means none.
    mains : float
        Hz.
    pickup : lines
        Stray mains e.m.f. in series with the input of a healthy unit, V RMS.
    stray : tuple of (node, lines)
        Stray mains current that flows into a node of a healthy unit, A RMS.
    signal : pairs
        The usual drive, such as ``(("input level", 0.005),)``.
    test_points : tuple of (node, description)
        Where a probe reaches.
    chain : Chain or None
        How a unit is made of stages; None for a single stage.
    members : tuple of Stage
        Of a unit, its stages by themselves in the order of `chain`: what they are drawn by. It
        changes nothing that is simulated.
    shared : tuple of str
        Rails and parts that two channels have in common; empty where nothing is stated.
    adjust : tuple of Adjust
        Trimmers that are set by a reading; the others stand as drawn.
    charged : tuple of str
        Nodes into which charging current of the rectifier flows; none in a healthy unit.
    load_return : str
        Node that the load's current comes back by; ground in a healthy unit.
    lamp : float
        W of a lamp in series with the mains; 0 for none.
    guessed : tuple of (name, words)
        What of the file was guessed and nobody has confirmed: words of a part, or of the stage
        under ``stage``. It changes nothing that is simulated.
    file : str
        Path of the file that it was read from, beside which a drawing may lie; empty for one
        that ships.
    """

    name: str
    parts: tuple[Part, ...]
    title: str = ""
    about: str = ""
    source: str = ""
    rails: tuple[Rail, ...] = ()
    input: str = "in"
    output: str = "out"
    input_return: str = GROUND
    source_impedance: float = 0.0
    load: float = 0.0
    mains: float = 50.0
    pickup: Lines = ()
    stray: tuple[tuple[str, Lines], ...] = ()
    signal: Pairs = ()
    test_points: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    chain: Chain | None = None
    shared: tuple[str, ...] = ()
    adjust: tuple[Adjust, ...] = ()
    charged: tuple[str, ...] = ()
    load_return: str = GROUND
    lamp: float = 0.0
    guessed: tuple[tuple[str, tuple[str, ...]], ...] = field(default=(), compare=False)
    members: tuple[Stage, ...] = field(default=(), compare=False)
    file: str = field(default="", compare=False)

    def __repr__(self) -> str:
        rails = [f"{rail.name} {render(rail.volts, 'V')}" for rail in self.rails]
        return few_lines(
            f"Stage {self.name}" + (f": {self.title}" if self.title else ""),
            f"{counted(len(self.parts), 'part')}; rails {some(rails) if rails else 'none'}",
            f"test points {some([p for p, _ in self.test_points])}" if self.test_points else "",
        )

    def _repr_svg_(self) -> str | None:
        return view_text(self, "svg")

    def key(self) -> str:
        """A text that two stages share if and only if they are equal."""
        return self._key

    @cached_property
    def _key(self) -> str:
        pairs = (f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.compare)
        return f"{type(self).__name__}({', '.join(pairs)})"

    @property
    def roles(self) -> dict[str, str]:
        """What each part does, by its name; parts of supplies by their full names."""
        return {part.name: part.role for part in (*self.parts, *self.supply_parts)}

    @cached_property
    def _by_name(self) -> dict[str, Part]:
        return {part.name: part for part in self.parts}

    @cached_property
    def _in_supplies(self) -> dict[str, Part]:
        return {n: part for rail in self.rails for n, part in rail.supply_parts().items()}

    @property
    def supply_parts(self) -> tuple[Part, ...]:
        """The parts of all supplies by their full names; one that rails share counts once."""
        return tuple(self._in_supplies.values())

    def part(self, name: str) -> Part:
        """The part of that name; ``vcc reservoir`` and its like are in the supply of a rail.

        Raises
        ------
        InputError
            When the stage has none, naming the nearest ones.
        """
        try:
            return self._by_name.get(name) or self._in_supplies[name]
        except KeyError:
            raise InputError(
                f"stage {self.name} has no part {name!r}",
                expected="one of its parts",
                choices=[*self._by_name, *self._in_supplies],
                given=name,
            ) from None

    def rail(self, name: str) -> Rail:
        """The rail of that name.

        Raises
        ------
        InputError
            When the stage has none.
        """
        for rail in self.rails:
            if rail.name == name:
                return rail
        raise InputError(
            f"stage {self.name} has no rail {name!r}",
            expected="one of its rails",
            choices=[rail.name for rail in self.rails],
            given=name,
        )

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every node but ground, in order of first appearance."""
        seen = dict.fromkeys(node for part in self.parts for node in part.nodes)
        seen.update(dict.fromkeys([rail.name for rail in self.rails]))
        seen.update(dict.fromkeys([self.input, self.output, self.input_return]))
        seen.pop(GROUND, None)
        return tuple(seen)

    def with_part(self, part: Part) -> Stage:
        """The same stage drawn with another part of that name, which may be in a supply."""
        if part.name in self._in_supplies:
            return replace(self, rails=tuple(r.drawn_with(part.name, part) for r in self.rails))
        return replace(self, parts=tuple(part if p.name == part.name else p for p in self.parts))

    def with_rail(self, rail: Rail) -> Stage:
        """The same stage with the rail of that name replaced."""
        return replace(self, rails=tuple(rail if r.name == rail.name else r for r in self.rails))

    def real(self, name: str) -> str:
        """The node that a name stands for: of a unit, some have two (``out``, ``tone.out``)."""
        aliases = () if self.chain is None else self.chain.aliases
        return dict(aliases).get(name, name)

    # -- stray mains ---------------------------------------------------------------------------

    @property
    def pickups(self) -> tuple[str, ...]:
        """Names under which stray mains counts as a part: one a stage, so ``tone.pickup``."""
        if self.chain is None:
            return (PICKUP,) if self.pickup_of(PICKUP) else ()
        names = (f"{member}.{PICKUP}" for member in self.chain.names)
        return tuple(name for name in names if self.pickup_of(name))

    def pickup_of(self, name: str) -> Lines:
        """All lines of stray mains that count under a name and are not nothing."""
        all_lines = [lines for mine, lines in self._strays() if mine == name]
        return tuple((f, level) for lines in all_lines for f, level in lines if level)

    def _strays(self) -> list[tuple[str, Lines]]:
        chain = self.chain
        if chain is None:
            return [(PICKUP, self.pickup), *((PICKUP, lines) for _, lines in self.stray)]
        return [
            (f"{chain.names[0]}.{PICKUP}", self.pickup),
            *((f"{chain.owner(at)}.{PICKUP}", lines) for at, lines in self.stray),
            *((f"{joint.member}.{PICKUP}", joint.pickup) for joint in chain.joints),
        ]

    def with_pickup(self, name: str, change: Callable[[Lines], Lines]) -> Stage:
        """The same stage with the stray mains changed that counts under a name.

        Parameters
        ----------
        name : str
            One of `pickups`; any other changes nothing.
        change : callable
            Lines to lines.
        """
        owners = iter(self._strays())

        def put(lines: Lines) -> Lines:
            return change(lines) if next(owners)[0] == name else lines

        pickup = put(self.pickup)
        stray = tuple((at, put(lines)) for at, lines in self.stray)
        chain = self.chain
        if chain is not None:
            joints = tuple(replace(joint, pickup=put(joint.pickup)) for joint in chain.joints)
            chain = replace(chain, joints=joints)
        return replace(self, pickup=pickup, stray=stray, chain=chain)

    def on_mains(self, mains: float) -> Stage:
        """The same stage on another mains frequency, Hz: every line of its ripple and stray moves.

        Lines of supplies are worked out from the mains, and follow by themselves.
        """
        if mains == self.mains:
            return self

        def moved(lines: Lines) -> Lines:
            return tuple((frequency * mains / self.mains, level) for frequency, level in lines)

        stage = self
        for name in dict.fromkeys(owner for owner, _ in self._strays()):
            stage = stage.with_pickup(name, moved)
        rails = tuple(replace(rail, ripple=moved(rail.ripple)) for rail in self.rails)
        return replace(stage, mains=mains, rails=rails)
