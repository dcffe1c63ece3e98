"""Training days, silences and the chance of lapse of two invented athletes, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import norm

from forecast.histories import Absences, CohortRhythm, build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.readiness.lapse import (
    FEATURES,
    LapseModel,
    chance_flat,
    day_rhythm,
    design_of,
    fit_lapse,
    lapse_chances,
    silences,
    training_days,
)
from forecast.readiness.rules import PRIOR_CHANCE, PRIOR_SD

DAY0 = pd.Timestamp("2025-01-06")
LADDER = Ladder(
    "Two in a row",
    (
        Rung("low", "Low", "", Criterion("reps", 5.0), needs=()),
        Rung("top", "Top", "", Criterion("reps", 5.0)),
    ),
)
NONE = Absences(np.empty(0), np.empty(0), np.empty(0), 0.0)


def histories_of(rows, as_of):
    table = pd.DataFrame(rows, columns=["athlete", "day", "rung", "value", "pain"])
    table["date"] = DAY0 + pd.to_timedelta(table.pop("day"), unit="D")
    return build_histories(read_log(table, LADDER), DAY0 + pd.Timedelta(days=as_of))


ROWS = [
    ("Al", 0, "low", 2, None), ("Al", 7, "low", 6, 3), ("Al", 14, "top", 1, 0),
    ("Al", 36, "top", 2, 0), ("Al", 75, "top", 2, 5),
    ("Bo", 3, "low", 2, 0), ("Bo", 10, "low", 3, 0), ("Bo", 10, "low", 3, 2),
]  # fmt: skip


def days_of(rows=ROWS, as_of=200):
    histories = histories_of(rows, as_of)
    return training_days(histories, np.full(len(histories.sessions), 0.7))


def test_the_chance_of_being_flat_is_that_of_gaining_less_than_half_a_percent():
    states = pd.DataFrame({"swing": [0.0, 0.01], "pace": [0.005, 0.015], "var_gain": [0.01, 4e-4]})
    np.testing.assert_allclose(chance_flat(states), [0.5, norm.cdf(-1.0)])


def test_what_was_known_on_each_training_day():
    days = days_of()
    al, bo = (part for _, part in days.groupby("athlete"))
    assert [(d - DAY0).days for d in al["date"]] == [0, 7, 14, 36, 75]
    np.testing.assert_allclose(al["log_weeks"], np.log1p(np.array([0, 7, 14, 36, 75]) / 7.0))
    assert al["just_cleared"].tolist() == [0, 1, 1, 0, 0]  # cleared on day 7: until day 35
    np.testing.assert_allclose(al["pain"], [0.0, 0.3, 0.0, 0.0, 0.5])
    np.testing.assert_allclose(al["flat"], 0.2)
    # Days a week over the last eight weeks, or since the first day, two weeks at least; on day
    # 75 those from day 20 on: two in eight weeks.
    weeks = np.array([2, 2, 15 / 7, 37 / 7, 8])
    np.testing.assert_allclose(np.exp(al["rate"]), np.array([1, 2, 3, 4, 2]) / weeks)
    assert al["last"].tolist() == [False] * 4 + [True]
    assert al["away"].tolist() == [200, 193, 186, 164, 125]
    assert al["lapsed"].tolist() == [False] * 4 + [True]
    assert len(bo) == 2
    assert bo["pain"].tolist() == [0.0, 0.2]  # the highest of the day
    assert design_of(days).shape == (7, 6)
    assert (design_of(days)[:, 0] == 1.0).all()


def test_an_eight_week_window_ends_with_the_day_itself():
    """Day 56 sees day 1 and not day 0: 56 days, both ends counted."""
    for first, count in ((0, 1), (1, 2)):
        days = days_of([("Al", first, "low", 2, 0), ("Al", 56, "low", 2, 0)])
        assert np.exp(days["rate"].iloc[1]) * 8 == pytest.approx(count)


def test_clearing_a_rung_is_news_for_four_weeks():
    for day, news in ((28, 1), (29, 0)):
        days = days_of([("Al", 0, "low", 6, 0), ("Al", day, "top", 2, 0)])
        assert days["just_cleared"].tolist() == [1, news]


def test_a_silence_is_settled_once_longer_than_the_lapse_rule_allows():
    histories = histories_of(ROWS, 200)
    allowed = int(histories.lapse_after["Bo"])
    for beyond, settled in ((0, False), (1, True)):
        last = days_of(as_of=10 + allowed + beyond)
        assert last[last["athlete"] == "Bo"]["settled"].iloc[-1] == settled


def test_nobody_lapses_by_reaching_the_top():
    rows = [*ROWS, ("Cy", 0, "low", 6, 0), ("Cy", 5, "top", 6, 0)]
    days = days_of(rows)
    own = days[days["athlete"] == "Cy"]
    assert len(own) == 1  # the last day is left out
    assert not own["lapsed"].any()


# silences -------------------------------------------------------------------------------------


def test_a_silence_is_weighed_against_the_athletes_own_gaps():
    """Al: gaps 7, 7, 22, 39 and silent for 125 days; Bo: one gap of 7 and silent for 190.

    The cohort's habit counts as two gaps beside them, of its mean for the days a week and of its
    median for the middle gap.
    """
    days = days_of()
    rhythm = CohortRhythm(np.array([0.5, 1.0, 1.0, 3.5]), 10.0, np.empty(0), NONE)
    now = silences(days, rhythm)
    who = days.drop_duplicates("athlete").set_index("athlete")["athlete_id"]
    order = [list(now.latest.index).index(who[name]) for name in ("Al", "Bo")]
    per_week = 7.0 / np.array([(75 + 2 * 15) / 6, (7 + 2 * 15) / 3])
    np.testing.assert_allclose(now.per_week[order], per_week)
    # Middle gaps: (4 * 14.5 + 20) / 6 = 13 and (7 + 20) / 3 = 9; none of the table is so long.
    assert (now.longer <= 1.0 / 4).all()
    near = silences(days.assign(away=np.where(days["athlete"] == "Al", 45, 32)), rhythm)
    longest = np.array([13 * 3.5, 9 * 3.5])  # 45.5 > 45 and 31.5 < 32
    assert (near.longer[order] >= 0.25).tolist() == (longest > [45, 32]).tolist()


def test_the_rhythm_is_that_of_days_between_training_days():
    rhythm = day_rhythm(days_of(), NONE)
    # Medians: Al's 14.5 (of 7, 7, 22, 39) and Bo's 7; the middle of both.
    assert rhythm.median == pytest.approx((14.5 + 7.0) / 2)
    assert rhythm.ratios.min() == pytest.approx(7 / 14.5)
    assert rhythm.ratios.max() == pytest.approx(39 / 14.5, rel=0.01)  # a quantile


# the fit --------------------------------------------------------------------------------------


def made_days(seed=4, people=40, each=25):
    rng = np.random.default_rng(seed)
    n = people * each
    days = pd.DataFrame({name: rng.normal(0.0, 0.5, n) for name in FEATURES})
    days["last"] = np.arange(n) % each == each - 1
    return days, rng.uniform(0.0, 0.3, people)


def test_the_fit_is_the_mode_of_its_penalised_likelihood():
    """A day followed by another was not the last: 1 - h; the latest was, or the gap is long."""
    days, longer = made_days()
    design, last = design_of(days), days["last"].to_numpy()
    usual = np.log(PRIOR_CHANCE / (1.0 - PRIOR_CHANCE))
    centre = np.r_[usual, np.zeros(5)]

    def loss(weights):
        chance = expit(design @ weights)
        gone = np.log(chance[last] + (1.0 - chance[last]) * longer)
        prior = 0.5 * np.sum(((weights - centre) / PRIOR_SD) ** 2)
        return prior - np.log1p(-chance[~last]).sum() - gone.sum()

    best = minimize(loss, centre, method="BFGS", options={"gtol": 1e-9})
    found = fit_lapse(days, longer)
    np.testing.assert_allclose(found.weights, best.x, atol=2e-3)
    # Its covariance is the inverse curvature there, by second differences.
    step, eye = 1e-3, np.eye(6)
    curve = np.array([
        [
            (loss(best.x + step * (a + b)) - loss(best.x + step * (a - b))
             - loss(best.x - step * (a - b)) + loss(best.x - step * (a + b))) / (4 * step**2)
            for b in eye
        ]
        for a in eye
    ])  # fmt: skip
    np.testing.assert_allclose(found.cov, np.linalg.inv(curve), rtol=0.02, atol=1e-3)


def test_where_every_gap_is_usual_the_prior_stands():
    """Nobody's silence is anything: as if all were there still, the chance below the prior's."""
    days, _ = made_days(people=2, each=2)
    found = fit_lapse(days, np.ones(2))
    assert -0.1 < found.weights[0] - np.log(PRIOR_CHANCE / (1 - PRIOR_CHANCE)) < 0.0


def test_chances_of_lapse_by_hand():
    """One hazard for certain: gone already by Bayes, or after so many more days at (1 - h)^n."""
    days = days_of().assign(away=20)  # a quarter of both athletes' gaps are longer
    rhythm = CohortRhythm(np.array([0.5, 1.0, 1.0, 3.5]), 10.0, np.empty(0), NONE)
    hazard = 0.02
    model = LapseModel(np.r_[np.log(hazard / (1 - hazard)), np.zeros(5)], 1e-16 * np.eye(6))
    table = lapse_chances(model, rhythm, days, seed=1)
    now = silences(days, rhythm)
    gone = hazard / (hazard + (1 - hazard) * now.longer)
    np.testing.assert_allclose(table["p_gone"], gone, rtol=1e-5)
    assert (now.longer >= 1.0 / 6).all()
    np.testing.assert_allclose(table["weeks_away"] * 7, 20)
    for weeks in (12, 26):
        stays = (1 - hazard) ** (weeks * now.per_week)
        np.testing.assert_allclose(table[f"lapse_{weeks}"], 1 - (1 - gone) * stays, rtol=1e-5)
        np.testing.assert_allclose(table[f"lapse_{weeks}_low"], table[f"lapse_{weeks}_high"],
                                   rtol=1e-5)  # fmt: skip
    doubt = LapseModel(model.weights, np.diag([0.25, 0, 0, 0, 0, 0]) + 1e-12 * np.eye(6))
    wide = lapse_chances(doubt, rhythm, days, seed=1)
    # Where the last day has hardly been, the chance follows h: 80 % of draws are within 1.28 sd.
    low, high = expit(model.weights[0] + 0.5 * norm.ppf([0.1, 0.9]))
    for bound, share in (("low", low), ("high", high)):
        gone = share / (share + (1 - share) * now.longer)
        expected = 1 - (1 - gone) * (1 - share) ** (12 * now.per_week)
        np.testing.assert_allclose(wide[f"lapse_12_{bound}"], expected, atol=0.03)
