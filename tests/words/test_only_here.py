"""Prose stands in ``forecast/words`` alone: other rooms hand over figures and names of sentences.

Prose is a string of four or more lower-case words in a row, parted by single spaces; what an
f-string fills in ends a row of words. Not looked at: docstrings, help of commands, and the
sentences of errors and warnings, which stay where the value that they quote is at hand.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import forecast

PACKAGE = Path(forecast.__file__).parent
WORDS_IN_A_ROW = re.compile(r"(?<![\w-])[a-z][a-z'-]*(?: [a-z][a-z'-]*){3,}(?![\w-])")
HELP = {"help", "metavar"}
TABLES = {"COMMANDS"}  # what ``--help`` says of each command
ERRORS = {"errors.py", "ladder_file.py", "log/problems.py"}  # the sentences of errors
NOT_YET: set[str] = set()
"""Rooms whose sentences are still to be moved; it only ever gets shorter."""


def name_of(node: ast.expr) -> str:
    return ast.unparse(node).rpartition(".")[2]


def is_error(node: ast.AST) -> bool:
    """Raising, warning, or making an error."""
    if isinstance(node, ast.Raise):
        return True
    return isinstance(node, ast.Call) and name_of(node.func).endswith(("Error", "Warning", "warn"))


def stored(node: ast.AST) -> set[str]:
    """Names that a statement gives values to."""
    names = (one for one in ast.walk(node) if isinstance(one, ast.Name))
    return {one.id for one in names if isinstance(one.ctx, ast.Store)}


def texts_of_errors(function: ast.FunctionDef) -> tuple[set[str], list[ast.AST]]:
    """Names that the errors of a function use, and the errors with what those names stand for."""
    errors = [node for node in ast.walk(function) if is_error(node)]
    names = {n.id for error in errors for n in ast.walk(error) if isinstance(n, ast.Name)}
    values: list[ast.AST] = []
    for node in ast.walk(function):
        if isinstance(node, ast.Assign | ast.AugAssign) and stored(node) & names:
            values.append(node.value)
        elif isinstance(node, ast.For) and stored(node.target) & names:
            values.append(node.iter)
    return names, [*errors, *values]


def left_alone(tree: ast.AST) -> set[int]:
    """Ids of the nodes inside docstrings, help, and errors with the texts that they are made of."""
    roots: list[ast.AST] = []
    refusing: set[str] = set()  # functions that make an error of what they are given
    for node in ast.walk(tree):
        if (
            (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
            or (isinstance(node, ast.keyword) and node.arg in HELP)
            or (isinstance(node, ast.Assign) and name_of(node.targets[0]) in TABLES)
        ):
            roots.append(node.value)
        elif isinstance(node, ast.FunctionDef):
            names, texts = texts_of_errors(node)
            roots += texts
            if names & {one.arg for one in node.args.args}:
                refusing.add(node.name)
    calls = (node for node in ast.walk(tree) if isinstance(node, ast.Call))
    roots += [call for call in calls if name_of(call.func) in refusing]
    return {id(node) for root in roots for node in ast.walk(root)}


def prose(source: str) -> list[str]:
    """Every string of the source that is prose, with its line."""
    tree = ast.parse(source)
    skipped = left_alone(tree)
    lines = []
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(piece) for piece in node.values}
            pieces = [p.value if isinstance(p, ast.Constant) else "{}" for p in node.values]
            text = "".join(map(str, pieces))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if WORDS_IN_A_ROW.search(" ".join(text.split())):
            lines.append(f"{node.lineno}: {text}")
    return lines


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def rooms_with_prose() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(PACKAGE).as_posix()
        if room(path) != "words" and place not in ERRORS:
            lines = prose(path.read_text(encoding="utf-8"))
            found.setdefault(room(path), []).extend(f"{place}:{line}" for line in lines)
    return {name: lines for name, lines in found.items() if lines}


def test_prose_stands_in_the_room_of_words():
    found = rooms_with_prose()
    assert {name: lines for name, lines in found.items() if name not in NOT_YET} == {}


def test_rooms_that_were_cleared_are_off_the_list():
    assert NOT_YET - set(rooms_with_prose()) == set()


@pytest.mark.parametrize(
    ("source", "there"),
    [
        ("x = 'Half of them clear it'", True),
        ("x = f'{n} of the others took longer'", True),
        ("x = 'Half of ' 'them clear it by then'", True),
        ("x = f'half {a} of {b} them {c} clear'", False),
        ("x = 'weeks_low, weeks_mid'", False),
        ("def f():\n    'Say what it is for and why.'", False),
        ("def f():\n    raise ValueError('this is not a number')", False),
        ("def f(x):\n    raise ValueError(x)\nf('this is not a number')", False),
        ("def f():\n    text = 'this is not a number'\n    raise ValueError(text)", False),
        ("def f():\n    text = 'this is not a number'\n    return text", True),
        ("option(help='Only this one and no other.')", False),
    ],
)
def test_the_check_tells_prose_from_other_strings(source, there):
    assert bool(prose(source)) == there
