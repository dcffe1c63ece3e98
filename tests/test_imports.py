"""Imports run one way through the rooms of the package; those inside functions count too."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from graphlib import TopologicalSorter
from importlib import import_module
from pathlib import Path

import pytest

import forecast

PACKAGE = Path(forecast.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))

NOUNS = {"errors", "ladder", "types"}
RECORDS = NOUNS | {"log"}
ENGINES = RECORDS | {"histories"}
READINESS = ENGINES | {"growth", "survival", "plateau", "row"}
QUESTIONS = READINESS | {"readiness"}
WORDS = RECORDS | {"row"}
SHOWN = {"words", "inline"}
FACE = QUESTIONS | SHOWN | {"ahead", "words", "changes", "result", "model", "parts", "charts"}
REPORT = FACE | {"cohort", "backtest", "kept"}
COMMANDS = REPORT | {"report", "simulate", "forecast"}

# What each room may import beside itself. Growth and survival don't know each other, so that
# either can be replaced; invented cohorts know nothing of what is fitted to them; the verdict is
# learnt from invented careers, and known to the forecast.
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "types": set(),
    "boosted": {"types"},
    "ladder": {"errors"},
    "row": {"ladder"},
    "log": NOUNS,
    "simulate": RECORDS,
    "histories": RECORDS,
    "growth": ENGINES,
    "survival": ENGINES | {"boosted"},
    "plateau": ENGINES | {"boosted", "simulate"},
    "readiness": READINESS,
    "ahead": QUESTIONS | SHOWN,
    "cohort": QUESTIONS | SHOWN,
    "backtest": QUESTIONS | {"words"},
    "words": WORDS,
    "inline": WORDS | {"words"},  # tables and small drawings that need no chart
    "changes": QUESTIONS | SHOWN | {"ahead"},
    "charts": QUESTIONS | SHOWN | {"ahead", "cohort", "backtest"},
    "result": QUESTIONS | SHOWN | {"charts"},  # the public tables, and their chart
    "parts": FACE,
    "model": FACE | {"report"},  # the public forecaster: all that can be asked, and its charts
    "kept": FACE,
    "report": REPORT,
    "forecast": REPORT | {"report"},  # the public names in forecast/__init__.py
    "__main__": COMMANDS,
}
SAME_ROOM = {"ladder_file": "ladder", "commands": "__main__"}


def module_name(path: Path) -> str:
    parts = ("forecast", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    parts = module.split(".")
    room = parts[1] if len(parts) > 1 else "forecast"
    return SAME_ROOM.get(room, room)


def imports_of(source: str, package: str, known: set[str]) -> set[str]:
    """Every module of the package that the source imports, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                outer = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*outer, base]).rstrip(".")
            # "from forecast.growth import panel" names a module, "... import Panel" does not.
            named = {f"{base}.{alias.name}" for alias in node.names}
            modules = named & known
            found |= modules if modules == named else modules | {base}
        elif isinstance(node, ast.Call) and "import_module" in ast.unparse(node.func):
            found |= {arg.value for arg in node.args if isinstance(arg, ast.Constant)}
    return {name for name in found if name.split(".")[0] == "forecast"}


@pytest.fixture(scope="module")
def arrows() -> dict[str, set[str]]:
    known = {module_name(path) for path in MODULES}
    table = {}
    for path in MODULES:
        name = module_name(path)
        package = name if path.stem == "__init__" else name.rpartition(".")[0]
        table[name] = imports_of(path.read_text(encoding="utf-8"), package, known)
    return table


def forbidden(arrows: dict[str, set[str]]) -> list[str]:
    return [
        f"{module} imports {target}"
        for module, targets in sorted(arrows.items())
        for target in sorted(targets)
        if room_of(target) not in ALLOWED[room_of(module)] | {room_of(module)}
    ]


def test_imports_run_one_way(arrows):
    assert forbidden(arrows) == []


def past_the_door(module: str, source: str, behind: set[str]) -> list[str]:
    """Imports of what lies inside another room, and not at its door.

    ``behind`` are modules that no door shows under their own name.
    """
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names} & behind
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    inside = {name for name in found if name.startswith("forecast.") and name.count(".") > 1}
    return sorted(name for name in inside if room_of(name) != room_of(module))


def test_rooms_are_entered_through_their_doors():
    sources = {module_name(path): path.read_text(encoding="utf-8") for path in MODULES}
    shown = {
        f"{door}.{name}"
        for door, source in sources.items()
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        for name in ast.literal_eval(node.value)
    }
    past = {name: past_the_door(name, text, set(sources) - shown) for name, text in sources.items()}
    assert {name: found for name, found in past.items() if found} == {}


