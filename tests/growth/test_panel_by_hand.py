"""A club of ten sessions laid out as arrays, every number worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from unfitted_club import DAY0, ROWS, histories_of, rows_of

from forecast.growth.forecasting import recent_gaps
from forecast.growth.judgement import QUICKENING
from forecast.growth.panel import (
    build_panel,
    latest_spells,
    log_slope,
    rescaled,
    take_spells,
    to_latent,
    to_log,
    to_ratio,
)
from forecast.growth.passage import latest_sessions


@pytest.fixture(scope="module")
def panel(club):
    panel = build_panel(club)
    return take_spells(panel, panel.longest_first)


def test_spells_and_sessions_are_those_of_the_histories(club):
    panel = build_panel(club)
    assert panel.length.tolist() == club.spells["n_sessions"].tolist()
    assert panel.spell.tolist() == club.sessions["spell"].tolist()


def test_spells_by_length_and_sessions_one_after_another(panel):
    assert panel.length.tolist() == [5, 3, 2]
    assert panel.start.tolist() == [0, 5, 8]
    assert panel.last.tolist() == [4, 7, 9]
    assert panel.spell.tolist() == [0] * 5 + [1] * 3 + [2] * 2
    assert panel.number.tolist() == [0, 1, 2, 3, 4, 0, 1, 2, 0, 1]
    assert panel.gap.tolist() == [0, 3, 2, 28, 3, 0, 7, 7, 0, 7]
    assert (panel.day - panel.day[0]).tolist() == [0, 3, 5, 33, 36, 0, 7, 14, 1, 8]
    assert panel.rung.tolist() == [0, 0, 1]
    assert panel.measure.tolist() == [0, 0, 1]  # seconds, seconds, reps
    assert panel.athlete[0] == panel.athlete[2] != panel.athlete[1]
    assert latest_spells(panel, panel.athlete[:2]).tolist() == [0, 1]
    assert (panel.n_spells, panel.n_sessions) == (3, 10)


def test_training_goes_on_for_two_weeks_or_three_usual_gaps(panel):
    """Median gaps: 3 days (of 2, 3, 3, 28), a week, a week; so two, three and three weeks."""
    np.testing.assert_allclose(panel.grace, [2.0, 3.0, 3.0])
    weeks = np.array([0, 3, 2, 28, 3, 0, 7, 7, 0, 7]) / 7.0
    np.testing.assert_allclose(panel.rest, np.minimum(weeks, 2.0))
    np.testing.assert_allclose(panel.excess, np.maximum(weeks - 2.0, 0.0))
    single = build_panel(histories_of(rows_of("Cy", "hang", {0: [4]})))
    assert single.grace.tolist() == [2.0]


def test_sets_are_bounds_below_the_mark_in_logs(panel):
    """Holds noted to the second: 5 s of 10 s is 4.5 to 5.5; whole reps: 2 of 5 is 2 to 3."""
    assert panel.n_sets.tolist() == [2, 1, 3, 1, 1, 1, 1, 2, 1, 1]
    third = np.log([[0.45, 0.55], [0.35, 0.45], [0.25, 0.35]])
    np.testing.assert_allclose(panel.lower[2], third[:, 0])
    np.testing.assert_allclose(panel.upper[2], third[:, 1])
    np.testing.assert_allclose([panel.lower[8, 0], panel.upper[8, 0]], np.log([0.4, 0.6]))
    assert np.isneginf(panel.lower[1, 1:]).all()
    assert np.isposinf(panel.upper[1, 1:]).all()
    # 9.5 s are written as 10.
    np.testing.assert_allclose(panel.threshold, [np.log(0.95), np.log(0.95), 0.0])
    np.testing.assert_allclose(panel.ceiling, panel.upper)  # none has met the mark
    assert panel.fatigue[0, :2].tolist() == [0, 1]
    assert not panel.met.any()


def test_flags_of_sets_and_what_could_count():
    rows = rows_of("Cy", "pull", {0: [6, 4, 4, 4, 4, 4, 4]}, load_kg=10.0)
    rows[1]["load_kg"] = 5.0  # less than the load asked for: as if helped
    rows[2]["assist"], rows[3]["clean"] = "band", "no"
    rows[4]["stopped"] = "choice"  # ended early on purpose: it could not have met
    rows[0]["stopped"] = "choice"  # this one did
    panel = build_panel(histories_of(rows))
    assert panel.assisted[0].tolist() == [0, 1, 1, 0, 0, 0, 0]
    assert panel.unclean[0].tolist() == [0, 0, 0, 1, 0, 0, 0]
    assert panel.fatigue[0].tolist() == [0, 1, 2, 3, 4, 4, 4]
    assert panel.eligible.tolist() == [3]
    assert panel.met.tolist() == [True]
    assert np.isposinf(panel.ceiling[0, 0])
    assert panel.upper[0, 4] > 5.0  # that much or, as far as the log tells, any more
    assert panel.ceiling[0, 5] == pytest.approx(0.0)  # 4 reps: up to 5 of 5


def test_a_set_at_the_mark_that_does_not_count_has_a_ceiling():
    rows = rows_of("Cy", "pull", {0: [6, 6, 6]}, load_kg=10.0)
    rows[1]["clean"], rows[2]["assist"] = "no", "band"
    ceiling = build_panel(histories_of(rows)).ceiling[0]
    assert np.isposinf(ceiling).tolist() == [True, False, False]
    np.testing.assert_allclose(ceiling[1:], np.log(7.0 / 5.0))


@pytest.mark.parametrize("which", [[0, 2], [1, 2]])
def test_some_spells_alone_are_the_panel_of_their_rows(panel, which):
    part = take_spells(panel, np.array(which))
    kept = [("Al", "hang"), ("Bo", "hang"), ("Al", "pull")]
    rows = [r for r in ROWS if (r["athlete"], r["rung"]) in [kept[w] for w in which]]
    alone = build_panel(histories_of(rows))
    alone = take_spells(alone, alone.longest_first)
    places = part.lower.shape[1]
    for name in ("start", "length", "rung", "measure", "threshold", "grace", "spell", "number",
                 "rest", "excess", "n_sets", "met", "eligible", "gap"):  # fmt: skip
        np.testing.assert_array_equal(getattr(part, name), getattr(alone, name), err_msg=name)
    for name in ("lower", "upper", "ceiling", "fatigue"):
        whole = getattr(alone, name)
        np.testing.assert_array_equal(getattr(part, name)[:, : whole.shape[1]], whole, name)
    assert np.isneginf(part.lower[:, alone.lower.shape[1] : places]).all()


def test_gaps_are_the_spells_own_and_before_them_those_of_ended_spells(panel):
    """Al's pulls ended on day 8, before the hangs of days 33 and 36, after those until day 5."""
    gaps = recent_gaps(panel, np.array([4, 2, 7, 9]))
    assert [g.tolist() for g in gaps] == [[7, 3, 2, 28, 3], [3, 2], [7, 7], [7]]


