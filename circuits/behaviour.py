"""What a part does where a subcircuit tells it: elements between its pins, in names of their own.

Names are numbered when a subcircuit is read (``n1``, ``r2``), so that nothing a file says becomes a
name in the simulator. Texts refer to nodes as ``{n1}``, to elements as ``{~v1}`` and to models as
``{%m1}``; all of them are put under the part's own name when it is built.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from circuits.circuit import Element, Model
from circuits.spelling import node
from circuits.stage import GROUND, Behaviour, Part

__all__ = ["Behaviour", "built"]

_REFERENCE = re.compile(r"\{([~%]?)(\w+)\}")


@dataclass(frozen=True)
class _Names:
    """What the names of one behaviour become in one part."""

    part: str
    pins: dict[str, str]

    def node(self, name: str) -> str:
        if name == GROUND:
            return GROUND
        return self.pins.get(name) or f"{self.part}_{name}"

    def element(self, name: str) -> str:
        return f"{name[0].upper()}_{self.part}_{name}"

    def model(self, name: str) -> str:
        return f"M_{self.part}_{name}"

    def text(self, text: str) -> str:
        def put(match: re.Match[str]) -> str:
            sign, name = match[1], match[2]
            return {"~": self.element, "%": self.model}.get(sign, self.node)(name)

        return _REFERENCE.sub(put, text)


def built(part: Part, moved: dict[int, str] | None = None) -> tuple[list[Element], list[Model]]:
    """The elements and models of a part that has a behaviour.

    Parameters
    ----------
    moved : dict of int to str, optional
        Nodes that stand in place of pins, by the number of the pin.
    """
    inside = part.behaviour
    assert inside is not None
    ends = [(moved or {}).get(k, node(name)) for k, name in enumerate(part.nodes)]
    names = _Names(node(part.name), {f"p{k}": end for k, end in enumerate(ends)})
    elements = [
        replace(
            element,
            name=names.element(element.name),
            nodes=tuple(
                (names.element if element.name[0] == "k" else names.node)(n) for n in element.nodes
            ),
            text=names.text(element.text),
        )
        for element in inside.elements
    ]
    models = [replace(model, name=names.model(model.name)) for model in inside.models]
    return elements, models
