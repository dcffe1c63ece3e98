"""The audit: what another mark would do to the next rung, and whether the order is kept."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from forecast.cohort import criterion_audit
from forecast.errors import FitError
from forecast.ladder import Ladder
from forecast.model import ReadinessForecaster

DAY0 = pd.Timestamp("2025-01-06")


def day(number):
    return DAY0 + pd.Timedelta(days=number)


def audited(log, as_of=None):
    """The audit by a model fitted to the log itself."""
    return criterion_audit(ReadinessForecaster().fit_engines(log, as_of), log, as_of)


@pytest.fixture(scope="module")
def small_audit(small_model, small_log, small_cut):
    return criterion_audit(small_model, small_log, small_cut)


def test_every_step_has_an_estimate_with_its_range(small_audit, small_log):
    table = small_audit.rungs
    steps = [(need, rung.key) for rung in small_log.ladder.rungs for need in rung.needs]
    assert list(zip(table["rung"], table["next_rung"], strict=True)) == steps
    assert (table["next_factor_low"] < table["next_factor"]).all()
    assert (table["next_factor"] < table["next_factor_high"]).all()
    timed = table.dropna(subset="p_fewer")
    assert len(timed)
    for where in ("here", "next"):
        assert (timed[f"weeks_{where}_low"] <= timed[f"weeks_{where}"]).all()
        assert (timed[f"weeks_{where}"] <= timed[f"weeks_{where}_high"]).all()
    assert (timed["weeks_here_low"] > 0).all()  # a higher mark takes longer
    assert timed["p_fewer"].between(0, 1).all()
    assert len(small_audit.text.splitlines()) == len(table) + 2
    assert "association" in small_audit.text
    assert "never a reason to hurry" in small_audit.text


def test_marks_of_repetitions_are_whole_and_others_a_tenth_apart(small_audit, small_log):
    for row in small_audit.rungs.itertuples():
        unit = 1.0 if small_log.ladder.rung(row.rung).criterion.measure == "reps" else 0.1
        assert row.other_mark > row.mark
        assert row.other_mark / unit == pytest.approx(round(row.other_mark / unit))


def test_a_lower_mark_takes_fewer_weeks_on_its_rung(small_model, small_log, small_cut):
    lower = criterion_audit(small_model, small_log, small_cut, change=-0.1).rungs
    timed = lower.dropna(subset="p_fewer")
    assert (timed["weeks_here_high"] < 0).all()
    assert (lower["other_mark"] < lower["mark"]).all()


def test_the_same_seed_gives_the_same_audit(small_model, small_log, small_cut, small_audit):
    again = criterion_audit(small_model, small_log, small_cut)
    pd.testing.assert_frame_equal(again.rungs, small_audit.rungs)
    other = criterion_audit(small_model, small_log, small_cut, seed=1).rungs
    # Draws move the middle by little: 4,000 of them.
    np.testing.assert_allclose(other["next_factor"], small_audit.rungs["next_factor"], rtol=0.02)


def test_a_change_out_of_range_is_refused(small_model, small_log, small_cut):
    for wrong in (0, -0.6, 1.5, "10 %", None):
        with pytest.raises(FitError, match="change = "):
            criterion_audit(small_model, small_log, small_cut, change=wrong)


def test_next_to_no_data_has_an_answer_of_the_prior(make_log):
    """Nobody has moved on: as likely quicker as slower, and the sentence says where from."""
    found = audited(make_log([("a", "one", 30 + 7 * i, 5.0) for i in range(3)]))
    assert found.n_moves == 0
    assert found.share_learnt == pytest.approx(0.0)
    assert "mostly prior" in found.text
    table = found.rungs
    np.testing.assert_allclose(table["next_factor"], 1.0, atol=0.03)
    assert (table["next_factor_low"] < 0.9).all()
    assert (table["next_factor_high"] > 1.1).all()
    assert table["p_fewer"].isna().all()


def test_a_ladder_of_one_rung_has_no_mark_to_ask_about(make_log):
    log = make_log([("a", "one", 30, 5.0), ("a", "one", 37, 6.0)])
    alone = dataclasses.replace(log, ladder=Ladder("One", (log.ladder.rungs[0],)))
    found = audited(alone)
    assert found.rungs.empty
    assert found.order.empty
    assert found.text.startswith("No rung leads on to another")


def skipping(number, skip):
    """One athlete: rung one, then two and three; ``skip`` clears three before two."""
    name, start = f"a{number:02d}", 30 + number
    rows = [(name, "one", start, 11.0), (name, "two", start + 5, 6.0)]
    if skip:
        rows += [(name, "three", start + 10, 5.0), (name, "three", start + 24, 11.0)]
        return [*rows, (name, "two", start + 60, 11.0)]
    rows += [(name, "two", start + 20, 11.0), (name, "three", start + 25, 5.0)]
    return [*rows, (name, "three", start + 39, 11.0)]


def test_an_order_that_many_turn_round_looks_wrong(make_log):
    log = make_log([r for i in range(20) for r in skipping(i, skip=i < 14)])
    found = audited(log, day(150))
    table = found.order.set_index("next_rung")
    assert table.loc["three", "cleared_first"] == 14
    assert table.loc["three", "cleared_next"] == 20
    assert table.loc["three", "verdict"] == "order looks wrong"
    assert table.loc["two", "verdict"] == "as planned"
    assert "order looks wrong" in found.text


def test_an_order_kept_is_as_planned_and_too_few_is_said(make_log):
    log = make_log([r for i in range(20) for r in skipping(i, skip=i < 2)])
    model = ReadinessForecaster().fit_engines(log, day(150))
    table = criterion_audit(model, log, day(150)).order.set_index("next_rung")
    assert table.loc["three", "verdict"] == "as planned"
    few = make_log([r for i in range(4) for r in skipping(i, skip=False)])
    table = criterion_audit(model, few, day(150)).order
    assert set(table["verdict"]) == {"not enough data"}


@pytest.fixture(scope="module")
def bench():
    path = Path(__file__).parents[1] / "bench" / "criterion_audit.py"
    spec = importlib.util.spec_from_file_location("criterion_audit_bench", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.nightly
def test_a_planted_effect_is_found_and_none_where_there_is_none(bench):
    """One seed each; the bench runs more, and docs/method/cohort.md has the figures."""
    planted = bench.one_seed(bench.Planted(athletes=80, rungs=4, effect=3.0, sessions=260), 1)
    assert planted["true"] < 0.9
    assert planted["high"] < 1.0
    none = bench.one_seed(bench.Planted(athletes=80, rungs=4, effect=0.0, sessions=260), 1)
    # The range is one of 80 %, so 1 may lie a little outside it: three standard deviations here.
    spread = np.log(none["high"] / none["low"]) / (2 * 1.2816)
    assert abs(np.log(none["factor"])) < 3 * spread
