"""The audit: its regression, its tests of "no effect" and "no bend", moves, order, going back."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from forecast.cohort import criterion_audit
from forecast.cohort.audit.hinge import MovesData, fit_hinge
from forecast.cohort.audit.interval_regression import fit_intervals
from forecast.cohort.audit.moves import find_moves
from forecast.cohort.audit.order import order_table, return_table
from forecast.errors import FitError
from forecast.histories import build_histories
from forecast.ladder import Ladder

DAY0 = pd.Timestamp("2025-01-06")


def day(number):
    return DAY0 + pd.Timedelta(days=number)


# --- the regression


def rows(seed, n, slope=0.0, mark=np.inf, sigma=0.5, censor=True):
    """Margins and log weeks that fall by ``slope`` up to the mark, seen between sessions."""
    rng = np.random.default_rng(seed)
    margin = rng.uniform(-0.2, 0.6, n)
    pace = rng.standard_normal(n)
    fall = np.minimum(margin - mark, 0.0) if np.isfinite(mark) else margin
    mean = 2.3 + 0.3 * pace + slope * fall
    log_weeks = mean + sigma * rng.standard_normal(n)
    upper = np.ceil(3 * np.exp(log_weeks)) / 3
    lower = upper - 1 / 3
    end = rng.uniform(5, 60, n) if censor else np.full(n, np.inf)
    seen = upper <= end
    with np.errstate(divide="ignore"):
        low, high = np.log(np.where(seen, lower, end)), np.log(np.where(seen, upper, np.inf))
    controls = np.column_stack([np.ones(n), pace])
    return MovesData(margin, low, high, controls, np.arange(n) // 3)


def test_regression_recovers_its_coefficients():
    data = rows(1, 4000, slope=-1.0)
    fit = fit_intervals(np.column_stack([data.controls, data.margin]), data.lower, data.upper)
    error = np.sqrt(np.diag(np.linalg.inv(fit.information))) * fit.sigma
    assert abs(fit.coefficients[1] - 0.3) < 4 * error[1]
    assert abs(fit.coefficients[2] + 1.0) < 4 * error[2]
    assert fit.sigma == pytest.approx(0.5, abs=0.03)


def test_scores_and_information_are_derivatives():
    data = rows(2, 60, slope=-1.0)
    fit = fit_intervals(data.controls, data.lower, data.upper)
    np.testing.assert_allclose(fit.scores.sum(axis=0), 0, atol=1e-2)
    # Two fits from different starts meet: the log likelihood has one top.
    other = fit_intervals(data.controls, data.lower, data.upper, np.array([0.5, 0.0, 1.0]))
    np.testing.assert_allclose(fit.coefficients, other.coefficients, atol=1e-3)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-5)


def test_repeated_columns_are_refused():
    data = rows(3, 40)
    with pytest.raises(FitError, match=r"repeat each other|did not settle"):
        fit_intervals(np.column_stack([data.controls, data.controls]), data.lower, data.upper)


# --- the hinge


def test_hinge_finds_its_mark():
    fit = fit_hinge(rows(4, 600, slope=-2.5, mark=0.2), level=0.95, seed=0)
    assert fit.mark_low < 0.2 < fit.mark_high
    assert fit.mark_high - fit.mark_low < 0.3
    assert fit.p_effect < 0.01
    assert fit.p_bend < 0.01
    assert fit.slope == pytest.approx(-2.5, abs=0.8)


def test_a_fall_without_a_bend_is_an_effect_and_no_mark():
    fit = fit_hinge(rows(5, 600, slope=-1.5), level=0.9, seed=0)
    assert fit.p_effect < 0.01
    assert fit.p_bend > 0.05
    assert fit.linear == pytest.approx(-1.5, abs=4 * fit.linear_se)


def test_p_values_keep_their_level():
    fits = [fit_hinge(rows(seed, 120), level=0.9, seed=seed) for seed in range(40)]
    for name in ("p_effect", "p_bend"):
        small = sum(getattr(fit, name) <= 0.2 for fit in fits)
        # 8 of 40 are expected; 16 or more has a chance of 0.3 %.
        assert small < 16, name
    assert sum(max(fit.p_effect, fit.p_bend) <= 0.05 for fit in fits) <= 5


def test_same_seed_same_numbers():
    one, two = (fit_hinge(rows(6, 100), level=0.9, seed=3) for _ in range(2))
    assert one.p_effect == two.p_effect
    np.testing.assert_array_equal(one.profile, two.profile)


# --- moves


def test_margin_is_of_the_last_three_sessions_up_to_moving_on(make_log):
    log = make_log(
        [
            *(("a", "one", 30, 4.0), ("a", "one", 33, 10.0), ("a", "one", 36, 12.0)),
            *(("a", "one", 40, 14.0), ("a", "two", 42, 5.0), ("a", "one", 43, 30.0)),
            *(("a", "two", 49, 5.0), ("a", "two", 56, 11.0)),
        ]
    )
    moves = find_moves(build_histories(log, day(80)))
    move = moves.table.iloc[0]
    assert move["margin"] == pytest.approx(np.log([1.0, 1.2, 1.4]).mean())
    assert move["confirming"] == 3
    assert (move["weeks_lower"], move["weeks_upper"]) == (1, 2)
    assert move["cleared"]


def test_sets_stopped_at_the_target_hide_the_margin(make_log):
    sessions = [("a", "one", 30 + 3 * i, 10.0) for i in range(4)] + [("a", "two", 45, 5.0)]
    hidden = find_moves(build_histories(make_log(sessions, stopped="target"), day(80)))
    assert hidden.no_margin == 1
    assert hidden.table.empty
    known = find_moves(build_histories(make_log(sessions), day(80)))
    assert known.no_margin == 0
    assert known.table["margin"].item() == pytest.approx(0)


def test_open_and_lapsed_next_rungs_are_bounds(make_log):
    log = make_log(
        [
            *(("a", "one", 30, 11.0), ("a", "two", 33, 5.0), ("a", "two", 60, 5.0)),
            *(("b", "one", 30, 11.0), ("b", "two", 200, 5.0)),
        ]
    )
    table = find_moves(build_histories(log, day(214))).table.set_index("athlete")
    assert np.isinf(table["weeks_upper"]).all()
    assert table.loc["a", "lapsed"]
    assert not table.loc["b", "lapsed"]
    assert table.loc["b", "weeks_lower"] == 2


# --- order and going back


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
    table = order_table(build_histories(log, day(150)), 0.9).set_index("next_rung")
    assert table.loc["three", "cleared_first"] == 14
    assert table.loc["three", "cleared_next"] == 20
    assert table.loc["three", "verdict"] == "order looks wrong"
    assert table.loc["two", "verdict"] == "as planned"
    assert "order looks wrong" in criterion_audit(log, day(150)).text


def test_an_order_kept_is_as_planned_and_too_few_is_said(make_log):
    log = make_log([r for i in range(20) for r in skipping(i, skip=i < 2)])
    table = order_table(build_histories(log, day(150)), 0.9).set_index("next_rung")
    assert table.loc["three", "verdict"] == "as planned"
    few = make_log([r for i in range(4) for r in skipping(i, skip=False)])
    table = order_table(build_histories(few, day(150)), 0.9)
    assert set(table["verdict"]) == {"not enough data"}


def test_going_back_is_off_the_later_rung_and_not_upkeep(make_log):
    back = [("a", "one", 30, 11.0), ("a", "two", 33, 5.0), ("a", "one", 37, 8.0)]
    back += [("a", "one", 41, 9.0), ("a", "one", 45, 9.0), ("a", "two", 50, 6.0)]
    upkeep = [("b", "one", 30, 11.0)]
    upkeep += [("b", "two", 33 + 4 * i, 5.0) for i in range(6)]
    upkeep += [("b", "one", 33 + 4 * i, 9.0) for i in range(6)]
    table = return_table(build_histories(make_log(back + upkeep), day(90)), 0.9)
    step = table.set_index("next_rung").loc["two"]
    assert (step["moves"], step["went_back"], step["below_target"]) == (2, 1, 1)
    assert step["weeks_back"] == pytest.approx(17 / 7)


# --- the whole audit on planted worlds


@pytest.fixture(scope="module")
def bench():
    path = Path(__file__).parents[1] / "bench" / "criterion_audit.py"
    spec = importlib.util.spec_from_file_location("criterion_audit_bench", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def test_a_planted_mark_is_named_and_none_where_none_is(bench):
    # One seed each; the bench runs fifty, and docs/method/cohort.md has the shares.
    world = bench.Planted(athletes=120, rungs=4, effect=3.0, sessions=260)
    found = bench.one_seed(world, 1)
    assert found["whole_claimed"]
    assert found["low"] < np.exp(world.mark) < found["high"]
    none = bench.one_seed(bench.Planted(athletes=80, rungs=4, effect=0.0, sessions=260), 1)
    assert none["claims"] == 0


def test_audit_of_a_small_log_says_not_enough_data(small_log):
    found = criterion_audit(small_log)
    single = found.rungs[found.rungs["rung"] != "(all rungs)"]
    assert set(single["verdict"]) == {"not enough data"}
    assert "Not enough data" in found.text
    assert "association" in found.text
    assert found.profile().columns.tolist() == ["rung", "mark", "loss"]


def test_levels_out_of_range_are_refused(small_log):
    with pytest.raises(FitError, match="alpha = 0"):
        criterion_audit(small_log, alpha=0)


@pytest.mark.parametrize("moved", [0, 1, 5])
def test_without_values_apart_it_says_what_is_needed_and_no_more(make_log, moved):
    """Nobody moved on, or each with exactly the mark: no values to say a range of."""
    rows = [(f"a{n}", "one", 30 + 7 * i, 5.0) for n in range(2) for i in range(3)]
    for n in range(moved):
        rows += [(f"m{n}", "one", 30, 8.0), (f"m{n}", "one", 37, 10.0), (f"m{n}", "two", 40, 4.0)]
        rows += [(f"m{n}", "two", 54, 10.0)]
    said, caution = criterion_audit(make_log(rows)).text.split("\n")
    used = "5 moves" if moved == 5 else "no move"  # one counts once four have cleared the next rung
    assert said.startswith("Not enough data on any pass mark: ")
    assert used in said
    assert "takes 40 moves, 20 of them cleared since, and 20 athletes" in said
    assert "1.00 to 1.00" not in said
    assert "association" in caution


@pytest.mark.parametrize("values", [[5.0, 5.0], [12.0]])
def test_ladders_and_logs_with_next_to_nothing(make_log, values):
    log = make_log([("a", "one", 30 + 7 * i, value) for i, value in enumerate(values)])
    found = criterion_audit(log)
    assert set(found.rungs["verdict"]) == {"not enough data"}
    alone = dataclasses.replace(log, ladder=Ladder("One", (log.ladder.rungs[0],)))
    single = criterion_audit(alone)
    assert single.rungs["rung"].tolist() == ["(all rungs)"]
    assert single.order.empty
    assert single.returns.empty
