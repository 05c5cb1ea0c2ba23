"""A drawing that a person arranged: a part is moved, or the stage changes, and all else stays.

Parts keep their places. Wires that are still right stay as they are; those of a part that moved,
of a node that changed, and those that a part now stands on are laid anew by the maze of the
drawings that stages make of themselves. A part that is new stands where it is nearest to its
neighbours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from circuits.drawing import Flag, Layout, Placement, Point
from circuits.drawing_nets import mismatches, pins
from circuits.errors import InputError
from circuits.stage import GROUND, Part, Stage
from circuits.topology import is_supply
from diagnose.show.stage.arranged_place import NoPlace, nearest_place, nearest_port
from diagnose.show.stage.arranged_wires import Net, laid
from diagnose.show.stage.auto_shape import (
    Shape,
    flag_boxes,
    ground_box,
    over,
    shape_of,
    words_of,
)
from diagnose.show.stage.auto_sheet import Sheet, line_box, usual
from diagnose.show.stage.pieces import Piece, Step, broken, pieces_left, trimmed
from diagnose.show.stage.symbols import Box

_THIN = 0.11
"""Grid steps that no more than a lead is wide."""
_SPARE = (0.5, 0.5, 1.0, 1.5, 2.5)
"""Grid steps that stay free around a part that is new: more after each try that failed."""
_FARTHEST = 400.0
"""Grid steps from the origin that nothing stands beyond, since a drawing file has no such place."""

Taken = tuple[str, Box]
"""What takes a place, in words, and the place."""


def arranged(
    stage: Stage, layout: Layout, moved: Mapping[str, Placement] | None = None,
    wished: Mapping[str, Placement] | None = None,
) -> Layout:
    """The drawing of a stage after some parts were moved, or after the stage has changed.

    Parameters
    ----------
    stage : Stage
    layout : Layout
        The drawing before, as `circuits.drawing.load_what_fits` has it: parts that are new need
        not be on it, and wires may join what they should not.
    moved : mapping of part to Placement
        Where parts are to stand now; a label side that has no room gives way to another.
    wished : mapping of part to Placement, optional
        Where parts that are new would stand best, such as where they stood before.

    Returns
    -------
    Layout
        One that connects what the stage connects.

    Raises
    ------
    InputError
        When a part would stand on something else, or its wires find no way.
    """
    moved, wished = dict(moved or {}), wished or {}
    for name, place in moved.items():
        if max(map(abs, place.at)) > _FARTHEST:
            raise InputError(f"{name} would stand too far away there", expected="a nearer place")
    known = {name: place for name, place in layout.parts if name not in moved}
    lacking = [p for p in stage.parts if p.name not in known and p.name not in moved]
    error: InputError | None = None
    for k in range(len(_SPARE) if lacking else 1):
        try:
            made = _drawn(stage, layout, known, moved, lacking, wished, _SPARE[k])
        except InputError as again:
            error = again
            continue
        wrong = mismatches(made, stage)
        if not wrong:
            return made
        error = InputError(f"the wires cannot be drawn so: {wrong[0]}", expected="another place")
    assert error is not None
    raise error


def _drawn(
    stage: Stage, layout: Layout, known: Mapping[str, Placement], moved: Mapping[str, Placement],
    lacking: Sequence[Part], wished: Mapping[str, Placement], spare: float,
) -> Layout:
    steady = [(stage.part(name), place) for name, place in known.items()]
    left = pieces_left(layout, [
        (node, at) for part, place in steady
        for node, at in zip(part.nodes, pins(part, place), strict=True)
    ])
    sheet = _Arrangement(stage, layout, left)
    for part, place in steady:
        sheet.put(part, place)
    for name, place in moved.items():
        sheet.put_where_wanted(stage.part(name), place)
    rest = [part for part in lacking
            if part.name not in wished or not sheet.put_if_free(part, wished[part.name])]
    for part in rest:
        sheet.put_nearest(part, spare)
    for node in dict.fromkeys((stage.input, stage.output, stage.input_return)):
        sheet.put_port(node)
    return sheet.drawn()


class _Arrangement:
    """A drawing in the making, of what stays and what is put beside."""

    def __init__(self, stage: Stage, layout: Layout, left: Sequence[Piece]) -> None:
        self.stage, self.before, self.left = stage, layout, left
        self.sheet = Sheet(stage)
        self.taken: list[Taken] = []
        self.words: list[Box] = []
        self.fresh: list[Box] = []
        self.pins: dict[str, set[Point]] = {}
        self.at: dict[Point, tuple[str, str]] = {}
        supplies = [one for one in left if one.marked]
        on = {(one.node, at) for one in supplies for at in one.ends}
        self.sheet.rails += [flag for flag in layout.rails if (flag.name, flag.at) in on]
        self.sheet.grounds += [at for at in layout.grounds if (GROUND, at) in on]
        for flag in self.sheet.rails:
            self._take(f"the mark {flag.name}", flag_boxes(stage, flag, "rail"))
        for at in self.sheet.grounds:
            self._take("a ground", [ground_box(at)])
        for one in supplies:
            if not one.steps:
                self.sheet.marks += one.ends

    def _take(self, what: str, boxes: Iterable[Box]) -> None:
        self.taken += [(what, box) for box in boxes]

    def _joined(self, part: Part, at: Sequence[Point]) -> list[int]:
        """Pins on ground or a rail at a wire that has a mark already."""
        return [k for k, node in enumerate(part.nodes) if is_supply(self.stage, node) and any(
            one.node == node and one.marked and one.touches(at[k]) for one in self.left)]

    def put(self, part: Part, place: Placement) -> Shape:
        """Put a part down where it was, with marks at pins that lack them."""
        at = pins(part, place)
        joined = self._joined(part, at)
        shape = shape_of(self.stage, part, place, joined=joined)
        self._add(part, shape)
        for k in joined:  # a piece of ground or of a rail may be laid anew
            self.pins.setdefault(part.nodes[k], set()).add(at[k])
        return shape

    def _add(self, part: Part, shape: Shape) -> None:
        self.sheet.add(part.name, shape, 0.0, 0.0)
        self._take(part.name, shape.solid)
        self.words += words_of(part, shape.placement)
        for node, at in shape.pins:
            self.pins.setdefault(node, set()).add(at)
        for node, at in zip(part.nodes, pins(part, shape.placement), strict=True):
            self.at[at] = part.name, node

    def put_where_wanted(self, part: Part, place: Placement) -> None:
        """Put a part down where a person wants it.

        Raises
        ------
        InputError
            When something else is there.
        """
        at = pins(part, place)
        joined = self._joined(part, at)
        sides = ("", "right", "left", "up", "down", *(("split",) if len(at) == 2 else ()))
        error = None
        ways = [shape_of(self.stage, part, usual(replace(place, label=side), len(at)),
                         joined=joined) for side in dict.fromkeys((place.label, *sides))]
        # words beside a part may meet its own ground or rail, which is bad, but not impossible
        for shape in sorted(ways, key=lambda one: _muddled(part, one)):
            under = self._under(part, shape)
            if not under:
                self.put(part, shape.placement)
                self.fresh += shape.solid
                return
            error = error or InputError(f"{part.name} has no room there: it would lie on {under}")
        assert error is not None
        raise error

    def put_if_free(self, part: Part, place: Placement) -> bool:
        """Put a part down at a place; whether it is free."""
        try:
            self.put_where_wanted(part, place)
        except InputError:
            return False
        return True

    def _under(self, part: Part, shape: Shape) -> str:
        """What a part would lie on; leads may meet at a pin of both."""
        for node, at in zip(part.nodes, pins(part, shape.placement), strict=True):
            name, other = self.at.get(at, ("", node))
            if other != node:
                return name
        for what, box in self.taken:
            for mine in shape.solid:
                if over(mine, box) and not (_thin(mine) and _thin(box)):
                    return what
        for flag in self.before.ports:
            if any(over(mine, box) for mine in shape.solid
                   for box in flag_boxes(self.stage, flag, "port")):
                return f"the mark {flag.name}"
        return ""

    def put_nearest(self, part: Part, spare: float) -> None:
        """Put a part that is new near to what it is joined to."""
        try:
            place = nearest_place(self.stage, part, self._solid(), self._reach(), spare)
        except NoPlace:
            raise InputError(f"there is no room for {part.name}", expected="more room") from None
        shape = self.put(part, usual(place, len(part.nodes)))
        self.fresh += shape.solid

    def put_port(self, node: str) -> None:
        """The mark of the input or output: where it was, or beside its pins."""
        pins_there = self.pins.get(node)
        if is_supply(self.stage, node) or not pins_there:
            return
        flags = [flag for flag in self.before.ports if flag.name == node]
        if not flags:
            try:
                flags = [nearest_port(self.stage, node, self._solid(), self._reach())]
            except NoPlace:
                raise InputError(f"there is no room for the mark {node}",
                                 expected="more room") from None
            self.fresh += flag_boxes(self.stage, flags[0], "port")
        for flag in flags:
            self.sheet.ports.append(flag)
            self._take(f"the mark {node}", flag_boxes(self.stage, flag, "port"))
            pins_there.add(flag.at)

    def _solid(self) -> list[Box]:
        wires = [line_box(*step) for one in self.left for step in one.steps]
        ports = [box for flag in self.before.ports for box in flag_boxes(self.stage, flag, "port")]
        return [*(box for _, box in self.taken), *wires, *ports]

    def _reach(self) -> dict[str, set[Point]]:
        """Where the pins of each node are."""
        ports = {flag.name: flag.at for flag in self.before.ports}
        return {node: at | ({ports[node]} if node in ports else set())
                for node, at in self.pins.items()}

    def drawn(self) -> Layout:
        """Lay the wires and mark the test points."""
        kept, lacking = self._nets()
        self.sheet.solid = [box for _, box in self.taken]
        words = set(self.words)
        bodies = [box for box in self.sheet.solid if box not in words]
        probes = [box for flag in self.before.test_points
                  for box in flag_boxes(self.stage, flag, "probe")]
        found = laid(kept, lacking, bodies, [*self.words, *probes], self.sheet.marks)
        if found is None:
            raise InputError("there is no way left for the wires", expected="more room")
        self.sheet.wires += (*found.still, *found.fresh)
        self.fresh += [line_box(a, b) for wire in found.fresh for a, b in pairwise(wire)]
        for node, points in found.points.items():
            self.sheet.on_net.setdefault(node, []).extend(points)
        for node, at in self.pins.items():
            self.sheet.on_net.setdefault(node, []).extend(sorted(at))
        self._probes()
        places = dict(self.sheet.parts)
        made = Layout(
            self.stage.name,
            tuple((p.name, places[p.name]) for p in self.stage.parts),
            tuple(self.sheet.wires), tuple(self.sheet.grounds),
            tuple(sorted(self.sheet.rails, key=lambda f: f.name)),
            tuple(self.sheet.ports), tuple(self.sheet.tests),
        )
        return trimmed(made, self.at)

    def _nets(self) -> tuple[list[Net], list[Net]]:
        """Nets whose wires stay, and those that have to be laid."""
        kept: list[Net] = []
        lacking: list[Net] = []
        for k, one in enumerate(left for left in self.left if left.marked):
            if one.steps:
                ends = one.ends | set(filter(one.touches, self.pins.get(one.node, ())))
                hit = self._hit(one)
                (lacking if hit else kept).append(Net(
                    f"{one.node} #{k}", one.node, frozenset(ends), broken(one, hit)))
        for node, at in self.pins.items():
            if is_supply(self.stage, node):
                continue
            left = [(one, self._hit(one)) for one in self.left if one.node == node]
            whole = [one for one, hit in left if not hit and all(map(one.touches, at))]
            if whole:  # a wire that led to a test point alone stays with it
                kept.append(Net(node, node, whole[0].ends | at, (whole[0].steps,)))
            else:
                lacking.append(Net(node, node, frozenset(at), tuple(
                    steps for one, hit in left for steps in broken(one, hit))))
        return kept, lacking

    def _hit(self, one: Piece) -> list[Step]:
        """The wires of a piece that a part lies on which was put down."""
        return [step for step in one.steps if any(over(line_box(*step), b) for b in self.fresh)]

    def _probes(self) -> None:
        """Test points stay where they are while they touch their node and nothing else."""
        lines = self.sheet.lines()
        known: list[Flag] = []
        for flag in self.before.test_points:
            *words, _ = flag_boxes(self.stage, flag, "probe")
            if flag.name in dict(self.stage.test_points) and self._on(flag) and not any(
                over(a, b) for a in words for b in self.fresh
            ):
                known.append(flag)
        self.sheet.tests += known
        for flag in known:
            self.sheet.solid += flag_boxes(self.stage, flag, "probe")
        done = {flag.name for flag in (*known, *self.sheet.ports)}
        for node, _ in self.stage.test_points:
            if node in done or is_supply(self.stage, node) or not self.pins.get(node):
                continue
            if not self.sheet.probe(node, lines):  # better on a line than nowhere
                self.sheet.tests.append(Flag(node, min(self.sheet.on_net[node]), "up"))

    def _on(self, flag: Flag) -> bool:
        return flag.at in self.sheet.on_net.get(flag.name, ())


def _muddled(part: Part, shape: Shape) -> bool:
    """Whether words of a part lie on its own marks."""
    words = words_of(part, shape.placement)
    others = [box for box in shape.solid[1:] if box not in words and not _thin(box)]
    return any(over(word, box) for word in words for box in others)


def _thin(box: Box) -> bool:
    return min(box[2] - box[0], box[3] - box[1]) < _THIN
