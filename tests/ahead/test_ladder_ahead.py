"""The look up the ladder: its tables, its laws, and what it must not depend on."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecast.ahead import Rhythm, chain, chances_by_day, ladder_ahead, walk
from forecast.errors import ForecastError, NotFittedError
from forecast.model import ReadinessForecaster
from forecast.readiness import CURVE_COLUMNS
from forecast.row import SUMMARY_COLUMNS

HORIZON = 120


def test_tables_have_the_columns_of_a_forecast(small_ahead):
    assert tuple(small_ahead.summary.columns) == SUMMARY_COLUMNS
    assert tuple(small_ahead.curve.columns) == CURVE_COLUMNS
    assert len(small_ahead.curve) == HORIZON * small_ahead.summary["on_hold"].isna().sum()
    assert small_ahead.summary["athlete"].dtype == "str"


def test_every_rung_ahead_has_a_row_in_ladder_order_with_the_top_last(small_ahead, small_log):
    order = {key: place for place, key in enumerate(small_log.ladder.keys)}
    for _, rows in small_ahead.summary.groupby("athlete"):
        places = rows["rung"].map(order).tolist()
        assert places == sorted(places)
        assert rows["rung"].iloc[-1] == small_log.ladder.keys[-1]


def test_everybody_with_an_open_rung_is_there(small_ahead, small_result):
    assert set(small_ahead.summary["athlete"]) == set(small_result.summary["athlete"])


def test_open_rungs_read_as_in_the_forecast(small_ahead, light_model, small_log, small_cut):
    said = light_model.forecast(small_log, small_cut).summary.set_index(["athlete", "rung"])
    mine = small_ahead.summary.set_index(["athlete", "rung"]).loc[said.index]
    for name in ("level", "gain_per_week", "p_next_session", "p_4", "p_26", "confidence"):
        pd.testing.assert_series_equal(mine[name], said[name])
    known = said["weeks_mid"].notna()
    pd.testing.assert_series_equal(mine["weeks_mid"][known], said["weeks_mid"][known])
    pd.testing.assert_series_equal(mine["date_mid"][known], said["date_mid"][known])


def test_the_walk_itself_gives_open_rungs_the_forecasts_curve(
    small_ahead, light_model, small_log, small_cut
):
    said = light_model.forecast(small_log, small_cut).curve
    both = said.merge(small_ahead.curve, on=["athlete", "rung", "week"])
    assert len(both) == len(said)
    gap = (both["p_cleared_x"] - both["p_cleared_y"]).abs()
    assert gap.max() <= 2.5 / light_model.paths


def test_chances_never_fall_and_weeks_are_in_order(small_ahead):
    free = small_ahead.summary["on_hold"].isna().to_numpy()
    assert (np.diff(small_ahead.by_day[free], axis=1) >= 0).all()
    assert np.isnan(small_ahead.by_day[~free]).all()
    rows = small_ahead.summary.dropna(subset=["weeks_low", "weeks_mid", "weeks_high"])
    assert (rows["weeks_low"] <= rows["weeks_mid"]).all()
    assert (rows["weeks_mid"] <= rows["weeks_high"]).all()


def test_no_path_clears_a_rung_before_what_it_needs_and_its_min_weeks(ground, walked):
    standing, plan = ground[0].standing, ground[0].plan
    walked, settings = walked
    checked = 0
    for rung in range(plan.n_rungs):
        for need in plan.needs[rung]:
            both = standing.ahead[:, rung] & standing.ahead[:, need]
            both &= ~standing.under_way[:, rung]
            first = walked.cleared[both, need] + plan.min_days[need]
            assert (walked.cleared[both, rung] >= first).all()
            checked += first.size
    assert checked > 10 * settings.paths


def test_branches_run_side_by_side(ground, walked):
    """Of two rungs neither of which needs the other, either may be cleared while the other runs."""
    plan, standing, walked = ground[0].plan, ground[0].standing, walked[0]
    apart = [
        (first, second)
        for second in range(plan.n_rungs)
        for first in range(second)
        if not plan.way_to(second)[first] and not plan.way_to(first)[second]
    ]
    assert apart
    together = []
    for pair in apart:
        both = np.flatnonzero((standing.ahead[:, pair] & ~standing.under_way[:, pair]).all(axis=1))
        begin, end = ((walked.cleared - part)[both][:, pair] for part in (walked.climbing, 0.0))
        together.append((begin.max(axis=1) < end.min(axis=1)).ravel())
    assert np.concatenate(together).size > 0
    assert np.concatenate(together).mean() > 0.2


def test_first_sessions_follow_after_delays_that_the_log_shows(ground, walked):
    waiting = ground[0].standing.ahead & ~ground[0].standing.under_way
    # Rungs that are not open yet; one open already may have waited past all that was ever seen.
    closed = [
        (a, r) for a, r in np.argwhere(waiting)
        if any(ground[0].standing.ahead[a, need] for need in ground[0].plan.needs[r])
    ]  # fmt: skip
    rows = tuple(np.array(closed).T)
    seen, drawn = ground[0].climbing.delays, walked[0].delay[rows]
    assert np.isin(drawn, seen).all()
    assert drawn.mean() == pytest.approx(seen.mean(), rel=0.2, abs=0.5)


def test_margin_and_pace_are_carried_to_the_next_rung(ground, walked):
    """On the same paths the start moves by the slope times the margin of the rung before.

    The gain moves by the slope times that rung's own pace: its draw less rung and athlete.
    """
    place, settings = ground[0], walked[1]
    still = 1e-18 * np.eye(2)
    none, margin, pace = (
        walk(
            replace(
                place,
                climbing=replace(place.climbing, carry_mean=np.array(slope), carry_cov=still),
            ),
            settings,
            pooled=ground[1],
        )
        for slope in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.5))
    )
    plan, standing = place.plan, place.standing
    pairs = [
        (a, plan.needs[r][0], r)
        for a, r in np.argwhere(standing.ahead)
        if len(plan.needs[r]) == 1 and standing.under_way[a, plan.needs[r][0]]
    ]
    assert len(pairs) >= 3
    spells = np.sort(standing.spell[standing.under_way])
    shared = place.walker.draw(
        spells, paths=settings.paths, draws=settings.draws, seed=settings.seed
    )
    for a, before, after in pairs:
        over = none.end_level[a, before] - place.climbing.margin
        moved = margin.start_level[a, after] - none.start_level[a, after]
        same = np.isclose(moved, 0.5 * over, atol=1e-6)
        # Paths that never cleared within the horizon carry nothing.
        assert (same | (np.abs(moved) < 1e-6)).all()
        assert same.mean() > 0.5
        faster = pace.start_gain[a, after] - none.start_gain[a, after]
        spell = np.searchsorted(spells, standing.spell[a, before])
        own = shared.open_state[spell, :, 2] - shared.rung[:, before, 2] - shared.athlete[a, :, 2]
        np.testing.assert_allclose(faster, 0.5 * own, atol=1e-6)


def test_a_longer_consolidation_delays_what_comes_after_and_nothing_else(ground, walked):
    place, settings = ground[0], walked[1]
    slower = replace(place, plan=replace(place.plan, min_days=place.plan.min_days + 70.0))
    late = walk(slower, settings, pooled=ground[1])
    begun = place.standing.under_way
    np.testing.assert_array_equal(late.cleared[begun], walked[0].cleared[begun])
    top = place.standing.ahead[:, -1] & (place.standing.ahead.sum(axis=1) > 1)
    by = [chances_by_day(w.cleared[top, -1], settings.most_days) for w in (walked[0], late)]
    assert (by[1].sum(axis=1) < by[0].sum(axis=1)).all()


def test_chance_by_reads_the_curve_on_a_date(small_ahead, small_cut):
    date = small_cut + pd.Timedelta(weeks=20)
    table = small_ahead.chance_by(date)
    said = small_ahead.curve[small_ahead.curve["week"] == 20].reset_index(drop=True)
    assert (table["date"] == date).all()
    free = small_ahead.summary["on_hold"].isna()
    np.testing.assert_array_equal(table.loc[free, "p_cleared"], said["p_cleared"])
    assert table.loc[~free, "p_cleared"].isna().all()


@pytest.mark.parametrize("date", ["2020-01-01", "2099-01-01", "soon"])
def test_a_date_out_of_reach_is_refused_with_a_sentence(small_ahead, date):
    with pytest.raises(ForecastError, match=r"choose another date|is not a date"):
        small_ahead.chance_by(date)


def test_the_target_date_turned_round_agrees_with_the_curve(small_ahead):
    target = small_ahead.target.set_index("athlete")
    by = small_ahead.chance_by("2025-12-01")
    top = by[by["rung"] == small_ahead.target["rung"].iloc[0]].set_index("athlete")
    np.testing.assert_allclose(target["p_by_target"], top["p_cleared"].loc[target.index])
    quick, slow = target["p_by_target"] > 0.55, target["p_by_target"] < 0.45
    assert slow.any()
    assert (target["times_as_fast"][quick] <= 1.0).all()
    assert (target["times_as_fast"][slow].dropna() >= 1.0).all()
    assert target["text"].str.contains("chance of the top by 2025-12-01").all()


def test_chain_at_the_present_pace_gives_the_walk_back(ground, walked):
    standing = ground[0].standing
    again = chain(ground[0].plan, standing, walked[0], np.ones(len(standing.athletes)))
    np.testing.assert_allclose(again[standing.ahead], walked[0].cleared[standing.ahead])


def test_gaining_as_fast_as_the_date_takes_makes_it_about_even_odds(ground, walked, small_ahead):
    """Two routes: climbing times divided on the same paths, and the gains themselves raised."""
    place, settings = ground[0], walked[1]
    target = small_ahead.target.set_index("athlete").reindex(list(place.standing.names))
    times = target["times_as_fast"].to_numpy(dtype=float)
    some = np.isfinite(times) & (times > 0.5) & (times < 2.5)
    assert some.sum() >= 3
    factor = np.where(some, times, 1.0)
    rhythm = Rhythm(
        np.ones((len(factor), 1)), np.tile(factor[:, None, None], (1, 1, settings.paths))
    )
    moved = walk(place, settings, pooled=ground[1], rhythm=rhythm, like=walked[0])
    days = (pd.Timestamp("2025-12-01") - small_ahead.as_of).days
    made = (moved.cleared[some, -1] <= days).mean(axis=1)
    assert made.mean() == pytest.approx(0.5, abs=0.15)


def test_the_same_seed_gives_the_same_bytes(small_ahead, light_model, small_log, small_cut):
    again = ladder_ahead(light_model, small_log, small_cut, horizon_weeks=HORIZON)
    pd.testing.assert_frame_equal(again.summary, small_ahead.summary)
    assert again.by_day.tobytes() == small_ahead.by_day.tobytes()


def test_other_athletes_change_nothing(small_ahead, light_model, small_log, small_cut, with_sets):
    names = sorted(set(small_ahead.summary["athlete"]))[:2]
    few = with_sets(small_log, small_log.sets[small_log.sets["athlete"].isin(names)])
    alone = ladder_ahead(light_model, few, small_cut, horizon_weeks=HORIZON)
    for name in names:
        pd.testing.assert_frame_equal(
            alone.for_athlete(name).summary, small_ahead.for_athlete(name).summary
        )


def test_an_unknown_name_is_said_with_the_known_ones(small_ahead):
    with pytest.raises(ForecastError, match=r"Nothing lies ahead of 'Nobody' here; athletes: \w"):
        small_ahead.for_athlete("Nobody")


def test_nothing_on_or_after_the_cut_is_used_not_even_to_learn_climbing(
    light_model, small_log, small_cut
):
    whole = ladder_ahead(light_model, small_log, small_cut, horizon_weeks=20)
    cut_off = ladder_ahead(light_model, small_log.before(small_cut), small_cut, horizon_weeks=20)
    pd.testing.assert_frame_equal(whole.summary, cut_off.summary)


def test_renaming_athletes_changes_nothing(
    small_ahead, light_model, small_log, small_cut, with_sets
):
    sets = small_log.sets.assign(athlete="z" + small_log.sets["athlete"].str[::-1])
    renamed = ladder_ahead(
        light_model, with_sets(small_log, sets), small_cut, horizon_weeks=HORIZON,
    )  # fmt: skip
    back = renamed.summary.assign(athlete=renamed.summary["athlete"].str[1:].str[::-1])
    key = ["athlete", "rung"]
    pd.testing.assert_frame_equal(
        back.sort_values(key, ignore_index=True),
        small_ahead.summary.sort_values(key, ignore_index=True),
    )


def test_rungs_that_share_nothing_make_the_range_for_the_top_narrower(ground, walked):
    place, settings = ground[0], replace(walked[1], paths=1024)
    shared = walk(place, settings, pooled=ground[1])
    mixed = np.random.default_rng(6).permuted(shared.climbing, axis=2)
    pace = np.ones(len(place.standing.athletes))
    free = chain(place.plan, place.standing, replace(shared, climbing=mixed), pace)
    far = place.standing.ahead.sum(axis=1) >= 4
    assert far.sum() >= 4
    spread = [
        np.diff(np.quantile(np.log(cleared[far, -1]), [0.1, 0.9], axis=1), axis=0)
        for cleared in (shared.cleared, free)
    ]
    assert np.median(spread[1] / spread[0]) < 0.95


def test_a_model_not_fitted_or_numbers_out_of_range_are_refused(light_model, small_log, small_cut):
    with pytest.raises(NotFittedError, match="fit"):
        ladder_ahead(ReadinessForecaster(), small_log, small_cut)
    with pytest.raises(ForecastError, match="horizon_weeks = 0"):
        ladder_ahead(light_model, small_log, small_cut, horizon_weeks=0)
    with pytest.raises(ForecastError, match="sessions_per_week = 9"):
        ladder_ahead(light_model, small_log, small_cut, sessions_per_week=9)
    with pytest.raises(ForecastError, match="choose another date"):
        ladder_ahead(light_model, small_log, small_cut, horizon_weeks=4, target_date="2030-01-01")


def test_the_model_is_not_changed(light_model, small_log, small_cut):
    before = copy.deepcopy(light_model.engines_.growth.fit.pooled.common_mean)
    ladder_ahead(light_model, small_log, small_cut, horizon_weeks=5)
    np.testing.assert_array_equal(before, light_model.engines_.growth.fit.pooled.common_mean)
