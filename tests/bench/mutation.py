"""Mutation testing: ``python tests/bench/mutation.py --room histories --mutants 40 --seed 1``.

Draws places in a room's source (comparisons, arithmetic, and/or, numbers, ``not``, conditions),
changes one at a time, and runs on the changed module, until one fails, those of the room's quick
tests that run the changed line (``covering.py`` finds them once, on the untouched room). Nothing is
written to disk: each mutant is a fork of a process that has everything loaded; the fork forgets the
module and all that import it, and compiles the changed source in its place.

Loops that numba compiles would take a minute to compile anew, and other loops' cached code would
hold the original. A change there is made in a fork without compilation, where the loop is plain
Python, and the tests of ``LOOPS`` are run.

Prints every mutant with what became of it as it comes, then the score.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import pickle
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from covering import OPTIONS, Covering, covering

ROOT = Path(__file__).resolve().parents[2]
TESTS = {
    "histories": ["tests/histories", "--ignore=tests/histories/test_pain.py"],
    "survival": ["tests/survival", "tests/external/test_survival_curves.py",
                 "tests/external/test_hazard.py"],
    "readiness": ["tests/readiness/test_away.py", "tests/readiness/test_combine.py",
                  "tests/readiness/test_lapse_by_hand.py", "tests/readiness/test_marks.py",
                  "tests/readiness/test_moved_back.py", "tests/readiness/test_pool_by_hand.py",
                  "tests/readiness/test_shown_by_hand.py", "tests/readiness/test_storage.py",
                  "tests/readiness/test_tables_by_hand.py", "tests/readiness/test_thin.py",
                  "tests/readiness/test_view.py"],
    "plateau": ["tests/plateau"],
    "growth": ["tests/growth", "tests/external/test_dynamics.py",
               "tests/external/test_first_passage.py",
               "tests/test_docs.py::test_every_prior_has_a_meaning"],
}  # fmt: skip
"""A room's own quick tests, and those outside it that are about its functions."""
LOOPS = {
    "growth": ["tests/growth/test_closed_forms.py", "tests/growth/test_filter.py",
               "tests/growth/test_passage.py", "tests/growth/test_pooling_evidence.py",
               "tests/external/test_dynamics.py"],
    "plateau": ["tests/plateau/test_verdict.py"],
}  # fmt: skip
"""Tests of the compiled loops that end in time where nothing is compiled."""
SWAPS: dict[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Add, ast.And: ast.Or, ast.Or: ast.And,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Place:
    """What can be changed: a node, its field, and the compiled function around it if any."""

    node: Any
    field: str
    loop: ast.FunctionDef | None


def places(tree: ast.Module) -> Iterator[Place]:
    """Yield what can be changed, outside annotations and text."""
    skipped: set[int] = set()
    loops: dict[int, ast.FunctionDef] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            arguments = [a.annotation for a in ast.walk(node.args) if isinstance(a, ast.arg)]
            parts = [node.returns, *arguments, *node.decorator_list]
            skipped |= {id(inner) for part in parts if part for inner in ast.walk(part)}
            if any("jit" in ast.dump(one) for one in node.decorator_list):
                loops |= {id(inner): node for inner in ast.walk(node)}
        if isinstance(node, ast.AnnAssign):
            skipped |= {id(inner) for inner in ast.walk(node.annotation)}
        if isinstance(node, ast.Raise | ast.JoinedStr | ast.ImportFrom | ast.Import):
            skipped |= {id(inner) for inner in ast.walk(node)}  # what a message says
    for node in ast.walk(tree):
        field = field_of(node)
        if field and id(node) not in skipped:
            yield Place(node, field, loops.get(id(node)))


def field_of(node: ast.AST) -> str:
    """Name the field of a node that can be changed, empty if none can."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        return "ops"
    if isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign) and type(node.op) in SWAPS:
        return "op"
    if isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
        return "value"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        return "operand"
    return "test" if isinstance(node, ast.If | ast.IfExp) else ""


@dataclass(frozen=True)
class Mutant:
    """A module with one place changed: its file and tree, what was done, and the lines it is in."""

    path: Path
    tree: ast.Module
    said: str
    lines: range
    compiled: bool


def mutated(path: Path, number: int) -> Mutant:
    """Return a module with its place of that number changed."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    place = list(places(tree))[number]
    node, loop = place.node, place.loop
    before = ast.unparse(node).split("\n")[0]
    change(node, place.field)
    after = ast.unparse(node).split("\n")[0]
    ast.fix_missing_locations(tree)
    said = f"{path.relative_to(ROOT)}:{node.lineno}: {before}  ->  {after}"
    if loop:
        lines = range(loop.decorator_list[0].lineno, loop.decorator_list[0].lineno + 1)
    else:
        last = node.test.end_lineno if place.field == "test" else node.end_lineno
        lines = range(node.lineno, last + 1)
    return Mutant(path, tree, said, lines, loop is not None)


def change(node: Any, field: str) -> None:
    """Change a node in place."""
    if field == "ops":
        node.ops[0] = SWAPS[type(node.ops[0])]()
    elif field == "op":
        node.op = SWAPS[type(node.op)]()
    elif field == "value":
        node.value = not node.value if isinstance(node.value, bool) else node.value + 1
    elif field == "operand" and isinstance(node.op, ast.USub):
        node.op = ast.UAdd()
    elif field == "operand":
        node.operand = ast.UnaryOp(copy.deepcopy(node.op), node.operand)
    else:
        node.test = ast.UnaryOp(ast.Not(), node.test)


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


def imported(path: Path) -> set[str]:
    """Return what a file imports when it is loaded: modules, or names that may be modules."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return found


def importers(name: str) -> set[str]:
    """Return this module and the loaded ones that import it, at whatever remove.

    With a package go its modules: they would not be found as its attributes again.
    """
    needs = {
        one: imported(Path(str(module.__file__)))
        for one, module in sys.modules.items()
        if one.startswith("forecast.")
    }
    found, more = set[str](), {name}
    while more:
        found |= more
        more = {
            one
            for one in needs
            if one not in found and (needs[one] & found or one.rpartition(".")[0] in found)
        }
    return found


def unload(modules: set[str]) -> None:
    """Have these modules, and all tests, loaded anew when they are next imported."""
    import forecast

    for public in forecast.__all__:  # the package keeps what it was asked for
        vars(forecast).pop(public, None)
    ours = (str(ROOT / "tests"), str(ROOT / "docs"))
    tests_loaded = {
        one
        for one, module in sys.modules.items()
        if str(getattr(module, "__file__", None)).startswith(ours)
    }
    for one in (modules | tests_loaded) - {"__main__", "covering", "forecast"}:
        parent, _, last = one.rpartition(".")
        if parent in sys.modules:
            vars(sys.modules[parent]).pop(last, None)
        sys.modules.pop(one, None)


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def in_fork(work: Callable[[], int], seconds: float) -> int | None:
    """Return what the work returns in a silent fork, None if it takes longer than that."""
    child = os.fork()
    if child == 0:
        code = 1
        with suppress(BaseException):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            code = work()
        os._exit(int(code))
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def uncompiled() -> None:
    """Have numba compile nothing that is loaded from now on."""
    import numba

    numba.config.DISABLE_JIT = 1
    unload({one for one in sys.modules if one.startswith("forecast.")})


def covered_loops(folder: Path, tests: list[str], seconds: float) -> Covering:
    """Return which of the tests calls which compiled loop, found in a fork."""
    with tempfile.TemporaryDirectory() as made:
        kept = Path(made) / "covering"

        def work() -> int:
            uncompiled()
            found = covering(folder, tests, every_line=False)
            kept.write_bytes(pickle.dumps(found))
            return 0

        assert in_fork(work, seconds) == 0, "the untouched loops fail where nothing is compiled"
        return pickle.loads(kept.read_bytes())


def fate(mutant: Mutant, tests: list[str], seconds: float) -> str:
    """Run the tests on a mutant in a fork: killed, killed by time, survived, or not covered."""
    if not tests:
        return "not covered"

    def work() -> int:
        import pytest

        if mutant.compiled:
            uncompiled()
        name = module_name(mutant.path)
        unload(importers(name))
        sys.meta_path.insert(0, Instead(name, mutant.path, mutant.tree))
        return pytest.main([*OPTIONS, "-x", *tests])

    code = in_fork(work, seconds)
    return "killed by time" if code is None else "killed" if code else "survived"


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--room", choices=list(TESTS), required=True)
    asked.add_argument("--mutants", type=int, default=40)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--timeout", type=float, default=300.0, help="seconds for one mutant")
    asked.add_argument("--seconds", type=float, default=1e9, help="begin no mutant after so many")
    asked.add_argument("--only", default="", help="files whose name holds this")
    asked.add_argument("--again", type=Path, help="output of a run: only what survived there")
    options = asked.parse_args()
    lived_before = survivors(options.again.read_text()) if options.again else None
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    folder = ROOT / "forecast" / options.room
    every = [
        (path, n)
        for path in sorted(folder.rglob("*.py"))
        if options.only in path.name
        for n in range(len(list(places(ast.parse(path.read_text(encoding="utf-8"))))))
    ]
    drawn = random.Random(options.seed).sample(every, min(options.mutants, len(every)))
    mutants = [mutated(path, n) for path, n in drawn]
    if lived_before is not None:
        mutants = [mutant for mutant in mutants if mutant.said in lived_before]
    by_test = covering(folder, TESTS[options.room])
    by_loop = None
    if any(mutant.compiled for mutant in mutants):
        by_loop = covered_loops(folder, LOOPS[options.room], 1e4)
    whole = [replace(one, tree=ast.parse(one.path.read_text())) for one in mutants[:1]]
    assert fate(whole[0], sorted(by_test.seconds), 1e4) == "survived", "the untouched room fails"
    begun, counts = time.monotonic(), Counter[str]()
    for mutant in mutants:
        if time.monotonic() - begun > options.seconds:
            break
        tests = (by_loop if mutant.compiled else by_test).tests_of(mutant.path, mutant.lines)
        start = time.monotonic()
        found = fate(mutant, tests or at_import(mutant, by_test), options.timeout)
        counts[found] += 1
        print(f"{found} ({time.monotonic() - start:.0f} s): {mutant.said}", flush=True)
    done = counts.total()
    lived = counts["survived"] + counts["not covered"]
    score = (done - lived) / max(done, 1)
    print(f"{options.room}: {len(every)} places, {done} mutants, {dict(counts)}, score {score:.2f}")
    return 0


def survivors(printed: str) -> set[str]:
    """Return what was changed in the mutants that lived, from what a run printed."""
    lines = [line for line in printed.splitlines() if line.startswith(("survived", "not covered"))]
    return {line.partition(": ")[2] for line in lines}


def at_import(mutant: Mutant, by_test: Covering) -> list[str]:
    """Return every test where the change is in no function: it runs when the module is loaded.

    A loop's lines are its decorator's, which no function holds; a loop that no test runs is not
    covered, and every test run without compilation would only end by the clock.
    """
    functions = (one for one in ast.walk(mutant.tree) if isinstance(one, ast.FunctionDef))
    inside = any(f.lineno <= mutant.lines[0] <= (f.end_lineno or 0) for f in functions)
    if inside or mutant.compiled:
        return []
    return sorted(by_test.seconds, key=by_test.seconds.__getitem__)


if __name__ == "__main__":
    sys.exit(main())
