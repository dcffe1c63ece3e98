"""What is wrong is handed on as fields: nothing in the package reads a message that it wrote."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import forecast

MESSAGES = {"reason", "message"}
"""Attributes that hold a message; so does the text of an error that was caught."""
READERS = {
    "search", "match", "fullmatch", "findall", "finditer", "sub", "subn", "startswith", "endswith",
    "find", "index", "removeprefix", "removesuffix", "partition", "rpartition", "replace",
}  # fmt: skip


def names_in(node: ast.AST) -> set[str]:
    return {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}


def is_message(node: ast.AST, holding: set[str]) -> bool:
    """Whether a message stands in it: an error as text, its fields, or a name that holds one."""
    return bool(names_in(node) & holding) or any(
        (isinstance(one, ast.Attribute) and one.attr in MESSAGES)
        or (isinstance(one, ast.Call) and ast.unparse(one.func) in {"str", "repr"}
            and names_in(one) & {"error", "fault"})
        for one in ast.walk(node)
    )  # fmt: skip


def is_text(node: ast.AST) -> bool:
    constant = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return constant or isinstance(node, ast.JoinedStr)


def readings(source: str) -> list[str]:
    """Places where a message is searched, cut up or compared with a text."""
    found = []
    for function in ast.walk(ast.parse(source)):
        if not isinstance(function, ast.FunctionDef):
            continue
        holding: set[str] = set()
        for node in ast.walk(function):
            if isinstance(node, ast.Assign) and is_message(node.value, holding):
                holding |= {t.id for t in node.targets if isinstance(t, ast.Name)}
        for node in ast.walk(function):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                asked = [node.func.value, *node.args] if node.func.attr in READERS else []
            elif isinstance(node, ast.Compare):
                asked = [node.left, *node.comparators]
                asked = asked if any(map(is_text, asked)) else []
            else:
                continue
            if any(is_message(one, holding) for one in asked):
                found.append(f"{node.lineno}: {ast.unparse(node)}")
    return found


def test_no_message_is_read():
    package = Path(forecast.__file__).parent
    found = {
        path.relative_to(package).as_posix(): readings(path.read_text(encoding="utf-8"))
        for path in sorted(package.rglob("*.py"))
    }
    assert {path: lines for path, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    ("line", "reads"),
    [
        ("re.search('limit', str(error))", True),
        ("'limit' in str(error)", True),
        ("text = str(error)\n    return re.match(PATTERN, text)", True),
        ("PATTERN.fullmatch(problem.reason)", True),
        ("problem.reason.startswith('no ')", True),
        ("problem.kind == 'reading'", False),
        ("re.search('limit', cell)", False),
        ("'limit' in names", False),
    ],
)
def test_the_check_tells_reading_a_message_from_reading_a_field(line, reads):
    assert bool(readings(f"def f(error, problem, cell, names):\n    {line}\n")) == reads
