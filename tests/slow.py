"""Which tests are slow: CPU of the test, all its parameters, and every fixture it needs."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Container, Iterable, Iterator
from pathlib import Path

import pytest

LIST = Path(__file__).with_name("slow.txt")
"""Slow tests, one a line; redrawn by ``--redraw-slow``."""
SECONDS = 1.0
"""Of CPU, subprocesses included: from here on a test is slow."""
HEAD = """\
# Tests that need a second of CPU or more: the test itself with all its parameters, and what it
# needs set up, but for the model of tests/conftest.py, which all share. Deselect: -m 'not slow'.
# Measured, not typed; DEVELOPERS.md says how.
"""


def listed_slow() -> set[str]:
    """Return the tests listed, without their parameters."""
    return {line for line in LIST.read_text("utf-8").splitlines() if not line.startswith("#")}


def day_and_night(cases: Iterable, day: Container) -> list:
    """Return all cases as parameters, those that are not in ``day`` marked for the nightly tier."""
    return [
        case
        if case in day
        else pytest.param(*(case if isinstance(case, tuple) else [case]), marks=pytest.mark.nightly)
        for case in cases
    ]


def function_of(nodeid: str) -> str:
    """Return the name of a test without its parameters."""
    return nodeid.split("[")[0]


def cpu() -> float:
    """Seconds of this process and of those it waited for."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


class Meter:
    """Measures tests and shared fixtures in each worker, and writes the list when all have ended.

    A fixture is set up once, by whichever test comes first; here every test that needs it is
    charged with it, so that the list does not depend on the order of tests.
    """

    def __init__(self, config: pytest.Config) -> None:
        self.writes = not hasattr(config, "workerinput")
        self.spent = 0.0
        self.set_up: list[tuple[str, float]] = []
        self.own: Counter[str] = Counter()
        self.needs: dict[str, set[str]] = {}
        self.fixtures: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef) -> Iterator[None]:
        """Take a shared fixture's time from the test that happens to be first."""
        begun = cpu()
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                self.set_up.append((name_of(fixturedef), cpu() - begun))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        """Begin with nothing spent."""
        self.spent, self.set_up = 0.0, []
        return (yield from self._measured())

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        """Add the test itself, and hand the sum over with its report."""
        try:
            return (yield from self._measured())
        finally:
            own = self.spent - sum(seconds for _, seconds in self.set_up)
            needed = getattr(item, "_fixtureinfo", None)
            defined = needed.name2fixturedefs.values() if needed else ()
            names = [name_of(each[-1]) for each in defined if each[-1].scope != "function"]
            item.user_properties += [("own", own), ("needs", names), ("set up", self.set_up)]

    def _measured(self) -> Iterator[None]:
        begun = cpu()
        try:
            return (yield)
        finally:
            self.spent += cpu() - begun

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Gather what all workers measured; a test skipped or failed stays as it was listed."""
        told = dict(report.user_properties)
        whole = report.passed or hasattr(report, "wasxfail")
        if report.when != "call" or "own" not in told or not whole:
            return
        test = function_of(report.nodeid)
        self.own[test] += told["own"]
        self.needs.setdefault(test, set()).update(told["needs"])
        for name, seconds in told["set up"]:
            if name:
                self.fixtures[name] = max(seconds, self.fixtures.get(name, 0.0))

    def pytest_sessionfinish(self) -> None:
        """Write the list: tests that ran are judged anew, all others stay as they were."""
        if not self.writes or not self.own:
            return
        slow = {test for test in self.own if self.cost_of(test) >= SECONDS}
        files = {test.split("::")[0] for test in self.own}
        rest = listed_slow() - set(self.own) - files
        LIST.write_text(HEAD + "".join(f"{test}\n" for test in sorted(rest | slow)), "utf-8")

    def cost_of(self, test: str) -> float:
        """Seconds of a test with all its parameters and what it needs set up."""
        return self.own[test] + sum(self.fixtures.get(name, 0.0) for name in self.needs[test])


def name_of(fixture: pytest.FixtureDef) -> str:
    """Return where a fixture is defined and its name; none for those of ``tests/conftest.py``."""
    return "" if fixture.baseid in {"", "tests"} else f"{fixture.baseid}::{fixture.argname}"