def test_of_many_gaps_the_latest_thirty_count():
    days = {0: [4]} | {int(d): [4] for d in np.cumsum(np.r_[20, np.full(29, 2), 5])}
    panel = build_panel(histories_of(rows_of("Cy", "hang", days), as_of=100))
    assert recent_gaps(panel, panel.last)[0].tolist() == [2] * 29 + [5]


def test_the_latest_sessions_are_the_spells_own(panel):
    at, inside = latest_sessions(panel, np.array([7, 9]), 30)
    assert at[:, :4].tolist() == [[7, 6, 5, 7], [9, 8, 9, 9]]
    assert inside.sum(axis=1).tolist() == [3, 2]


# the latent scale -----------------------------------------------------------------------------


@pytest.mark.parametrize("linear", [0.0, 0.5, 0.85, QUICKENING])
def test_scales_have_their_inverse_and_its_slope(linear):
    ratio = np.array([1e-9, 0.05, 0.4, 1.0, 1.7, 6.0])
    latent = to_latent(ratio, linear)
    assert latent[3] == 0.0
    np.testing.assert_allclose(to_ratio(latent, linear), ratio, rtol=1e-9)
    step = 1e-6
    slope = (to_log(latent[1:] + step, linear) - to_log(latent[1:] - step, linear)) / (2 * step)
    np.testing.assert_allclose(log_slope(latent[1:], linear), slope, rtol=1e-5)


def test_half_way_to_the_ratio_by_hand():
    assert to_latent(np.array(0.5), 0.5) == pytest.approx(0.5 * np.log(0.5) - 0.25)
    assert to_latent(np.array(2.0), 0.25) == pytest.approx(0.75 * np.log(2.0) + 0.25)
    assert to_latent(np.array(2.0), QUICKENING) == pytest.approx(0.75)  # (2 - 1/2) / 2
    assert np.isneginf(to_latent(np.array(0.0), 0.5))


def test_a_panel_on_another_scale_has_its_bounds_moved(panel):
    moved = rescaled(panel, 0.5)
    assert moved.linear == 0.5
    np.testing.assert_allclose(moved.threshold[:1], 0.5 * np.log(0.95) + 0.5 * -0.05)
    np.testing.assert_allclose(moved.lower[2, 0], 0.5 * np.log(0.45) + 0.5 * -0.55)
    np.testing.assert_allclose(moved.ceiling[2, 0], 0.5 * np.log(0.55) + 0.5 * -0.45)
    np.testing.assert_array_equal(moved.ceiling, moved.upper)


def by_choice(value, **columns):
    return {"athlete": "Cy", "rung": "hang", "value": float(value), "stopped": "choice"} | columns


def test_a_set_stopped_by_choice_is_bounded_by_the_best_of_late():
    """Of six sets below the mark five end by choice: the reserve is 0.2 * (6 + 20) / 5."""
    values = {0: (8.0, "failed"), 7: (5.0, "choice"), 14: (6.0, "choice"), 21: (7.0, "choice"),
              80: (4.0, "choice"), 140: (3.0, "choice")}  # fmt: skip
    rows = [
        by_choice(value, date=DAY0 + pd.Timedelta(days=day), set=1, stopped=how)
        for day, (value, how) in values.items()
    ]
    panel = build_panel(histories_of(rows, as_of=200))
    reserve = 0.2 * 26 / 5
    # Eight seconds, noted to the second, hold for eight weeks; then the best is what is left.
    best = np.array([8.5, 8.5, 8.5, 4.5, 3.5])
    np.testing.assert_allclose(np.exp(panel.upper[1:, 0]), best / 10.0 * np.exp(reserve))
    # Below four fifths of the best of late nothing was tried.
    np.testing.assert_array_equal(panel.eligible, [1, 0, 0, 1, 1, 1])


def test_where_sets_are_let_fail_a_choice_says_little():
    rows = rows_of("Cy", "hang", {day: [8, 7, 6] for day in range(0, 60, 3)})
    rows.append(by_choice(5.0, date=DAY0 + pd.Timedelta(days=62), set=1))
    panel = build_panel(histories_of(rows))
    assert panel.upper[-1, 0] > 10.0
    # The reserve learnt with a model stands in for that of another log.
    other = build_panel(histories_of(rows), reserve=0.3)
    assert np.exp(other.upper[-1, 0]) == pytest.approx(0.85 * np.exp(0.3))
