"""What if somebody came more or less often: the numbers move, and the words say what they are."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecast.ahead import (
    Rhythm,
    look_up,
    rates_now,
    scaled_first_gaps,
    scaled_gaps,
    settings_of,
    walk,
    walk_at,
    what_if,
)
from forecast.errors import ForecastError
from forecast.histories import Absences, first_gap_table

HORIZON = 120


@pytest.fixture(scope="module")
def asked(light_model, small_log, small_cut, small_ahead):
    far = small_ahead.summary.groupby("athlete").size().idxmax()
    return far, what_if(
        light_model, small_log, small_cut, far, sessions_per_week=(1.5, 5.0),
        horizon_weeks=HORIZON,
    )  # fmt: skip


def test_the_present_rate_reads_as_the_look_up_the_ladder(asked, small_ahead):
    athlete, answer = asked
    now = answer.table[answer.table["as_now"]].reset_index(drop=True)
    same = small_ahead.for_athlete(athlete).summary
    names = ["rung", "weeks_low", "weeks_mid", "p_12", "p_26", "p_never_in_horizon"]
    pd.testing.assert_frame_equal(now[names], same[names])


def test_every_rung_ahead_has_a_row_for_every_rate(asked):
    counts = asked[1].table.groupby("rung").size()
    assert (counts == 3).all()


def test_the_warning_says_association_and_to_stop_at_pain(asked):
    assert "association, not cause" in asked[1].warning
    assert "stop at pain" in asked[1].warning
    assert "80 % range" in asked[1].warning


def test_sessions_alone_bring_a_rung_nearer(ground, walked):
    """With no elasticity at all more sessions still give more chances to pass."""
    (ground, pooled, _), (base, settings) = ground, walked
    people = len(ground.standing.athletes)
    gain = np.ones((people, 1, settings.paths))
    more = walk(
        ground, settings, pooled=pooled, rhythm=Rhythm(np.full((people, 1), 0.4), gain), like=base
    )
    less = walk(
        ground, settings, pooled=pooled, rhythm=Rhythm(np.full((people, 1), 2.5), gain), like=base
    )
    open_now = ground.standing.under_way
    medians = [np.median(w.cleared[open_now], axis=1).mean() for w in (more, base, less)]
    assert medians[0] < medians[1] < medians[2]


def test_more_gain_with_more_sessions_moves_the_top_as_the_elasticity_says(
    light_model, small_log, small_cut, small_climbing
):
    athlete = sorted(small_log.athletes)[0]
    plain = replace(small_climbing, elasticity=0.0, elasticity_sd=1e-9)
    strong = replace(small_climbing, elasticity=1.0, elasticity_sd=1e-9)
    top = []
    for climbing in (plain, strong):
        model = copy(light_model)
        model.climbing_ = climbing
        table = what_if(
            model, small_log, small_cut, athlete, sessions_per_week=(6.0,), horizon_weeks=400
        ).table  # fmt: skip
        last = table[table["rung"] == table["rung"].iloc[-1]]
        assert last["sessions_per_week"].iloc[0] < 5.0
        top.append(last["weeks_mid"].to_numpy())
    assert top[0][0] == top[1][0]
    assert top[1][1] < top[0][1]


def test_layoffs_stay_as_they_are_and_no_gap_falls_below_a_day():
    table = np.array([[1.0, 2.0, 4.0, 30.0]])
    moved = scaled_gaps(table, np.array([0.4]))
    # By hand: weights 1, 1, 1 and 0.4 share out 32 entries; 2 / 3.4 of them end in the 19th.
    np.testing.assert_allclose(moved, [np.repeat([1.0, 1.6, 30.0], [19, 9, 4])])


def test_strangers_and_impossible_rates_are_refused(light_model, small_log, small_cut):
    with pytest.raises(ForecastError, match="'nobody' is not in the log"):
        what_if(light_model, small_log, small_cut, "nobody")
    with pytest.raises(ForecastError, match="sessions_per_week = 0"):
        what_if(
            light_model, small_log, small_cut, small_log.athletes[0], sessions_per_week=(0,),
        )  # fmt: skip


def test_layoffs_come_as_often_a_week_at_any_rhythm():
    """Layoffs over the time spent training, not over the number of sessions."""
    table = np.sort(np.array([[3.0] * 100 + [40.0] * 28]), axis=1)
    for scale in (0.3, 0.5, 2.0):
        moved = scaled_gaps(table, np.array([scale]))
        ordinary = moved[moved != 40.0]
        rate = (moved == 40.0).sum() / ordinary.sum()
        usual = 28 / 300.0 * (3.0 * scale / max(3.0 * scale, 1.0))
        assert rate == pytest.approx(usual, rel=0.03)
        assert ordinary.mean() == pytest.approx(max(3.0 * scale, 1.0))


def test_days_of_rest_already_gone_are_no_layoff_at_a_higher_rate():
    """Six days off are ordinary for whoever comes every seventh, whatever is asked for."""
    table = np.sort(np.array([[7.0] * 100 + [40.0] * 28]), axis=1)
    wait = np.array([6.0])
    none = Absences(np.empty(0), np.empty(0), np.empty(0), prior=0.01)
    usual = first_gap_table(table, wait, none, 0.0)
    moved = scaled_first_gaps(usual, wait, np.array([0.25]))
    np.testing.assert_array_equal(moved[usual == 40.0], 40.0)
    np.testing.assert_allclose(moved[usual == 7.0], 6.25)
    same = scaled_first_gaps(usual, wait, np.ones(1))
    np.testing.assert_array_equal(same, usual)


def test_more_sessions_never_put_a_rung_off_where_they_bring_no_less_gain(
    light_model, small_log, small_cut, small_climbing
):
    """Every athlete and rung, from half the usual sessions up; 3 % is chance in the paths."""
    plain = replace(small_climbing, elasticity=0.0, elasticity_sd=1e-9)
    ground, pooled, _ = look_up(light_model.view(small_log, small_cut), plain)
    settings = replace(settings_of(light_model, 260), paths=512)
    base = walk(ground, settings, pooled=pooled)
    people = len(ground.standing.athletes)
    weeks = [_middle(base, ground)]
    for times in (0.5, 3.0):
        gain = np.ones((people, 1, settings.paths))
        rhythm = Rhythm(np.full((people, 1), 1.0 / times), gain)
        weeks.append(
            _middle(walk(ground, settings, pooled=pooled, rhythm=rhythm, like=base), ground)
        )
    usual, half, thrice = weeks
    near = usual < 200.0
    assert near.sum() > 20
    for more, fewer in ((usual, half), (thrice, usual)):
        assert (more[near] <= 1.03 * fewer[near] + 0.3).all()
        assert more[near].mean() < fewer[near].mean()


def _middle(walked, ground):
    return np.median(walked.cleared[ground.standing.ahead], axis=1) / 7.0


def test_another_rate_keeps_what_the_record_says_of_the_athlete(ground, walked):
    """The same draws, and the middles that times are drawn in around."""
    (ground, pooled, _), (base, settings) = ground, walked
    moved = walk_at(ground, settings, pooled, base, np.full(base.first.shape, 2.0))
    np.testing.assert_array_equal(moved.middle, base.middle)


def test_as_now_is_the_rate_of_the_row(asked, light_model, small_log, small_cut):
    """The table says of each rung in hand what the page says; of others that of the latest."""
    athlete, answer = asked
    rows = [row for row in light_model.view(small_log, small_cut).rows if row.athlete == athlete]
    tried = [row for row in rows if row.seen.sessions]
    now = answer.table[answer.table["as_now"]].set_index("rung")["sessions_per_week"]
    for row in tried:
        assert now[row.rung.key] == round(row.seen.per_week, 2)
    latest = min(tried, key=lambda row: (row.seen.weeks_since, -row.seen.sessions))
    later = now.drop([row.rung.key for row in tried])
    assert len(later)
    assert (later == round(latest.seen.per_week, 2)).all()


def test_asking_for_the_rate_of_the_row_changes_nothing(ground, walked):
    """The share is taken of the same rate that the table shows, rung by rung."""
    (ground, pooled, current), (base, settings) = ground, walked
    now = rates_now(ground, current)
    still = replace(ground.climbing, elasticity=0.7, elasticity_sd=0.3)
    moved = walk_at(replace(ground, climbing=still), settings, pooled, base, now / now)
    ahead = ground.standing.ahead
    np.testing.assert_array_equal(moved.cleared[ahead], base.cleared[ahead])
