"""Mutation testing: ``python tests/bench/mutation.py --room histories --mutants 40 --seed 1``.

Draws places in a room's source (comparisons, arithmetic, and/or, numbers, ``not``, conditions),
changes one at a time, and runs the room's tests on the changed module until one fails, those named
after the module first. Nothing is written to disk: each mutant is a fork that compiles the changed
source in place of the module's own. Loops that numba compiles are left out: the cache would answer
for the original. Prints the survivors and the score.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = {
    "histories": ["tests/histories", "--ignore=tests/histories/test_pain.py"],
    "survival": ["tests/survival", "tests/external/test_survival_curves.py"],
    "readiness": ["tests/readiness/test_combine.py", "tests/readiness/test_storage.py",
                  "tests/readiness/test_thin.py", "tests/readiness/test_view.py"],
    "plateau": ["tests/plateau"],
    "growth": ["tests/growth", "tests/external/test_dynamics.py"],
}  # fmt: skip
"""A room's own tests, and those outside it that are about its functions."""
LIBRARIES = [
    *("altair", "numba", "openpyxl", "pandas", "pyarrow.parquet", "pydantic", "pytest"),
    *("scipy.stats", "sqlalchemy", "sqlglot", "sklearn.preprocessing", "statsmodels.api", "typer"),
]
"""Loaded once for all forks; nothing of the package itself."""
SWAPS: dict[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Add, ast.And: ast.Or, ast.Or: ast.And,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, str]]:
    """Yield what can be changed: a node and the field that is, outside annotations and text."""
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            compiled = any("jit" in ast.dump(one) for one in node.decorator_list)
            notes = [
                node.returns,
                *(a.annotation for a in ast.walk(node.args) if isinstance(a, ast.arg)),
            ]
            parts = [node] if compiled else [*notes, *node.decorator_list]
            skipped |= {id(inner) for part in parts if part for inner in ast.walk(part)}
        if isinstance(node, ast.AnnAssign):
            skipped |= {id(inner) for inner in ast.walk(node.annotation)}
        if isinstance(node, ast.Raise | ast.JoinedStr | ast.ImportFrom | ast.Import):
            skipped |= {id(inner) for inner in ast.walk(node)}  # what a message says
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
            yield node, "ops"
        elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign) and type(node.op) in SWAPS:
            yield node, "op"
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
            yield node, "value"
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            yield node, "operand"
        elif isinstance(node, ast.If | ast.IfExp):
            yield node, "test"


def mutated(path: Path, number: int) -> tuple[ast.Module, str]:
    """Return a module with its place of that number changed, and what was done."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    node, field = list(places(tree))[number]
    before = ast.unparse(node) if isinstance(node, ast.expr) else ast.unparse(node).split("\n")[0]
    if field == "ops":
        node.ops[0] = SWAPS[type(node.ops[0])]()  # type: ignore[attr-defined]
    elif field == "op":
        node.op = SWAPS[type(node.op)]()  # type: ignore[attr-defined]
    elif field == "value":
        node.value = not node.value if isinstance(node.value, bool) else node.value + 1  # type: ignore[attr-defined]
    elif field == "operand":
        node.op = ast.UAdd() if isinstance(node.op, ast.USub) else node.op  # type: ignore[attr-defined]
        if not isinstance(node.op, ast.UAdd):  # type: ignore[attr-defined]
            node.operand = ast.UnaryOp(copy.deepcopy(node.op), node.operand)  # type: ignore[attr-defined]
    else:
        node.test = ast.UnaryOp(ast.Not(), node.test)  # type: ignore[attr-defined]
    after = ast.unparse(node).split("\n")[0]
    ast.fix_missing_locations(tree)
    return tree, f"{path.relative_to(ROOT)}:{node.lineno}: {before}  ->  {after}"  # type: ignore[attr-defined]


def nearest_first(path: Path, tests: list[str]) -> list[str]:
    """Put the test files with the module's name in theirs before the rest; none runs twice."""
    word = path.stem if path.stem != "__init__" else path.parent.name
    near = sorted(
        str(file.relative_to(ROOT))
        for one in tests
        for file in ([ROOT / one] if one.endswith(".py") else (ROOT / one).glob("test_*.py"))
        if not one.startswith("-") and word.rstrip("s") in file.stem
    )
    return [*near, *tests]


class Instead(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Imports one module from a changed tree."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        super().__init__(name, str(path))
        self._tree = tree

    def find_spec(self, name, path=None, target=None):
        if name != self.name:
            return None
        inside = [str(Path(self.path).parent)] if self.path.endswith("__init__.py") else None
        return importlib.util.spec_from_file_location(
            name, self.path, loader=self, submodule_search_locations=inside
        )

    def get_code(self, fullname):
        return compile(self._tree, self.path, "exec")


def survives(path: Path, tree: ast.Module, tests: list[str], seconds: float) -> str:
    """Run the tests on a mutant in a fork: ``killed``, ``killed by time`` or ``survived``."""
    child = os.fork()
    if child == 0:
        code = 1
        with suppress(BaseException):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            import pytest

            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            sys.meta_path.insert(0, Instead(name, path, tree))
            code = pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", *tests])
        os._exit(int(code))
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "survived" if os.waitstatus_to_exitcode(status) == 0 else "killed"
        time.sleep(0.05)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "killed by time"


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--room", choices=list(TESTS), required=True)
    asked.add_argument("--mutants", type=int, default=40)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--timeout", type=float, default=300.0, help="seconds for one mutant")
    asked.add_argument("--seconds", type=float, default=1e9, help="begin no mutant after so many")
    asked.add_argument("--only", help="files whose name holds this")
    options = asked.parse_args()
    os.chdir(ROOT)
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    for library in LIBRARIES:
        importlib.import_module(library)
    files = sorted((ROOT / "forecast" / options.room).rglob("*.py"))
    files = [f for f in files if not options.only or options.only in f.name]
    every = [
        (path, n)
        for path in files
        for n in range(len(list(places(ast.parse(path.read_text(encoding="utf-8"))))))
    ]
    drawn = random.Random(options.seed).sample(every, min(options.mutants, len(every)))
    tests = TESTS[options.room]
    assert survives(files[0], ast.parse(files[0].read_text()), tests, 1e4) == "survived", (
        "untouched"
    )
    begun, counts = time.monotonic(), {"killed": 0, "killed by time": 0, "survived": 0}
    for path, n in drawn:
        if time.monotonic() - begun > options.seconds:
            break
        tree, said = mutated(path, n)
        found = survives(path, tree, nearest_first(path, tests), options.timeout)
        counts[found] += 1
        if found != "killed":
            print(f"{found}: {said}", flush=True)
    done = sum(counts.values())
    score = (done - counts["survived"]) / max(done, 1)
    print(f"{options.room}: {len(every)} places, {done} mutants, {counts}, score {score:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
