"""The lapse rule has one owner: nobody else knows how long a silence counts as lapse."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import forecast
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.readiness.lapse import training_days

PACKAGE = Path(forecast.__file__).parent
NO_MODEL = {"cohort/records.py"}
"""Asked about a log alone, with no model whose rule could be taken."""


@pytest.fixture(scope="module")
def log():
    """Fourteen months: one away for 20 weeks at the end, one there throughout, both begun late."""
    days = [("a", d) for d in range(30, 280, 5)] + [("b", d) for d in range(30, 420, 5)]
    days.append(("early", 0))
    frame = pd.DataFrame(days, columns=["athlete", "day"])
    date = pd.Timestamp("2024-01-01") + pd.to_timedelta(frame.pop("day"), unit="D")
    ladder = Ladder("One", (Rung("hang", "Hang", "", Criterion("seconds", 10.0)),))
    return read_log(frame.assign(date=date.astype("str"), rung="hang", value=3), ladder)


def test_every_room_follows_the_rule_the_histories_were_built_with(log):
    for weeks, lapsed in ((12.0, True), (40.0, False)):
        histories = build_histories(log, "2025-02-24", lapse_weeks=weeks)
        spell = histories.spells.set_index("athlete").loc["a"]
        assert (spell["outcome"] == "lapsed") == lapsed
        days = training_days(histories, np.full(len(histories.sessions), 0.5))
        assert days.loc[days["athlete"] == "a", "lapsed"].any() == lapsed


def test_a_silence_of_any_length_leaves_the_spell_open(log):
    for as_of in ("2025-02-24", "2030-01-01"):
        histories = build_histories(log, as_of)
        assert set(histories.open_spells["athlete"]) == {"a", "b", "early"}


def test_no_other_room_has_a_rule_of_its_own():
    strays = []
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(PACKAGE).as_posix()
        if place.startswith("histories/"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Name) and node.id in ("lapse_days", "LAPSE_GAPS"):
                strays.append(f"{place}:{node.lineno}")
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "build_histories":
                given = {keyword.arg for keyword in node.keywords}
                if "lapse_weeks" not in given and place not in NO_MODEL:
                    strays.append(f"{place}:{node.lineno}")
    assert strays == []