@pytest.mark.parametrize(
    ("source", "past"),
    [
        ("from forecast.growth import Panel", False),
        ("from forecast.growth.panel import Panel", True),
        ("from forecast.growth import panel", True),
        ("def later():\n    import forecast.growth.panel", True),
    ],
)
def test_the_check_tells_a_door_from_what_lies_behind_it(source, past):
    found = past_the_door("forecast.ahead.walk", source, {"forecast.growth.panel"})
    assert found == (["forecast.growth.panel"] if past else [])
    assert past_the_door("forecast.growth.engine", source, {"forecast.growth.panel"}) == []


def test_every_room_has_a_place_in_the_table(arrows):
    assert {room_of(module) for module in arrows} <= set(ALLOWED)


def test_no_module_imports_itself_in_a_circle(arrows):
    TopologicalSorter(arrows).prepare()  # raises CycleError with the circle


@pytest.mark.parametrize(
    "source",
    [
        "import forecast.survival.curves",
        "from forecast.survival import curves",
        "from forecast import survival",
        "from ..survival.curves import kaplan_meier",
        "def later():\n    from forecast.survival.curves import kaplan_meier",
        "import importlib\nimportlib.import_module('forecast.survival')",
    ],
)
def test_the_check_sees_every_way_of_importing(source):
    known = {"forecast.survival", "forecast.survival.curves"}
    targets = imports_of(source, "forecast.growth", known)
    assert forbidden({"forecast.growth.panel": targets}) == [
        f"forecast.growth.panel imports {targets.pop()}"
    ]


def is_private(name: str) -> bool:
    return name.startswith("_") and not name.endswith("_")


def private_names(tree: ast.AST) -> tuple[set[str], set[str], set[str]]:
    """Private names that a module defines, reads of objects other than its own, and imports."""
    defined: set[str] = set()
    read: set[str] = set()
    imported: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            defined.add(node.id)
        elif isinstance(node, ast.ImportFrom):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            imported |= {part for alias in node.names for part in alias.name.split(".")}
        elif isinstance(node, ast.Attribute):
            own = isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")
            (defined if own and isinstance(node.ctx, ast.Store) else read).add(node.attr)
    return tuple(set(filter(is_private, names)) for names in (defined, read, imported))


def private_across(sources: dict[str, str]) -> list[str]:
    """Private names read or imported in a room that does not define them, by module."""
    found = {name: private_names(ast.parse(source)) for name, source in sources.items()}
    own: dict[str, set[str]] = {}
    for name, (defined, _, _) in found.items():
        own.setdefault(room_of(name), set()).update(defined)
    return [
        f"{name} uses {private}"
        for name, (_, read, imported) in sorted(found.items())
        for private in sorted((read - own[room_of(name)]) | imported)
    ]


def test_no_private_name_is_used_across_rooms():
    sources = {module_name(path): path.read_text(encoding="utf-8") for path in MODULES}
    assert private_across(sources) == []


@pytest.mark.parametrize(
    "source",
    [
        "def ask(model):\n    return model._ready()",
        "def ask(self):\n    return self._ready()",  # inherited from another room's class
        "def ask(model):\n    model._ready = True",
        "from forecast.readiness.view import _ready",
        "import forecast.readiness._ready",
    ],
)
def test_the_check_sees_every_use_of_a_private_name(source):
    owner = "class View:\n    def _ready(self):\n        return self._ready"
    sources = {"forecast.readiness.view": owner, "forecast.ahead.ladder": source}
    assert private_across(sources) == ["forecast.ahead.ladder uses _ready"]


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_every_module_says_what_it_is_for(path):
    docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    assert docstring, f"{module_name(path)} has no docstring"


def test_the_public_names_are_listed_and_there():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    listed = [
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign)
        and any(isinstance(to, ast.Name) and to.id == "__all__" for to in node.targets)
    ]
    assert len(listed) == 1, "forecast/__init__.py needs one literal __all__"
    assert len(set(listed[0])) == len(listed[0])
    missing = [name for name in listed[0] if not hasattr(forecast, name)]
    assert missing == []


def test_the_package_and_its_help_load_nothing_that_calculates():
    told = subprocess.run(
        [sys.executable, "-c", "import sys, forecast.__main__; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    heavy = {"numpy", "pandas", "scipy", "sklearn", "statsmodels", "altair", "numba", "sqlalchemy"}
    assert set(told.stdout.split()) & heavy == set()


def test_the_public_backtest_is_the_function_whatever_has_been_imported():
    import_module("forecast.backtest")
    assert inspect.isfunction(forecast.backtest)
    assert set(forecast.__all__) <= set(dir(forecast))
    with pytest.raises(AttributeError, match="no attribute 'tea_leaves'"):
        forecast.tea_leaves  # noqa: B018
