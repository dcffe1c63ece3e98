"""Which tests run which line of a room, so that a mutant is shown to those tests alone."""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

OPTIONS = ["-q", "-p", "no:cacheprovider", "-m", "not slow"]


@dataclass(eq=False)  # pytest hashes its plugins
class Covering:
    """A plugin of pytest that notes, line by line, the tests and fixtures that run it.

    Attributes
    ----------
    folder
        The room; lines outside it are not noted.
    every_line
        Note lines; if not, only the first line of every function.
    by
        File and line to the tests and fixtures that ran it.
    seconds
        Test to its seconds, fixtures included where the test was the first to need them.
    uses
        Test to the fixtures it is given.
    seconds_of
        Fixture of more than one test to its seconds.
    """

    folder: str
    every_line: bool = True
    by: dict[tuple[str, int], set[str]] = field(default_factory=lambda: defaultdict(set))
    seconds: dict[str, float] = field(default_factory=dict)
    uses: dict[str, set[str]] = field(default_factory=dict)
    seconds_of: dict[str, float] = field(default_factory=dict)
    _now: str = ""

    def tests_of(self, file: Path, lines: range) -> list[str]:
        """Return the tests that ran any of the lines, the quickest first."""
        noted = set().union(*(self.by.get((str(file), line), set()) for line in lines))
        tests = {name for name in self.seconds if name in noted or noted & self.uses[name]}
        return sorted(tests, key=lambda name: (self._with_fixtures(name), name))

    def _with_fixtures(self, test: str) -> float:
        return self.seconds[test] + sum(self.seconds_of.get(one, 0.0) for one in self.uses[test])

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        self.uses[item.nodeid] = {f"fixture {name}" for name in getattr(item, "fixturenames", ())}
        self._now, start = item.nodeid, time.process_time()
        sys.settrace(self._called)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            self.seconds[item.nodeid] = time.process_time() - start

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Any:
        if fixturedef.scope == "function":
            return (yield)
        before, start = self._now, time.process_time()
        self._now = f"fixture {fixturedef.argname}"
        try:
            return (yield)
        finally:
            self.seconds_of[self._now] = time.process_time() - start
            self._now = before

    def _called(self, frame: FrameType, event: str, _: Any) -> Any:
        code: CodeType = frame.f_code
        if not code.co_filename.startswith(self.folder):
            return None
        self.by[code.co_filename, code.co_firstlineno].add(self._now)
        return self._line if self.every_line else None

    def _line(self, frame: FrameType, event: str, _: Any) -> Any:
        self.by[frame.f_code.co_filename, frame.f_lineno].add(self._now)
        return self._line


def covering(folder: Path, tests: list[str], *, every_line: bool = True) -> Covering:
    """Run the tests and return which of them runs which line.

    Raises
    ------
    AssertionError
        If the tests fail on the untouched room: no score would mean anything.
    """
    plugin = Covering(str(folder), every_line)
    assert pytest.main([*OPTIONS, *tests], plugins=[plugin]) == 0, "the untouched room fails"
    return plugin
