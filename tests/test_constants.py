"""Every number that a module of the three packages names says what it is.

Source of the rule: the project's own guide for developers. A constant is told of in a text directly
after it or in a comment on or above it; constants that stand side by side may share the text after
the last of them if it names each.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted(
    path for package in ("circuits", "faultlib", "diagnose")
    for path in (ROOT / package).rglob("*.py")
)
_DIRECTIVE = re.compile(r"#\s*(fmt|type|noqa|pragma|ruff)\b")
_MADE = ("array", "log", "log10", "sqrt")
"""Calls that make a number of numbers; others, such as a compiled pattern, make something else."""


def numbers(value: ast.expr) -> bool:
    """Whether an expression holds a number that counts: no index and no limit of a condition."""
    if isinstance(value, (ast.Subscript, ast.Compare)):
        return False
    if isinstance(value, ast.Constant):
        return isinstance(value.value, (int, float)) and not isinstance(value.value, bool)
    if isinstance(value, ast.Call):
        named = value.func.attr if isinstance(value.func, ast.Attribute) else ""
        return named in _MADE and any(map(numbers, value.args))
    inside = [node.iter if isinstance(node, ast.comprehension) else node
              for node in ast.iter_child_nodes(value)]
    return any(numbers(child) for child in inside if isinstance(child, ast.expr))


def assigned(statement: ast.stmt) -> tuple[list[str], ast.expr] | None:
    """Names that a statement of a module gives to a value, and the value."""
    match statement:
        case ast.Assign(targets=[ast.Name(id=name)], value=value):
            return [name], value
        case ast.Assign(targets=[ast.Tuple(elts=names)], value=value):
            return [name.id for name in names if isinstance(name, ast.Name)], value
        case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
            return [name], value
    return None


def text(statement: ast.stmt) -> str:
    """What a text of a module says; nothing for another statement."""
    match statement:
        case ast.Expr(value=ast.Constant(value=str(said))):
            return said
    return ""


def commented(statement: ast.stmt, lines: list[str]) -> bool:
    """Whether a comment of words stands on a statement, or on the line above it."""
    own = lines[statement.lineno - 1 : statement.end_lineno]
    above = lines[statement.lineno - 2].strip() if statement.lineno > 1 else ""
    if above.startswith("#"):
        own = [above, *own]
    return any("#" in line and not _DIRECTIVE.search(line) for line in own)


def shared(following: list[ast.stmt]) -> str:
    """The text after a run of assignments."""
    for statement in following:
        if assigned(statement) is None:
            return text(statement)
    return ""


def untold(source: str) -> Iterator[str]:
    """Names of the numeric constants of a module that nothing is said of."""
    body, lines = ast.parse(source).body, source.splitlines()
    for k, statement in enumerate(body):
        made = assigned(statement)
        if made is None or not numbers(made[1]) or commented(statement, lines):
            continue
        if k + 1 < len(body) and text(body[k + 1]).strip():
            continue
        said = re.findall(r"\w+", shared(body[k + 1 :]))
        yield from (name for name in made[0] if name not in said)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_numeric_constant_says_what_it_is(path: Path) -> None:
    assert list(untold(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ("A = 1\n", ["A"]),
        ("A = 1\nB = 2\n'''Volts.'''\n", ["A"]),
        ("A = 1\nB = 2\n'''`A` and `B`, in volts.'''\n", []),
        ("A: int = 1\n'''Volts.'''\n", []),
        ("A = 1  # volts\n", []),
        ("# volts\nA = 1\n", []),
        ("A = 1  # pragma: no cover\n", ["A"]),
        ("A = ''\nB = {'x': (1.0, 2.0)}\n", ["B"]),
        ("A = -math.sqrt(2.0)\n", ["A"]),
        ("A = re.compile('x', 2)\nB = C[0]\nD = True\n", []),
        ("A, B = 1, 2\n", ["A", "B"]),
        ("A = 1\n\n\ndef f():\n    '''A.'''\n", ["A"]),
    ],
)
def test_what_is_not_told_is_found(source: str, names: list[str]) -> None:
    assert list(untold(source)) == names
